"""The switches of the overlays: in the sidebar, and beside Blender's own in the header of the 3D view."""

from __future__ import annotations

import bpy

from ..properties.preferences import names_of, overlay_settings
from .steps import Step


def draw_switches(layout, context) -> None:
    """A switch for each overlay."""
    settings = overlay_settings(context)
    column = layout.column(align=True)
    column.active = context.space_data.overlay.show_overlays
    for name in names_of("show_"):
        column.prop(settings, name)


class TAKEMILL_PT_overlays(Step, bpy.types.Panel):
    bl_label = "Overlays"
    bl_idname = "TAKEMILL_PT_overlays"
    bl_options = {"DEFAULT_CLOSED"}

    def draw(self, context) -> None:
        if not context.space_data.overlay.show_overlays:
            self.layout.label(text="Hidden by Show Overlays in the header", icon="INFO")
        draw_switches(self.layout, context)


class TAKEMILL_PT_view_overlays(bpy.types.Panel):
    bl_label = "Takemill"
    bl_space_type = "VIEW_3D"
    bl_region_type = "HEADER"
    bl_parent_id = "VIEW3D_PT_overlay"

    def draw(self, context) -> None:
        draw_switches(self.layout, context)


CLASSES = (TAKEMILL_PT_overlays, TAKEMILL_PT_view_overlays)
