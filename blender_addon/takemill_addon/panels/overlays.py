"""The switches of the overlays: in the sidebar, and beside Blender's own in the header of the 3D view."""

from __future__ import annotations

import bpy

from ..operators.in_time import key_of_user
from ..overlays import OF_FACTS, facts, ghost, seam
from ..overlays.view import View
from ..properties.preferences import names_of, overlay_settings
from .steps import Step, is_narrow, paragraph

_VALUES = {"show_ghost": "ghost_aside_m", "show_feet": "trail_s"}
"""What else there is to set of an overlay that is on."""
_SHORT = {"show_time_events": "Events, Seam in Time"}
"""Names that a narrow sidebar has room for, where theirs are too long."""


def draw_switches(layout, context) -> None:
    """A switch for each overlay."""
    settings = overlay_settings(context)
    column = layout.column(align=True)
    column.active = context.space_data.overlay.show_overlays
    for name in names_of("show_"):
        short = _SHORT.get(name, "") if is_narrow(context) else ""
        if short:
            column.prop(settings, name, text=short)
        else:
            column.prop(settings, name)
        if name in _VALUES and getattr(settings, name):
            column.prop(settings, _VALUES[name])
    key = key_of_user(context)
    if key is not None and any(getattr(settings, name) for name in names_of("show_time_")):
        row = layout.row()  # Blender draws this box as a sign: as a button it would stand in the middle
        row.alignment = "LEFT"
        row.prop(key, "active", text="Clicks in Time", emboss=False)


def draw_problems(layout, context) -> None:
    """Why something that is switched on is not shown, and what to do."""
    view = View.of(context)
    if view is None:
        layout.label(text="Select an armature with an action", icon="INFO")
        return
    settings = view.settings
    if any(getattr(settings, f"show_{name}") for name in OF_FACTS) and (problem := facts.problem_of(view)):
        paragraph(layout, context, f"{view.action.name}: {problem}.", "INFO")
        layout.operator("takemill.read_take", icon="FILE_REFRESH")
    for switch, problem_of in (("show_ghost", ghost.problem_of), ("show_seam", seam.problem_of)):
        if getattr(settings, switch) and (problem := problem_of(view)):
            paragraph(layout, context, f"{problem}.", "INFO")


class TAKEMILL_PT_overlays(Step, bpy.types.Panel):
    bl_label = "Overlays"
    bl_idname = "TAKEMILL_PT_overlays"
    bl_options = {"DEFAULT_CLOSED"}

    def draw(self, context) -> None:
        if not context.space_data.overlay.show_overlays:
            self.layout.label(text="Hidden by Show Overlays in the header", icon="INFO")
        draw_switches(self.layout, context)
        draw_problems(self.layout, context)


class TAKEMILL_PT_view_overlays(bpy.types.Panel):
    bl_label = "Takemill"
    bl_space_type = "VIEW_3D"
    bl_region_type = "HEADER"
    bl_parent_id = "VIEW3D_PT_overlay"

    def draw(self, context) -> None:
        draw_switches(self.layout, context)


CLASSES = (TAKEMILL_PT_overlays, TAKEMILL_PT_view_overlays)
