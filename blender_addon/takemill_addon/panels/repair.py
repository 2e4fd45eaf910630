"""The panels of what is wrong with the take, and of its repair."""

from __future__ import annotations

import bpy

from ..bridge.takes import findings
from ..bridge.takes.recipe import problem_of_same_pose
from ..bridge.takes.repair_limits import Limits
from ..operators.repair import is_behind, raw_and_preview
from ..properties.repair import REPAIR_STEPS
from .presets import draw_presets
from .steps import ActionStep, fields, is_narrow, line, main_button, named_above, paragraph

_CAUTION = (
    "Suit sessions: clear the space, spot falls and kicks, keep straps loose enough for the blood to run, "
    "stop on pain or dizziness. This check is no medical assessment; local rules and a licensed "
    "professional come first."
)


class TAKEMILL_UL_findings(bpy.types.UIList):
    def draw_item(self, context, layout, data, item, icon, active_data, active_propname, index=0, flt_flag=0):
        row = layout.row(align=True)
        what = item.kind if is_narrow(context) or not item.joint else f"{item.joint} {item.kind}"
        _draw_columns(row, context, str(item.start), what)
        sign = "LOCKED" if item.accepted else "CHECKMARK" if item.repaired else "UNLOCKED"
        row.operator("takemill.accept_finding", text="", icon=sign, emboss=False).index = index

    def filter_items(self, context, data, propname):
        rows = getattr(data, propname)
        shown = findings.shown_rows(data, context.scene)
        found = [self.bitflag_filter_item] * len(rows)
        if self.filter_name:
            names = bpy.types.UI_UL_list.filter_items_by_name
            found = names(self.filter_name, self.bitflag_filter_item, rows, "name")
        listed = set(shown)
        flags = [flag if k in listed else 0 for k, flag in enumerate(found)]
        order = [0] * len(rows)
        for place, k in enumerate((*shown, *(k for k in range(len(rows)) if k not in listed))):
            order[k] = place
        return flags, order


def _draw_columns(row, context, frame: str, what: str) -> None:
    """A line of the list, or its head."""
    columns = row.split(factor=0.36 if is_narrow(context) else 0.22)
    columns.label(text=frame)
    columns.label(text=what)


class TAKEMILL_PT_check(ActionStep, bpy.types.Panel):
    bl_label = "3. Check"
    bl_idname = "TAKEMILL_PT_check"
    step = "check"

    def draw_action(self, context, armature, action) -> None:
        layout, known = self.layout, action.takemill
        row = layout.row(align=True)
        row.operator("takemill.check_take", icon="VIEWZOOM")
        row.operator("takemill.health_page", text="", icon="URL")
        if not known.measures:
            return
        _draw_measures(layout, context, findings.measure_rows(action))
        if not known.findings:
            layout.label(text="Nothing to repair was found", icon="CHECKMARK")
            return
        _draw_list(layout, context, known)
        if 0 <= known.finding_index < len(known.findings):
            chosen = known.findings[known.finding_index]
            text = chosen.message  # a bone's name stays as it is
            if not text.startswith(chosen.joint or " "):
                text = text[:1].upper() + text[1:]
            paragraph(layout, context, f"{text}.", "DOT")
        layout.operator("takemill.show_curves", icon="GRAPH")
        row = layout.row(align=True)
        text = "Add Markers" if is_narrow(context) else "Add Finding Markers"
        row.operator("takemill.add_finding_markers", text=text, icon="MARKER_HLT")
        row.operator("takemill.clear_finding_markers", text="", icon="X")


def _draw_list(layout, context, known) -> None:
    """The findings below the heads of their columns, which of them are shown, and the way through them."""
    chosen, row = context.scene.takemill, line(layout, context)
    row.prop(chosen, "finding_kind", text="")
    row.prop(chosen, "finding_order", text="")
    head = layout.row(align=True)
    head.scale_y = 0.7
    _draw_columns(head, context, "Frame", "Kind" if is_narrow(context) else "Bone and Kind")
    head.label(text="", icon="BLANK1")
    layout.template_list("TAKEMILL_UL_findings", "", known, "findings", known, "finding_index", rows=5)
    row = layout.row(align=True)
    row.operator("takemill.step_finding", text="Previous", icon="TRIA_LEFT").back = True
    row.operator("takemill.step_finding", text="Next", icon="TRIA_RIGHT").back = False


