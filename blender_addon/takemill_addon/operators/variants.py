"""Clips made from the active clip: left and right exchanged, faster or slower, or as a difference."""

from __future__ import annotations

import bpy

from takemill.base.errors import InputError
from takemill.pipeline.finish_clip import FinishedClip
from takemill.pipeline.vary_clip import vary_clip
from takemill.recipe.recipe import VariantSpec

from ..bridge.clips import clip_record
from ..bridge.clips.clip_record import ClipRecord
from ..bridge.motion.write_action import write_motion
from ..bridge.scene.steps import Steps, apart
from ..bridge.takes import stage
from .clips import show
from .cuts import write_events
from .make_clips import FIRST_FRAME


def a_clip(context: bpy.types.Context) -> str:
    """Needs a clip of the list as the active action."""
    return "" if _entry_of(stage.armature_of(context)) else "Make a clip of the list the active action first"


def poses(context: bpy.types.Context) -> str:
    """Needs a clip with poses; an additive clip has no left and right of its own."""
    action = stage.armature_of(context).animation_data.action
    try:
        variant = ClipRecord.of_action(action).variant
    except InputError as problem:
        return str(problem)
    return (
        "This clip is additive; make one that has poses the active action"
        if variant and variant.additive_to
        else ""
    )


def _entry_of(armature: bpy.types.Object):
    playing = stage.find_active_action(armature)
    return next((entry for entry in armature.takemill.clips if entry.action == playing), None)


class _Variant(stage.Stage):
    """Write a variant of the active clip beside it on the list, and make it the active action."""

    needs = (*stage.Stage.needs, a_clip, poses)

    def invoke(self, context: bpy.types.Context, _event) -> set[str]:
        return self.ask(context)

    def run(self, context: bpy.types.Context) -> Steps[str]:
        work = yield from self.read_work.steps(context)
        clip = yield from _clip(_entry_of(work.armature).name, work)
        new = yield from self.made_of(context, work, clip)
        action = yield from _write(context, work, new)
        show(context, work.armature, action)
        return f"{new.name}: {new.motion.duration_s:.2f} s, made of {clip.name}"

    def made_of(self, context, work: stage.Work, clip: FinishedClip) -> Steps[FinishedClip]:
        raise NotImplementedError


class TAKEMILL_OT_mirror_clip(_Variant, bpy.types.Operator):
    """Exchange left and right of the active clip, its events too, in a new clip beside it"""

    bl_idname = "takemill.mirror_clip"
    bl_label = "Mirror Clip"

    def invoke(self, context: bpy.types.Context, _event) -> set[str]:
        return self.begin(context)

    def made_of(self, context, work: stage.Work, clip: FinishedClip) -> Steps[FinishedClip]:
        neutral = yield from _neutral(context, work, clip)
        return (yield from apart(vary_clip, clip, VariantSpec(clip.name, mirror=True), neutral))


class TAKEMILL_OT_retime_clip(_Variant, bpy.types.Operator):
    """Make the clip faster or slower, its events and its root motion too, in a new clip beside it"""

    bl_idname = "takemill.retime_clip"
    bl_label = "Retime Clip"

    speed: bpy.props.FloatProperty(
        name="Speed",
        default=1.2,
        min=0.05,
        max=20.0,
        description="How many times as fast; a loop comes out in whole frames",
    )

    def made_of(self, context, work: stage.Work, clip: FinishedClip) -> Steps[FinishedClip]:
        variant = VariantSpec(clip.name, speed=round(self.speed, 4))
        return (yield from apart(vary_clip, clip, variant))


class TAKEMILL_OT_difference_clip(_Variant, bpy.types.Operator):
    """Subtract a pose or a clip from the active clip, to be added to other poses, in a new clip beside it"""

    bl_idname = "takemill.difference_clip"
    bl_label = "Additive Clip"

    reference: bpy.props.StringProperty(
        name="Reference Clip",
        description="The clip on the list that is subtracted; empty for the clip itself",
    )
    against: bpy.props.EnumProperty(
        name="Subtract",
        items=(
            ("pose", "First Pose", "Subtract the first pose of the reference clip from every frame"),
            ("clip", "Whole Clip", "Subtract the reference clip, spread over the length of this one"),
        ),
        default="pose",
        description="What of the reference clip is subtracted from this one",
    )

    def draw(self, context: bpy.types.Context) -> None:
        known = stage.armature_of(context).takemill
        self.layout.prop_search(self, "reference", known, "clips")
        self.layout.prop(self, "against")

    def made_of(self, context, work: stage.Work, clip: FinishedClip) -> Steps[FinishedClip]:
        name = self.reference or clip.name
        if name == clip.name and self.against == "clip":
            raise InputError(f"clip {name!r}: a clip minus itself is empty; subtract its first pose")
        entry = work.armature.takemill.clips.get(name)
        if entry is None or entry.action is None:
            raise InputError(f"there is no clip {name!r} on the list to subtract")
        other = clip
        if name != clip.name:
            theirs = yield from stage.work_from_context.steps(context, entry.action)
            other = yield from _clip(name, theirs)
        variant = VariantSpec(clip.name, additive_to=name, against=self.against)
        return (yield from apart(vary_clip, clip, variant, reference=other))


def _neutral(context: bpy.types.Context, work: stage.Work, clip: FinishedClip) -> Steps[FinishedClip | None]:
    """The clip on the list in whose first pose the ends of `clip` lie."""
    name = clip.settings.neutral if clip.settings and clip.blend_frames else ""
    entry = work.armature.takemill.clips.get(name) if name and name != clip.name else None
    if entry is None or entry.action is None:
        return None
    return (yield from clip_record.read_clip.steps(context, work.armature, name, entry.action))


def _clip(name: str, work: stage.Work) -> Steps[FinishedClip]:
    take = work.take
    return (yield from clip_record.clip_of.steps(name, work.action, take.motion, work.body, take.start))


def _write(context: bpy.types.Context, work: stage.Work, clip: FinishedClip) -> Steps[bpy.types.Action]:
    """A new Action for a variant, listed behind the clip that it is of, or instead of one of its name."""
    frame, keyed = work.take.frame, work.keyed
    new = yield from write_motion.steps(
        context, work.armature, clip.motion, FIRST_FRAME, clip.name, frame, play=False, keyed=keyed
    )
    ClipRecord.of_clip(clip).keep(new)
    new.takemill.speed_m_s = clip.root_motion.distance_m / max(clip.motion.duration_s, 1e-6)
    write_events(new, clip.events, FIRST_FRAME)
    stage.note_source(new, work)
    known = work.armature.takemill
    place = known.clips.find(clip.name)
    if place < 0:
        known.clips.add()
        place = len(known.clips) - 1
        if work.armature.override_library is None:  # there rows stay where they are added
            place = next(k for k, entry in enumerate(known.clips) if entry.action == work.action) + 1
            known.clips.move(len(known.clips) - 1, place)
    entry, known.clip_index = known.clips[place], place
    entry.name, entry.action, entry.use = clip.name, new, True
    return new


CLASSES = (TAKEMILL_OT_mirror_clip, TAKEMILL_OT_retime_clip, TAKEMILL_OT_difference_clip)
