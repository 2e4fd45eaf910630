"""Cuts of a take."""

from __future__ import annotations

import bpy

from takemill.base.errors import InputError
from takemill.cuts.cuts import name_stretch
from takemill.pipeline.plan_clips import suggest_take_cuts
from takemill.recipe.recipe import ClipSpec

from ..bridge.clips import cuts
from ..bridge.scene import actions, views
from ..bridge.scene.steps import Steps, apart
from ..bridge.takes import clip_names, findings, recipe, stage, takes
from ..bridge.takes.adjust import adjustable
from ..bridge.takes.characters import cuts_holder
from ..properties.clips import LoopProperties


def cuts_at_hand(context: bpy.types.Context) -> bpy.types.PropertyGroup:
    """What holds the list of cuts that counts for the active action."""
    return cuts_holder(actions.active_action(stage.armature_of(context))).takemill


@adjustable(LoopProperties, "cut_combinations", "cut_gaits", "cut_shot_list")
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
        holder = cuts_holder(work.action)
        cuts.fill_cuts(holder, work.take, specs, [-1] * len(specs))
        for item, cut in zip(holder.takemill.cuts, found, strict=True):
            item.why = f"{cut.why} ({100 * cut.sure:.0f} % sure)"
        stage.note_reading(work)
        return f"{len(found)} cuts suggested"


class TAKEMILL_OT_add_cut(stage.Stage, bpy.types.Operator):
    """Add a cut over the preview range of the timeline, or around the playhead where there is none"""

    bl_idname = "takemill.add_cut"
    bl_label = "Add Cut"
    needs = (stage.an_armature, stage.an_action, stage.own_action)

    start: bpy.props.IntProperty(
        name="From", options={"SKIP_SAVE"}, description="First scene frame of the cut"
    )
    end: bpy.props.IntProperty(name="To", options={"SKIP_SAVE"}, description="Last scene frame of the cut")

    def run(self, context: bpy.types.Context) -> str:
        known = cuts_at_hand(context)
        for name, frame in zip(("start", "end"), _ends_at_hand(context.scene), strict=True):
            if not self.properties.is_property_set(name):
                setattr(self, name, frame)
        if self.start > self.end:
            raise InputError("the cut would end before it starts; set To after From")
        item = known.cuts.add()
        taken = {cut.name for cut in known.cuts}
        item.name = next(name for n in range(1, 1000) if (name := f"clip_{n:02}") not in taken)
        item.start, item.end = self.start, self.end
        known.cut_index = len(known.cuts) - 1
        return f"{item.name}: frames {item.start} to {item.end}"


def _ends_at_hand(scene: bpy.types.Scene) -> tuple[int, int]:
    """The first and the last frame of the preview range, or of a second to each side of the playhead."""
    if scene.use_preview_range:
        return scene.frame_preview_start, scene.frame_preview_end
    reach = round(scene.render.fps / scene.render.fps_base)
    return scene.frame_current - reach, scene.frame_current + reach


class TAKEMILL_OT_remove_cut(stage.Stage, bpy.types.Operator):
    """Take the chosen cut off the list"""

    bl_idname = "takemill.remove_cut"
    bl_label = "Remove Cut"
    needs = (stage.an_armature, stage.an_action, stage.own_action)

    def run(self, context: bpy.types.Context) -> str:
        known = cuts_at_hand(context)
        if not 0 <= known.cut_index < len(known.cuts):
            raise InputError("there is no cut to remove")
        name = known.cuts[known.cut_index].name
        known.cuts.remove(known.cut_index)
        known.cut_index = max(0, known.cut_index - 1)
        return f"{name} removed from the list"


class TAKEMILL_OT_name_cut(stage.Stage, bpy.types.Operator):
    """Name the chosen cut, and say its kind, by what the body does in it, as Suggest Cuts would"""

    bl_idname = "takemill.name_cut"
    bl_label = "Suggest Name"

    def run(self, context: bpy.types.Context) -> Steps[str]:
        known = cuts_at_hand(context)
        if not 0 <= known.cut_index < len(known.cuts):
            raise InputError("there is no cut to name; choose one of the list")
        work = yield from self.read_work.steps(context)
        cut = known.cuts[known.cut_index]
        first, stop = cut.start - work.take.start, cut.end + 1 - work.take.start
        taken, settings = {one.name for one in known.cuts if one != cut}, recipe.recipe_of(context.scene)
        found = yield from apart(
            name_stretch, work.take.motion, work.body, (first, stop), settings.cuts, None, taken
        )
        old = cut.name
        clip_names.rename_cut(known, cut, found.name)
        cut.kind, cut.given_kind = found.kind, found.kind
        cut.why = f"{found.why} ({100 * found.sure:.0f} % sure)"
        return f"{old} is {found.name}: {cut.why}"


class TAKEMILL_OT_trim_cut(stage.Stage, bpy.types.Operator):
    """Move the ends of the chosen cut out of the T or A pose in which the take begins or ends"""

    bl_idname = "takemill.trim_cut"
    bl_label = "Trim Cut at the Pose"
    needs = (stage.an_armature, stage.an_action, stage.own_action)

    def run(self, context: bpy.types.Context) -> str:
        action = cuts_holder(actions.active_action(stage.armature_of(context)))
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
    needs = (stage.an_armature, stage.an_action, stage.own_action)

    index: bpy.props.IntProperty(name="Cut", description="Its number in the list of cuts, from 0")

    def run(self, context: bpy.types.Context) -> str:
        known = cuts_at_hand(context)
        if not 0 <= self.index < len(known.cuts):
            raise InputError("there is no such cut")
        known.cut_index, cut = self.index, known.cuts[self.index]
        preview(context.scene, cut.start, cut.end)
        views.show_frames(context, cut.start, cut.end)
        return f"{cut.name}: frames {cut.start} to {cut.end}"


def preview(scene: bpy.types.Scene, start: int, end: int) -> None:
    """Let the timeline play just these frames."""
    scene.use_preview_range = True
    scene.frame_preview_start, scene.frame_preview_end = start, end
    scene.frame_set(start)


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
    TAKEMILL_OT_name_cut,
    TAKEMILL_OT_trim_cut,
    TAKEMILL_OT_preview_cut,
)
