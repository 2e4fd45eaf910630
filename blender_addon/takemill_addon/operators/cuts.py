"""Cuts of a take, and the clips made from them."""

from __future__ import annotations

from dataclasses import replace

import bpy
from bpy_extras.io_utils import ImportHelper

from takemill.base.errors import InputError
from takemill.clip import cuts
from takemill.clip.loop_search import LoopSettings
from takemill.clip.root_motion import RootMotionSettings
from takemill.feet.contacts import find_contacts
from takemill.health.check import Health
from takemill.pipeline import stages
from takemill.recipe.recipe import ClipSpec, Moment, Recipe, expect_name, parse_recipe, read_recipe

from ..bridge import actions, findings, paths, stage
from ..bridge.clip_record import ClipRecord
from ..bridge.write_action import write_motion

FIRST_FRAME = 0  # of a clip: frame f of a clip lies at f / rate seconds, here and in the engine


class TAKEMILL_OT_suggest_cuts(stage.Stage, bpy.types.Operator):
    """Look for stretches that could be clips: idles, locomotion, strikes, turns, jumps. Replaces the list"""

    bl_idname = "takemill.suggest_cuts"
    bl_label = "Suggest Cuts"

    def run(self, context: bpy.types.Context) -> str:
        work = stage.work_from_context(context)
        found = cuts.suggest_cuts(work.take.motion, work.body)
        if not found:
            raise InputError(f"{work.action.name!r}: no clip can be suggested; add cuts by hand")
        known = work.action.takemill
        known.cuts.clear()
        known.cut_index, known.recipe = 0, ""
        for cut in found:
            spec, item = ClipSpec.from_cut(cut), known.cuts.add()
            item.name, item.kind, item.loop, item.root_motion = cut.name, cut.kind, cut.loop, spec.root_motion
            item.start, item.end = work.take.start + cut.start, work.take.start + cut.stop - 1
        stage.note_reading(work)
        return f"{len(found)} cuts suggested"


class TAKEMILL_OT_load_cuts(stage.Stage, bpy.types.Operator, ImportHelper):
    """Take the clips of a recipe (TOML) as cuts of the active action, and its rate for packing"""

    bl_idname = "takemill.load_cuts"
    bl_label = "Load Recipe"
    filename_ext = ".toml"

    filepath: paths.property_of_a_file()
    filter_glob: bpy.props.StringProperty(default="*.toml", options={"HIDDEN"})

    def run(self, context: bpy.types.Context) -> str:
        path = paths.absolute(self.filepath)
        work, recipe = stage.work_from_context(context), read_recipe(path)
        if not recipe.clips:
            raise InputError(f"{path}: it names no clips")
        motion, known = work.take.motion, work.action.takemill
        ranges = [spec.frames(len(motion), motion.rate) for spec in recipe.clips]
        specs = stages.specs_of([_prepared(work)], replace(recipe, clips=_alone(recipe.clips)))
        known.cuts.clear()
        known.cut_index, known.recipe = 0, path.read_text("utf-8-sig")
        for line, (spec, (start, stop)) in enumerate(zip(specs, ranges, strict=True)):
            item = known.cuts.add()
            item.name, item.loop, item.root_motion, item.kind = (
                spec.name,
                spec.loop,
                spec.root_motion,
                spec.kind,
            )
            item.start, item.end = work.take.start + start, work.take.start + stop - 1
            item.search, item.line = spec.search, line
            item.override_smoothing, item.smooth_hz = spec.smooth_hz is not None, spec.smooth_hz or 0.0
        context.scene.takemill.set_rate = recipe.rate or 0.0
        return f"{len(recipe.clips)} cuts from {path}"


def _alone(specs: tuple[ClipSpec, ...]) -> tuple[ClipSpec, ...]:
    """The same clips, all of the one take that is at hand."""
    return tuple(replace(spec, take="") for spec in specs)


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

    def run(self, context: bpy.types.Context) -> str:
        work = stage.work_from_context(context)
        recipe = _recipe(context.scene.takemill, work)
        manager = context.window_manager
        manager.progress_begin(0, 100)
        try:
            clips = stages.make_clips(
                _prepared(work), recipe, lambda _, part: manager.progress_update(round(100 * part))
            )
        finally:
            manager.progress_end()
        for clip in clips:
            _write_clip(context, work, clip)
        stage.note_reading(work)
        return f"{len(clips)} clips made: {', '.join(clip.name for clip in clips)}"


