"""The take as a whole: its health, its repair, and its fit to another character."""

from __future__ import annotations

import bpy

from takemill.fit import FitSettings, fit
from takemill.health import check
from takemill.repair import RepairSettings, repair

from . import actions, findings, stage
from .properties_repair import REPAIR_STEPS
from .rig import ArmatureFrame, read_rig
from .write_action import write_motion


class TAKEMILL_OT_check_take(stage.Stage, bpy.types.Operator):
    """Look for spikes, frozen sensors, trembling, sliding feet and a wrong floor. The take is only read"""

    bl_idname = "takemill.check_take"
    bl_label = "Check Take"

    def run(self, context: bpy.types.Context) -> str:
        work = stage.work_from_context(context)
        health = check(work.take.motion, work.body)
        findings.keep(work.action, health.findings, health.measures, work.take.start)
        stage.note_reading(work)
        return f"{work.action.name}: {findings.summary(health.findings)}"


class TAKEMILL_OT_repair_take(stage.Stage, bpy.types.Operator):
    """Mend what the suit did wrong, in a new action beside the take"""

    bl_idname = "takemill.repair_take"
    bl_label = "Repair Take"

    def run(self, context: bpy.types.Context) -> str:
        work, settings = stage.work_from_context(context), _repair_settings(context.scene.takemill)
        mended, found = repair(work.take.motion, work.body, settings)
        health = check(mended, work.body)
        name = actions.fitting_name(work.action.name, " repaired")
        new = write_motion(context, work.armature, mended, work.take.start, name, work.take.frame)
        findings.keep(new, found, health.measures, work.take.start)
        stage.note_source(new, work)
        return f"{new.name}: {findings.summary(one for one in found if one.mended)} mended"


def _repair_settings(chosen) -> RepairSettings:
    return RepairSettings(**{step: getattr(chosen, f"mend_{step}") for step in REPAIR_STEPS})


class TAKEMILL_OT_go_to_finding(bpy.types.Operator):
    """Set the playhead on this finding and pick its bone"""

    bl_idname = "takemill.go_to_finding"
    bl_label = "Go There"
    bl_options = {"INTERNAL"}

    index: bpy.props.IntProperty()

    @classmethod
    def poll(cls, context: bpy.types.Context) -> bool:
        armature = stage.armature_of(context)
        return bool(armature and armature.animation_data and armature.animation_data.action)

    def execute(self, context: bpy.types.Context) -> set[str]:
        armature = stage.armature_of(context)
        known = armature.animation_data.action.takemill
        if not 0 <= self.index < len(known.findings):
            return {"CANCELLED"}
        finding = known.findings[self.index]
        known.finding_index = self.index
        context.scene.frame_set(finding.start)
        bone = armature.data.bones.get(finding.joint)
        if bone:
            armature.data.bones.active = bone
        return {"FINISHED"}


def a_target(context: bpy.types.Context) -> str:
    """Needs another armature to fit to."""
    target = context.scene.takemill.fit_target
    if target is None:
        return "Choose the character that is to play the take"
    if target == stage.armature_of(context):
        return "The character is the take's own armature; choose another one"
    return "" if target.name in context.view_layer.objects else "The character is not in this view layer"


class TAKEMILL_OT_fit_take(stage.Stage, bpy.types.Operator):
    """Let another character play the take, on its own proportions, in a new action. It becomes active"""

    bl_idname = "takemill.fit_take"
    bl_label = "Fit to Character"
    needs = (*stage.Stage.needs, a_target)

    def run(self, context: bpy.types.Context) -> str:
        work, target = stage.work_from_context(context), context.scene.takemill.fit_target
        frame = ArmatureFrame.of(target).standing
        skeleton = frame.world_skeleton(read_rig(target).skeleton)
        body = stage.body_of(target, skeleton)
        chosen = context.scene.takemill
        settings = FitSettings(arm_clearance_deg=chosen.fit_arms_deg, plant_feet=chosen.fit_feet)
        fitted = fit(work.take.motion, work.body, skeleton, body, settings)
        name = actions.fitting_name(work.action.name, f" {actions.fitting_name(target.name)[:24]}")
        new = write_motion(context, target, fitted, work.take.start, name, frame)
        if not target.takemill.parts:
            stage.keep_body(target, body, skeleton)
        stage.note_source(new, work)
        stage.activate(context, target)
        return f"{target.name} plays {new.name}"


CLASSES = (
    TAKEMILL_OT_check_take,
    TAKEMILL_OT_repair_take,
    TAKEMILL_OT_go_to_finding,
    TAKEMILL_OT_fit_take,
)
