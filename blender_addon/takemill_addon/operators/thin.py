"""Fewer keys, so that an animator can edit an Action that was recorded or baked."""

from __future__ import annotations

import bpy

from takemill.curves.thin import CurveSettings

from ..bridge.clips.clip_record import ClipRecord
from ..bridge.motion.thin_action import Thinning
from ..bridge.motion.write_action import refresh
from ..bridge.scene import actions
from ..bridge.scene.steps import Steps, apart_told, within
from ..bridge.takes import stage


class TAKEMILL_OT_thin_keys(stage.Stage, bpy.types.Operator):
    """Keep the same motion with fewer keys, to be edited by hand, in a new action"""

    bl_idname = "takemill.thin_keys"
    bl_label = "Thin Keys"
    needs = (stage.an_armature, stage.not_linked, stage.an_action, stage.own_action, stage.no_preview)

    max_error_mm: bpy.props.FloatProperty(
        name="Tolerance",
        subtype="DISTANCE_CAMERA",
        default=2.0,
        min=0.01,
        soft_max=20.0,
        description="How far any joint, or what lies within 10 cm of it, may be moved by it",
    )
    smooth: bpy.props.BoolProperty(
        name="Smooth Curves",
        default=True,
        description="Write Bezier curves with aligned handles; otherwise straight lines from key to key",
    )

    def run(self, context: bpy.types.Context) -> Steps[str]:
        armature = stage.armature_of(context)
        action = actions.active_action(armature)
        settings = CurveSettings(max_error_m=self.max_error_mm / 1000, smooth=self.smooth)
        loop = ClipRecord.of_action(action).loop
        thinning = yield from within(Thinning.of.steps(armature, action, settings, loop), 0.0, 0.1)
        yield from within(apart_told(thinning.work), 0.1, 0.9)
        name = actions.fitting_name(action.name, " thin")
        new, before, after = yield from within(thinning.write.steps(name), 0.9, 1.0)
        new.takemill.source, new.takemill.repaired = action, False
        stage.replace_on_list(armature, action, new)
        actions.assign(armature, new, actions.slot_for(new, armature))
        refresh(context.scene)
        return f"{new.name}: {after} keys of {before}"


CLASSES = (TAKEMILL_OT_thin_keys,)
