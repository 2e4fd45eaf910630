"""What all panels of the tab share: their place, their hints, and text that fits the sidebar."""

from __future__ import annotations

import textwrap

import bpy

from ..bridge import stage

_LETTER_PX = 6.2  # mean width of a letter in pixels, at a resolution scale of 1


def paragraph(layout, context: bpy.types.Context, text: str, icon: str) -> None:
    """Small text over as many lines as the sidebar's width asks for."""
    scale = context.preferences.system.ui_scale
    letters = int((context.region.width / scale - 60) / _LETTER_PX)
    column = layout.column(align=True)
    column.scale_y = 0.75
    for number, line in enumerate(textwrap.wrap(text, max(letters, 16))):
        column.label(text=line, icon="BLANK1" if number else icon)


class Step:
    bl_space_type = "VIEW_3D"
    bl_region_type = "UI"
    bl_category = "Takemill"


class ArmatureStep(Step):
    """A step that shows nothing but a hint while no armature is active."""

    def draw(self, context: bpy.types.Context) -> None:
        missing = stage.an_armature(context)
        if missing:
            self.layout.label(text=missing, icon="INFO")
        else:
            self.draw_step(context, stage.armature_of(context))


class ActionStep(ArmatureStep):
    """A step that shows nothing but a hint while there is no active action."""

    def draw_step(self, context: bpy.types.Context, armature: bpy.types.Object) -> None:
        missing = stage.an_action(context)
        if missing:
            self.layout.label(text=missing, icon="INFO")
        else:
            self.draw_action(context, armature, armature.animation_data.action)
