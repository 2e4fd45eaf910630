"""The fit of a take to another character."""

from __future__ import annotations

import math

import bpy

from takemill.fit.fit import FitSettings, fit

from ..bridge import actions, stage
from ..bridge.rig import ArmatureFrame, read_rig
from ..bridge.write_action import write_motion


def a_target(context: bpy.types.Context) -> str:
    """Needs another armature to fit to."""
    target = context.scene.takemill.fit_target
    if target is None:
        return "Choose the character that the take is fitted to"
    if target == stage.armature_of(context):
        return "The character is the take's own armature; choose another one"
    return "" if target.name in context.view_layer.objects else "The character is not in this view layer"


class TAKEMILL_OT_fit_take(stage.Stage, bpy.types.Operator):
    """Retarget the take to another character, in a new action; the character becomes the active object"""

    bl_idname = "takemill.fit_take"
    bl_label = "Fit to Character"
    needs = (*stage.Stage.needs, a_target)

    def run(self, context: bpy.types.Context) -> str:
        work, target = stage.work_from_context(context), context.scene.takemill.fit_target
        frame = ArmatureFrame.of(target).standing
        skeleton = frame.world_skeleton(read_rig(target).skeleton)
        body = stage.body_of(target, skeleton)
        chosen = context.scene.takemill
        settings = FitSettings(
            arm_clearance_deg=math.degrees(chosen.fit_arm_clearance), plant_feet=chosen.fit_feet
        )
        fitted = fit(work.take.motion, work.body, skeleton, body, settings)
        name = actions.fitting_name(work.action.name, f" {actions.fitting_name(target.name)[:24]}")
        new = write_motion(context, target, fitted, work.take.start, name, frame)
        if not target.takemill.parts:
            stage.keep_body(target, body, skeleton)
        stage.note_source(new, work)
        stage.copy_cuts(work.action, new)
        stage.activate(context, target)
        return f"{new.name} is the active action of {target.name}"


CLASSES = (TAKEMILL_OT_fit_take,)
