"""The panel of other characters that the take is fitted to."""

from __future__ import annotations

import bpy

from .contacts import draw_contacts
from .springs import draw_springs
from .steps import ActionStep


class TAKEMILL_PT_fit(ActionStep, bpy.types.Panel):
    bl_label = "5. Fit"
    bl_idname = "TAKEMILL_PT_fit"

    def draw_action(self, context, armature, action) -> None:
        layout = self.layout
        chosen = context.scene.takemill
        layout.row().prop(chosen, "fit_characters", expand=True)
        if chosen.fit_characters == "CHOSEN":
            layout.prop(chosen, "fit_target")
        layout.prop(chosen, "fit_part")
        if chosen.fit_part != "whole":
            layout.prop(chosen, "fit_part_blend_s")
        layout.prop(chosen, "fit_clear_arms")
        layout.prop(chosen, "fit_arm_clearance")
        layout.prop(chosen, "fit_feet")
        layout.prop(chosen, "fit_posture")
        layout.prop_search(chosen, "fit_rest_pose", bpy.data, "actions")
        layout.prop_search(chosen, "fit_hand_pose", bpy.data, "actions")
        layout.prop(chosen, "fit_take_wins")
        draw_contacts(layout, context.scene, action)
        layout.operator("takemill.fit_take", icon="MOD_ARMATURE")
        draw_springs(layout, armature)


CLASSES = (TAKEMILL_PT_fit,)
