"""Cuts of a take, and the clips made from them."""

from __future__ import annotations

from dataclasses import replace

import bpy

from takemill.base.errors import InputError, TakemillError
from takemill.pipeline import stages
from takemill.pipeline.finish_clip import FinishedClip
from takemill.pipeline.plan_clips import OnFailure, plan_clips, suggest_take_cuts
from takemill.pipeline.swing_clips import swing_clips
from takemill.recipe.recipe import ClipSpec, Recipe

from ..bridge import actions, clip_record, cuts, findings, recipe, stage, takes
from ..bridge.clip_record import ClipRecord
from ..bridge.springs import chains_of
from ..bridge.steps import Steps, apart, apart_told, within
from ..bridge.write_action import carry_on, write_motion

FIRST_FRAME = 0  # of a clip: frame f of a clip lies at f / rate seconds, here and in the engine


class TAKEMILL_OT_suggest_cuts(stage.Stage, bpy.types.Operator):
    """Look for stretches that could be clips: idles, locomotion, turns, strikes, jumps. Replaces the list"""

    bl_idname = "takemill.suggest_cuts"
    bl_label = "Suggest Cuts"

    def run(self, context: bpy.types.Context) -> Steps[str]:
        work = yield from self.read_work.steps(context)
        settings = recipe.recipe_of(context.scene)
        performed = yield from takes.performer_of.steps(context, work, settings)
        take = performed[0] if performed else (yield from takes.prepare_work.steps(work, settings))
        found = yield from apart(suggest_take_cuts, take, settings)
        if not found:
            raise InputError(f"{work.action.name!r}: no clip can be suggested; add cuts by hand")
        specs = [ClipSpec.from_cut(cut) for cut in found]
        cuts.fill_cuts(work.action, work.take, specs, [-1] * len(specs))
        for item, cut in zip(work.action.takemill.cuts, found, strict=True):
            item.why = f"{cut.why} ({100 * cut.sure:.0f} % sure)"
        stage.note_reading(work)
        return f"{len(found)} cuts suggested"


class TAKEMILL_OT_add_cut(stage.Stage, bpy.types.Operator):
    """Add a cut over the preview range of the timeline, or around the playhead where there is none"""

    bl_idname = "takemill.add_cut"
    bl_label = "Add Cut"
    needs = (stage.an_armature, stage.an_action)

    def run(self, context: bpy.types.Context) -> str:
        scene, known = context.scene, actions.active_action(stage.armature_of(context)).takemill
        item = known.cuts.add()
        taken = {cut.name for cut in known.cuts}
        item.name = next(name for n in range(1, 1000) if (name := f"clip_{n:02}") not in taken)
        if scene.use_preview_range:
            item.start, item.end = scene.frame_preview_start, scene.frame_preview_end
        else:
            reach = round(scene.render.fps / scene.render.fps_base)
            item.start, item.end = scene.frame_current - reach, scene.frame_current + reach
        known.cut_index = len(known.cuts) - 1
        return f"{item.name}: frames {item.start} to {item.end}"


class TAKEMILL_OT_remove_cut(stage.Stage, bpy.types.Operator):
    """Take the chosen cut off the list"""

    bl_idname = "takemill.remove_cut"
    bl_label = "Remove Cut"
    needs = (stage.an_armature, stage.an_action)

    def run(self, context: bpy.types.Context) -> str:
        known = actions.active_action(stage.armature_of(context)).takemill
        if not 0 <= known.cut_index < len(known.cuts):
            raise InputError("there is no cut to remove")
        name = known.cuts[known.cut_index].name
        known.cuts.remove(known.cut_index)
        known.cut_index = max(0, known.cut_index - 1)
        return f"{name} removed from the list"


