"""The panels of what is wrong with the take, and of its mending."""

from __future__ import annotations

import bpy

from . import findings, properties_repair
from .panel_steps import ActionStep, paragraph

_CAUTION = (
    "Suit sessions: clear the space, spot falls and kicks, keep straps loose enough for the blood to run, "
    "stop on pain or dizziness. This check is no medical assessment; local rules and a licensed "
    "professional come first."
)


class TAKEMILL_UL_findings(bpy.types.UIList):
    def draw_item(self, context, layout, data, item, icon, active_data, active_propname, index=0, flt_flag=0):
        row = layout.row(align=True)
        row.operator("takemill.go_to_finding", text="", icon="TIME", emboss=False).index = index
        columns = row.split(factor=0.22)
        columns.label(text=str(item.start))
        columns = columns.split(factor=0.58)
        columns.label(text=item.joint or "body")
        columns.label(text=item.kind)
        if item.mended:
            row.label(text="", icon="CHECKMARK")


class TAKEMILL_PT_check(ActionStep, bpy.types.Panel):
    bl_label = "3. Check"
    bl_idname = "TAKEMILL_PT_check"

    def draw_action(self, context, armature, action) -> None:
        layout, known = self.layout, action.takemill
        layout.operator("takemill.check_take", icon="VIEWZOOM")
        measures = findings.measures_of(action)
        if not measures:
            return
        column = layout.column(align=True)
        for label, text in measures.items():
            row = column.split(factor=0.45)
            row.label(text=label)
            row.label(text=text)
        if known.findings:
            layout.template_list(
                "TAKEMILL_UL_findings", "", known, "findings", known, "finding_index", rows=5
            )
            if 0 <= known.finding_index < len(known.findings):
                paragraph(layout, context, f"{known.findings[known.finding_index].message}.", "DOT")
        else:
            layout.label(text="Nothing to mend was found", icon="CHECKMARK")


class TAKEMILL_PT_repair(ActionStep, bpy.types.Panel):
    bl_label = "4. Repair"
    bl_idname = "TAKEMILL_PT_repair"

    def draw_action(self, context, armature, action) -> None:
        layout, chosen = self.layout, context.scene.takemill
        grid = layout.grid_flow(columns=2, align=True)
        for step in properties_repair.REPAIR_STEPS:
            grid.prop(chosen, f"mend_{step}")
        layout.operator("takemill.repair_take", icon="MODIFIER")
        caution = layout.column()
        caution.active = False
        paragraph(caution, context, _CAUTION, "ERROR")


CLASSES = (TAKEMILL_UL_findings, TAKEMILL_PT_check, TAKEMILL_PT_repair)
