"""The preview of a closed loop: an Action that plays it on and on, and is gone when the preview ends."""

from __future__ import annotations

import bpy
import numpy as np

from takemill.base.errors import InputError
from takemill.body.motion import Motion
from takemill.clip.events import Event
from takemill.clip.root_motion import (
    RootMotion,
    RootMotionSettings,
    find_root_motion,
    with_root_motion,
    without_root_motion,
)
from takemill.clip.root_motion_parts import remove_remaining
from takemill.loops.loop_feet import repeat_loop
from takemill.pipeline.finish_clip import FinishedClip

from ..bridge.clips import clip_record
from ..bridge.clips.clip_record import ClipRecord
from ..bridge.motion.write_action import write_motion
from ..bridge.scene import actions, views
from ..bridge.scene.steps import Steps, apart
from ..bridge.takes import stage
from .clips import show
from .cuts import preview, write_events

_PREVIEW_CYCLES = 4  # of a loop that goes on; after them it starts again where it began
_MAX_STRAIGHT_TURN_DEG = 0.01  # a cycle that turns by less can be repeated beyond the last of them


def a_loop(context: bpy.types.Context) -> str:
    """Needs a loop as the active action, or its preview."""
    action = loop_behind(stage.armature_of(context).animation_data.action)
    try:
        return "" if ClipRecord.of_action(action).loop else "The active action is no closed loop"
    except InputError as problem:
        return str(problem)


def loop_behind(action: bpy.types.Action) -> bpy.types.Action:
    """The Action that a preview shows; any other Action itself."""
    known = action.takemill
    return known.source if known.looping and known.source else action


class TAKEMILL_OT_preview_loop(stage.Stage, bpy.types.Operator):
    """Show the loop again and again, to see its seam; nothing is changed, and the preview is not kept"""

    bl_idname = "takemill.preview_loop"
    bl_label = "Preview Loop"
    needs = (
        stage.an_armature,
        stage.not_linked,
        stage.an_action,
        stage.a_body,
        stage.no_repair_preview,
        a_loop,
    )

    centred: bpy.props.BoolProperty(
        name="Seam in the Middle", description="Begin half a cycle in, so that the seam is passed half-way"
    )
    with_root_motion: bpy.props.BoolProperty(
        name="With Root Motion",
        description="Let every cycle start where the one before ended; otherwise the loop stays in place",
    )

    def run(self, context: bpy.types.Context) -> Steps[str]:
        armature = stage.armature_of(context)
        old = actions.active_action(armature)
        work = yield from self.read_work.steps(context, loop_behind(old))
        clip = yield from clip_record.clip_of.steps(
            work.action.name, work.action, work.take.motion, work.body, work.take.start
        )
        return (yield from show_loop(context, work, clip, old, self.centred, self.with_root_motion))


def show_loop(
    context: bpy.types.Context,
    work: stage.Work,
    clip: FinishedClip,
    old: bpy.types.Action,
    centred: bool,
    with_root_motion: bool,
) -> Steps[str]:
    """Play a loop in a preview of the Action that `work` is of, instead of the `old` one, if that is one."""
    cycles, period = _PREVIEW_CYCLES if with_root_motion else 1, len(clip.motion) - 1
    lead = period // 2 if centred else 0
    motion = yield from apart(_repeated, clip, with_root_motion, cycles + 1)
    motion = motion.slice(lead, lead + cycles * period + 1)
    start, name = work.take.start, actions.fitting_name(work.action.name, " loop preview")
    new = yield from write_motion.steps(
        context, work.armature, motion, start, name, work.take.frame, keyed=work.keyed
    )
    new.use_fake_user, new.use_cyclic = False, True
    known = new.takemill
    known.source, known.looping = work.action, True
    known.centred, known.with_root_motion = centred, with_root_motion
    if not with_root_motion or abs(clip.root_motion.turn_deg) < _MAX_STRAIGHT_TURN_DEG:
        _go_on(work.armature, new)
    write_events(new, _events(clip, cycles, lead), start)
    preview(context.scene, start, start + cycles * period - 1)
    if old.takemill.looping:
        bpy.data.actions.remove(old)
    views.play(context)
    return f"{clip.name}: {period} frames a cycle, its seam at frame {start + period - lead}"


def _repeated(clip: FinishedClip, moving: bool, cycles: int) -> Motion:
    return repeat_loop(_cycle(clip, moving), clip.body, cycles)


def _cycle(clip: FinishedClip, moving: bool) -> Motion:
    """The loop with its root motion on it, or held where it starts."""
    if moving:
        return clip.world_motion
    if clip.parts.mode != "keep":
        return remove_remaining(clip.motion, clip.body, clip.root_motion, clip.parts)
    root_motion = find_root_motion(clip.motion, clip.body, RootMotionSettings(), loop=True)
    start = RootMotion(
        root_motion.rate,
        np.repeat(root_motion.position[:1], len(root_motion), axis=0),
        np.repeat(root_motion.heading[:1], len(root_motion)),
    )
    return with_root_motion(without_root_motion(clip.motion, root_motion), start)


def _go_on(armature: bpy.types.Object, action: bpy.types.Action) -> None:
    """Repeat the curves before and after their keys; root motion goes on from where it ended."""
    for curve in actions.channelbag(action, actions.slot_for(action, armature)).fcurves:
        cycles = curve.modifiers.new("CYCLES")
        if curve.data_path.endswith("location"):
            cycles.mode_before = cycles.mode_after = "REPEAT_OFFSET"


def _events(clip: FinishedClip, cycles: int, lead: int) -> tuple[Event, ...]:
    """The events of each cycle, and where its seam lies."""
    period = len(clip.motion) - 1
    own = (*clip.events, Event("seam", 0))
    places = [(one.name, (one.frame - lead) % period) for one in own]
    return tuple(Event(name, frame + cycle * period) for cycle in range(cycles) for name, frame in places)


class TAKEMILL_OT_stop_loop(stage.Stage, bpy.types.Operator):
    """Go back to the loop itself and delete the preview"""

    bl_idname = "takemill.stop_loop"
    bl_label = "Stop Preview"

    @staticmethod
    def _a_preview(context: bpy.types.Context) -> str:
        known = stage.armature_of(context).animation_data.action.takemill
        return "" if known.looping and known.source else "The active action is no preview of a loop"

    needs = (stage.an_armature, stage.an_action, _a_preview)

    def run(self, context: bpy.types.Context) -> str:
        armature = stage.armature_of(context)
        views.pause(context)
        return show(context, armature, loop_behind(actions.active_action(armature)))


CLASSES = (TAKEMILL_OT_preview_loop, TAKEMILL_OT_stop_loop)
