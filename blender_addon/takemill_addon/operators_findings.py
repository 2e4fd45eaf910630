"""The health of a take: looked for, and put on the timeline."""

from __future__ import annotations

import bpy

from takemill import pipeline
from takemill.errors import InputError
from takemill.health import check

from . import actions, findings, stage
from .read_action import take_frames


class TAKEMILL_OT_check_take(stage.Stage, bpy.types.Operator):
    """Look for spikes, frozen sensors, trembling, sliding feet and a wrong floor. The take is only read"""

    bl_idname = "takemill.check_take"
    bl_label = "Check Take"
    needs = (stage.an_armature, stage.an_action, stage.a_body)

    def run(self, context: bpy.types.Context) -> str:
        work = stage.work_from_context(context)
        health = check(work.take.motion, work.body)
        findings.keep(work.action, health, work.take.start, pipeline.digest_of(work.take.motion))
        stage.note_reading(work)
        return f"{work.action.name}: {findings.summary(health.findings)}"


def some_findings(context: bpy.types.Context) -> str:
    """Needs an Action with findings."""
    known = stage.armature_of(context).animation_data.action.takemill
    return "" if known.findings else "Check the take first; there is no finding to mark"


class TAKEMILL_OT_mark_findings(stage.Stage, bpy.types.Operator):
    """Put each finding on the action as a pose marker. No key is touched"""

    bl_idname = "takemill.mark_findings"
    bl_label = "Mark Findings"
    needs = (stage.an_armature, stage.an_action, some_findings)

    def run(self, context: bpy.types.Context) -> str:
        armature = stage.armature_of(context)
        action = actions.active_action(armature)
        frames = take_frames(action, actions.channelbag(action, actions.slot_for(action, armature)))
        count = findings.mark(action, frames)
        if not count:
            raise InputError(f"action {action.name!r}: its findings concern all of it; none has a place")
        return f"{count} markers on {action.name}"


class TAKEMILL_OT_clear_finding_marks(stage.Stage, bpy.types.Operator):
    """Take the markers of findings off the action; all other markers stay"""

    bl_idname = "takemill.clear_finding_marks"
    bl_label = "Clear Marks"

    @staticmethod
    def _a_mark(context: bpy.types.Context) -> str:
        markers = stage.armature_of(context).animation_data.action.pose_markers
        marked = any(marker.takemill.finding for marker in markers)
        return "" if marked else "No finding is marked on the action"

    needs = (stage.an_armature, stage.an_action, _a_mark)

    def run(self, context: bpy.types.Context) -> str:
        action = actions.active_action(stage.armature_of(context))
        return f"{findings.clear_marks(action)} markers taken off {action.name}"


CLASSES = (TAKEMILL_OT_check_take, TAKEMILL_OT_mark_findings, TAKEMILL_OT_clear_finding_marks)