def _draw_measures(layout, context, rows) -> None:
    """The measures in columns; two of numbers where it is known how it was before."""
    compared = any(before for _, before, _ in rows)
    column = layout.column(align=True)
    column.scale_y = 0.8
    for word, before, now in [*[("", "before", "after")] * compared, *rows]:
        row = column if is_narrow(context) else column.split(factor=0.58)
        if word or not is_narrow(context):
            row.label(text=word)
        cells = row.split(factor=0.5) if compared else row
        for text in (before, now) if compared else (now,):
            cell = cells.row()
            cell.alignment = "RIGHT"
            cell.label(text=text)


class TAKEMILL_PT_repair(ActionStep, bpy.types.Panel):
    bl_label = "4. Repair"
    bl_idname = "TAKEMILL_PT_repair"
    step = "repair"

    def draw_action(self, context, armature, action) -> None:
        layout, chosen = self.layout, context.scene.takemill
        draw_presets(layout, "repair")
        named_above(layout, chosen, "repair_profile", "repair_path_from")
        grid = layout.grid_flow(columns=1 if is_narrow(context) else 2, align=True)
        for step in REPAIR_STEPS:
            if step != "calibration":
                grid.prop(chosen, f"repair_{step}")
        layout.prop(chosen, "repair_calibration")  # its label asks for the whole width
        column = layout.column(align=True)
        named_above(column, chosen, "repair_same_pose_s", placeholder="0.5 1.5 40 41")
        if problem := problem_of_same_pose(chosen.repair_same_pose_s):
            _warn(column, context, f"{problem}.")
        fields(column, context, chosen, "repair_bones", "repair_frames")
        column.prop(chosen, "repair_amount", slider=True)
        raw, preview = raw_and_preview(action)
        limits = Limits.of(context, armature, raw)
        if limits.missing:
            _warn(layout, context, f"{limits.missing}.")
        elif limits != Limits():
            paragraph(layout, context, _beyond(limits), "INFO")
        if preview:
            _draw_preview(layout, context, action == preview, is_behind(context, armature, preview))
        else:
            if action.takemill.repaired:
                layout.label(text="This take is repaired already", icon="CHECKMARK")
            layout.operator("takemill.preview_repair", icon="HIDE_OFF")
            main_button(layout, context, armature, "repair", "takemill.repair_take", icon="MODIFIER")
        if any(one.kind == "reference_pose" and one.joint for one in action.takemill.findings):
            layout.operator("takemill.trim_pose", icon="TRACKING_CLEAR_BACKWARDS")
        header, body = layout.panel("TAKEMILL_caution", default_closed=True)
        header.label(text="Caution")
        if body:
            paragraph(body, context, _CAUTION, "ERROR")


def _warn(layout, context, text: str) -> None:
    warning = layout.column()
    warning.alert = True
    paragraph(warning, context, text, "ERROR")


def _beyond(limits: Limits) -> str:
    """What a repair of some bones or frames does to the rest."""
    feet = []
    if limits.frames:
        feet.append("in these frames")
    if limits.bones:
        feet.append("with both feet selected")
    return (
        f"Feet are pinned only {' and '.join(feet)}. Drift and floor move the whole take: untick them to "
        "leave the rest where it is."
    )


def _draw_preview(layout, context, shown: bool, behind: bool) -> None:
    """What can be done with a preview that is there; `behind` says that settings were changed since."""
    if behind:
        _warn(layout, context, "The settings were changed since this preview was made.")
    column = layout.column(align=True)
    text = "Repaired Take is Shown" if shown else "Raw Take is Shown"
    if is_narrow(context):
        text = "Repaired Take" if shown else "Raw Take"
    column.operator("takemill.compare_repair", text=text, icon="ARROW_LEFTRIGHT", depress=shown)
    text = "Renew Preview" if behind else "Preview Again"
    column.operator("takemill.preview_repair", text=text, icon="FILE_REFRESH")
    row = column.row(align=True)
    row.operator("takemill.keep_repair", icon="CHECKMARK")
    row.operator("takemill.drop_repair", icon="X")


CLASSES = (TAKEMILL_UL_findings, TAKEMILL_PT_check, TAKEMILL_PT_repair)