class TAKEMILL_OT_trim_cut(stage.Stage, bpy.types.Operator):
    """Move the ends of the chosen cut out of the T or A pose in which the take begins or ends"""

    bl_idname = "takemill.trim_cut"
    bl_label = "Trim Cut at the Pose"
    needs = (stage.an_armature, stage.an_action)

    def run(self, context: bpy.types.Context) -> str:
        action = actions.active_action(stage.armature_of(context))
        known, left = action.takemill, findings.between_poses(action)
        if left is None or not 0 <= known.cut_index < len(known.cuts):
            raise InputError("there is no cut or no pose to trim it at; check the take, and choose a cut")
        cut = known.cuts[known.cut_index]
        start, end = max(cut.start, left[0]), min(cut.end, left[1])
        if start >= end:
            raise InputError(f"cut {cut.name!r}: nothing of it lies outside of the reference pose; remove it")
        cut.start, cut.end = start, end
        return f"{cut.name}: frames {start} to {end}"


class TAKEMILL_OT_preview_cut(stage.Stage, bpy.types.Operator):
    """Make the cut the preview range of the timeline and set the playhead on its first frame"""

    bl_idname = "takemill.preview_cut"
    bl_label = "Preview Cut"
    needs = (stage.an_armature, stage.an_action)

    index: bpy.props.IntProperty()

    def run(self, context: bpy.types.Context) -> str:
        known = actions.active_action(stage.armature_of(context)).takemill
        if not 0 <= self.index < len(known.cuts):
            raise InputError("there is no such cut")
        known.cut_index, cut = self.index, known.cuts[self.index]
        preview(context.scene, cut.start, cut.end)
        return f"{cut.name}: frames {cut.start} to {cut.end}"


def preview(scene: bpy.types.Scene, start: int, end: int) -> None:
    """Let the timeline play just these frames."""
    scene.use_preview_range = True
    scene.frame_preview_start, scene.frame_preview_end = start, end
    scene.frame_set(start)


def some_cuts(context: bpy.types.Context) -> str:
    """Needs a cut to make a clip of."""
    known = stage.armature_of(context).animation_data.action.takemill
    return "" if any(cut.use for cut in known.cuts) else "Suggest or add cuts first, and leave one ticked"


class TAKEMILL_OT_make_clips(stage.Stage, bpy.types.Operator):
    """Make an action of each ticked cut: loop closed, root motion extracted, foot contacts as events"""

    bl_idname = "takemill.make_clips"
    bl_label = "Make Clips"
    needs = (*stage.Stage.needs, some_cuts)

    def run(self, context: bpy.types.Context) -> Steps[str]:
        work = yield from self.read_work.steps(context)
        settings = _recipe(context, work)
        lacks = dict[str, TakemillError]()
        clips = yield from within(_clips(context, work, settings, lacks.__setitem__), 0.0, 0.8)
        made = []
        for number, clip in enumerate(clips):
            written = _written(context, work, clip)
            made.append((yield from within(written, 0.8 + 0.2 * number / len(clips), 1.0)))
        for clip, new in zip(clips, made, strict=True):
            _list_clip(work, clip, new)
        stage.note_reading(work)
        for problem in lacks.values():
            self.report({"WARNING"}, f"not made: {problem}")
        for clip in clips:
            if clip.no_loop:
                self.report({"WARNING"}, f"{clip.name} is a one-shot, no loop: {clip.no_loop}")
        once = [clip.name for clip in clips if clip.no_loop]
        without = f"; one-shots, no loops: {', '.join(once)}" if once else ""
        without += f"; not made: {', '.join(lacks)}" if lacks else ""
        return f"{len(clips)} clips made: {', '.join(clip.name for clip in clips)}{without}"


