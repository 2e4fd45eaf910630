"""The panel of the characters that the take is fitted to."""

from __future__ import annotations

import bpy

from ..bridge.takes import characters, stage
from ..translations import say
from .contacts import draw_contacts
from .springs import draw_springs
from .steps import ActionStep, draw_rows, fields, is_narrow, list_and_side, main_button


class TAKEMILL_UL_characters(bpy.types.UIList):
    def draw_item(self, context, layout, data, item, icon, active_data, active_propname, index=0, flt_flag=0):
        row = layout.row(align=True)
        row.prop(item, "use", text="")
        if item.armature is None:
            row.prop(item, "armature", text="")
            return
        plain = "NONE" if is_narrow(context) else "BLANK1"
        row.label(text=item.armature.name, icon="SETTINGS" if item.own and plain != "NONE" else plain)
        here = stage.armature_of(context) == item.armature
        sign = "RADIOBUT_ON" if here else "RADIOBUT_OFF"
        row.operator("takemill.go_to_armature", text="", icon=sign, emboss=False).name = item.armature.name


class TAKEMILL_PT_characters(ActionStep, bpy.types.Panel):
    bl_label = "6. Characters"
    bl_idname = "TAKEMILL_PT_characters"
    step = "characters"

    def draw_action(self, context, armature, action) -> None:
        layout = self.layout
        chosen = context.scene.takemill
        place, side = list_and_side(layout, context)
        draw_rows(place, chosen, "character", rows=3)
        side.operator("takemill.add_characters", text="", icon="ADD")
        side.operator("takemill.remove_character", text="", icon="REMOVE")
        if 0 <= chosen.character_index < len(chosen.characters):
            _draw_own(layout, context, chosen.characters[chosen.character_index])
        fields(layout, context, chosen, "fit_part")
        if chosen.fit_part != "whole":
            layout.prop(chosen, "fit_part_blend_s")
        header, body = layout.panel("TAKEMILL_fit_settings", default_closed=True)
        header.label(text="Settings of All")
        if body:
            _draw_fields(body, context, chosen, "fit_")
            body.prop(chosen, "fit_take_wins")
        draw_contacts(layout, context, action)
        main_button(layout, context, armature, "characters", "takemill.fit_take", icon="MOD_ARMATURE")
        draw_springs(layout, context, armature)


def _draw_own(layout, context, row) -> None:
    """What is other for one character."""
    whose = say("Own Settings of {}", characters.name_of(row))
    layout.prop(row, "own", text="Own Settings" if is_narrow(context) else whose)
    if row.own:
        column = layout.column()
        _draw_fields(column, context, row, "")
        column.prop(row, "take_wins")


def _draw_fields(layout, context, owner, prefix: str) -> None:
    for name in ("clear_arms", "arm_clearance", "feet"):
        layout.prop(owner, f"{prefix}{name}")
    fields(layout, context, owner, f"{prefix}posture")
    for name in (f"{prefix}rest_pose", f"{prefix}hand_pose"):
        field = layout.column(align=True)
        field.label(text=owner.bl_rna.properties[name].name)
        field.prop_search(owner, name, bpy.data, "actions", text="")


CLASSES = (TAKEMILL_UL_characters, TAKEMILL_PT_characters)