def _prepared(work: stage.Work) -> stages.PreparedTake:
    """The take as the core wants it; it was repaired and judged before, by operators of its own."""
    motion, none = work.take.motion, Health((), {})
    contacts = find_contacts(motion, work.body)
    return stages.PreparedTake(
        work.action.name, stages.digest_of(motion), motion, work.body, motion, (), none, none, contacts
    )


def _recipe(chosen, work: stage.Work) -> Recipe:
    """The ticked cuts and the scene's settings; what only a recipe can say, as the loaded one says it."""
    known = work.action.takemill
    loaded = parse_recipe(known.recipe, f"the recipe of {work.action.name!r}") if known.recipe else Recipe()
    # Clips leave for the set's rate only when they are packed: the frames of its blends are other ones here.
    stretch = work.take.motion.rate / (loaded.rate or work.take.motion.rate)
    step = work.take.motion.rate / (chosen.set_rate or work.take.motion.rate)
    specs = [_spec(cut, work, loaded, stretch, step) for cut in known.cuts if cut.use]
    if work.body.get("root") is None and any(spec.root_motion == "root" for spec in specs):
        raise InputError(
            f"armature {work.armature.name!r}: it has no root bone for the root motion; "
            "Add Root Bone in the Body panel, or choose another root motion for the cuts"
        )
    names = {spec.name for spec in specs}
    neutral = loaded.neutral if loaded.neutral in names else ""
    return Recipe(
        clips=tuple(specs if neutral else [replace(spec, blend_frames=None) for spec in specs]),
        variants=tuple(one for one in loaded.variants if {one.of, one.additive_to or one.of} <= names),
        neutral=neutral,
        blend_frames=round(loaded.blend_frames * stretch) if neutral else 0,
        events=loaded.events,
        loop=LoopSettings(longest_s=chosen.loop_longest_s or None),
        close=replace(loaded.close, seam_s=chosen.seam_s),
        root_motion=root_motion_settings(chosen),
    )


def _spec(cut, work: stage.Work, loaded: Recipe, stretch: float, step: float) -> ClipSpec:
    """A cut as a clip; the rest of what a loaded recipe says of it stays.

    A one-shot's last frame must be one that the set has, of which every `step`-th is: or its end would be
    cut off when it is packed.
    """
    over = (cut.end - cut.start) % round(step) if step.is_integer() and not cut.loop else 0
    over = over if cut.end - over > cut.start else 0
    first, last = (Moment(frame - work.take.start, in_frames=True) for frame in (cut.start, cut.end - over))
    line = loaded.clips[cut.line] if 0 <= cut.line < len(loaded.clips) else ClipSpec("", first, last)
    motion, name = work.take.motion, expect_name(cut.name, f"cut {cut.name!r}")
    whole = line.frames(len(motion), motion.rate) if line.stretches else None
    moved = whole != (cut.start - work.take.start, cut.end - work.take.start + 1)
    return replace(
        line,
        name=name,
        start=first,
        stop=last,
        loop=cut.loop,
        search=cut.search,
        root_motion=cut.root_motion,
        rate=None,
        take=work.action.name,
        kind=cut.kind,
        smooth_hz=cut.smooth_hz if cut.override_smoothing else None,
        blend_frames=None if line.blend_frames is None else round(line.blend_frames * stretch),
        stretches=() if moved else line.stretches,
    )


def root_motion_settings(chosen) -> RootMotionSettings:
    """The scene's choice of what travels."""
    return RootMotionSettings(
        turn=chosen.root_motion_turn, height=chosen.root_motion_height, smooth_hz=chosen.root_motion_smooth_hz
    )


def _write_clip(context: bpy.types.Context, work: stage.Work, clip: stages.FinishedClip) -> None:
    """A new Action for the clip, put on the armature's list; the take stays the active action."""
    frame = work.take.frame
    new = write_motion(context, work.armature, clip.motion, FIRST_FRAME, clip.name, frame, play=False)
    ClipRecord.of_clip(clip).keep(new)
    write_events(new, clip.events, FIRST_FRAME)
    stage.note_source(new, work)
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
    TAKEMILL_OT_load_cuts,
    TAKEMILL_OT_add_cut,
    TAKEMILL_OT_remove_cut,
    TAKEMILL_OT_trim_cut,
    TAKEMILL_OT_preview_cut,
    TAKEMILL_OT_make_clips,
)