def _clips(
    context: bpy.types.Context,
    work: stage.Work,
    settings: Recipe,
    failed: OnFailure,
) -> Steps[tuple[FinishedClip, ...]]:
    """The clips of a take; of a fitted one, of the frames that are found on the performer.

    `failed` hears of each that cannot be made.
    """
    known = yield from _clips_before(context, work, settings)
    performed = yield from takes.performer_of.steps(context, work, settings)
    if performed:
        performer, fitted = performed
        plan = yield from apart(plan_clips, [performer], settings, known, failed)
        plan = yield from apart(stages.settle_seams, [performer], plan, failed)
        plan = plan.for_character(work.armature.name)
    else:
        fitted = yield from takes.prepare_work.steps(work, settings)
        plan = yield from apart(plan_clips, [fitted], settings, known, failed)
    rows = [cut for cut in work.action.takemill.cuts if cut.use]
    plan = replace(plan, suggested=all(cut.line < 0 and cut.name == cut.given_name for cut in rows))
    if plan.is_rooted and work.body.get("root") is None:
        raise InputError(
            f"armature {work.armature.name!r}: it has no root bone for the root motion; "
            "Add Root Bone in the Body panel, or choose another Root Motion for the cuts"
        )
    # What is wrong with chains is said before the work.
    chains_of(work.armature, work.take.motion.skeleton, work.body, settings, performed is None)
    made = yield from apart_told(
        lambda tell: stages.make_clips([fitted], plan, lambda _, share: tell(share), known, failed)
    )
    chains = chains_of(work.armature, made[0].motion.skeleton, made[0].body, settings, performed is None)
    neutral = known.get(settings.neutral)
    return (yield from apart(swing_clips, made, chains, settings.neutral, neutral))


def _clips_before(
    context: bpy.types.Context, work: stage.Work, settings: Recipe
) -> Steps[dict[str, FinishedClip]]:
    """Clips on the list that the ticked cuts need and that are not made with them: by name."""
    made = {spec.name for spec in settings.clips}
    wanted = {settings.neutral, *(one.additive_to for one in settings.variants)} - made - {""}
    found = {}
    for entry in work.armature.takemill.clips:
        if entry.name in wanted and entry.action is not None:
            read = clip_record.read_clip.steps(context, work.armature, entry.name, entry.action)
            found[entry.name] = yield from read
    return found


def _recipe(context: bpy.types.Context, work: stage.Work) -> Recipe:
    """The scene's recipe with the ticked cuts as its clips, and with what they are varied into."""
    loaded = recipe.loaded_recipe(context.scene)
    settings = takes.as_made(work.action, recipe.recipe_of(context.scene))
    rows = [cut for cut in work.action.takemill.cuts if cut.use]
    name = takes.take_name(work.action)
    specs = tuple(replace(cuts.spec_of(cut, work.take, loaded), take=name) for cut in rows)
    names = {spec.name for spec in specs}
    return replace(
        settings,
        clips=specs,
        variants=tuple(one for one in settings.variants if one.of in names),
    )


def _written(context: bpy.types.Context, work: stage.Work, clip: FinishedClip) -> Steps[bpy.types.Action]:
    """A new Action for the clip; the take stays the active action."""
    frame, keyed = work.take.frame, work.keyed
    new = yield from write_motion.steps(
        context, work.armature, clip.motion, FIRST_FRAME, clip.name, frame, play=False, keyed=keyed
    )
    if not clip.stretches:
        carry_on(work.armature, work.action, new, FIRST_FRAME - work.take.start - clip.source_range[0])
    ClipRecord.of_clip(clip).keep(new)
    write_events(new, clip.events, FIRST_FRAME)
    stage.note_source(new, work)
    return new


def _list_clip(work: stage.Work, clip: FinishedClip, new: bpy.types.Action) -> None:
    """Put a clip's Action on the armature's list."""
    clips = work.armature.takemill.clips
    entry = clips.get(clip.name) or clips.add()
    entry.name, entry.action, entry.use = clip.name, new, True


def write_events(action: bpy.types.Action, events, start: int) -> None:
    """The events of a clip as the Action's pose markers, instead of any that bear their names."""
    names = {one.name for one in events}
    for old in [marker for marker in action.pose_markers if marker.name in names]:
        action.pose_markers.remove(old)
    for one in events:
        action.pose_markers.new(one.name).frame = start + one.frame


CLASSES = (
    TAKEMILL_OT_suggest_cuts,
    TAKEMILL_OT_add_cut,
    TAKEMILL_OT_remove_cut,
    TAKEMILL_OT_trim_cut,
    TAKEMILL_OT_preview_cut,
    TAKEMILL_OT_make_clips,
)
