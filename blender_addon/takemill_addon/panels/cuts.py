"""The panel of cuts."""

from __future__ import annotations

import bpy

from takemill.clip.seam_quality import SUGGESTED

from ..bridge.scene import scene_time
from ..bridge.takes import findings
from ..bridge.takes.characters import cuts_holder
from ..translations import say
from .steps import (
    ActionStep,
    draw_name,
    draw_rows,
    fields,
    is_narrow,
    line,
    list_and_side,
    main_button,
    named_above,
    paragraph,
)

_WIDE_PX = (
    370  # a sidebar this wide, at a resolution scale of 1, has room for names, loops and seconds (by eye)
)


class TAKEMILL_UL_cuts(bpy.types.UIList):
    def draw_item(self, context, layout, data, item, icon, active_data, active_propname, index=0, flt_flag=0):
        row = layout.row(align=True)
        row.prop(item, "use", text="")
        draw_name(row, item, "name", getattr(active_data, active_propname) == index)
        if context.region.width / context.preferences.system.ui_scale >= _WIDE_PX:
            seconds = (item.end - item.start) / scene_time.frame_rate(context.scene)
            seconds = item.length_s if _has_length(item) else seconds
            row.label(text=f"{seconds:.1f} s", icon="FILE_REFRESH" if item.loop else "BLANK1")
        row.operator("takemill.preview_cut", text="", icon="PREVIEW_RANGE", emboss=False).index = index


class TAKEMILL_PT_cuts(ActionStep, bpy.types.Panel):
    bl_label = "5. Cuts"
    bl_idname = "TAKEMILL_PT_cuts"
    step = "cuts"

    def draw_action(self, context, armature, action) -> None:
        holder = cuts_holder(action)
        layout, known, chosen = self.layout, holder.takemill, context.scene.takemill
        if action.takemill.record and not action.takemill.cuts:
            layout.label(text="The active action is a finished clip", icon="INFO")
            layout.operator("takemill.play_source", icon="LOOP_BACK")
            return
        if holder != action:
            paragraph(
                layout, context, say("The cuts of {}, which count for all characters.", holder.name), "INFO"
            )
        main_button(layout, context, armature, "cuts", "takemill.suggest_cuts", icon="VIEWZOOM")
        layout.operator("takemill.suggest_idle", icon="FILE_REFRESH")
        named_above(layout, chosen, "cut_combinations", "cut_gaits")
        named_above(layout, chosen, "cut_shot_list", placeholder="Walk, Turn, Punch")
        place, side = list_and_side(layout, context)
        draw_rows(place, known, "cut", rows=5)
        side.operator("takemill.add_cut", text="", icon="ADD")
        side.operator("takemill.remove_cut", text="", icon="REMOVE")
        if 0 <= known.cut_index < len(known.cuts):
            cut = known.cuts[known.cut_index]
            column = layout.column()
            if is_narrow(context):  # where the list cuts it off
                column.label(text=cut.name)
            ends = line(column, context)
            ends.prop(cut, "start")
            ends.prop(cut, "end")
            column.operator("takemill.name_cut", icon="SORTALPHA")
            _draw_pose(column, context, cut, findings.between_poses(holder))
            fields(column, context, cut, "kind")
            if cut.why and cut.kind == cut.given_kind:
                paragraph(column, context, f"{cut.why[:1].upper()}{cut.why[1:]}.", "INFO")
            named_above(column, cut, "root_motion")
            column.prop(cut, "override_smoothing")
            smoothing = column.column()
            smoothing.active = cut.override_smoothing
            fields(smoothing, context, cut, "smooth_hz")
            _draw_loop(column, context, known, cut)
        _draw_loop_and_root_motion(layout, context, known, chosen)


def _has_length(cut) -> bool:
    """Whether a cut is an idle that is put together to a length."""
    return cut.loop and cut.of_length and cut.kind in ("idle", "lying")


def _draw_length(column, cut) -> None:
    """Of an idle: whether it is put together to a length, which, and in which order."""
    if cut.kind not in ("idle", "lying"):
        return
    column.prop(cut, "of_length")
    if cut.of_length:
        row = column.row(align=True)
        row.prop(cut, "length_s")
        row.prop(cut, "seed")


def _draw_pose(layout, context, cut, left) -> None:
    """The trim of a cut that reaches out of the frames that reference poses leave of the take."""
    if left is None or (left[0] <= cut.start and cut.end <= left[1]):
        return
    warning = layout.column()
    warning.alert = True
    text = f"This cut contains a T or A pose; frames {left[0]} to {left[1]} are the take without it."
    paragraph(warning, context, text, "ERROR")
    layout.operator("takemill.trim_cut", icon="TRACKING_CLEAR_BACKWARDS")


def _draw_loop(column, context, known, cut) -> None:
    """Whether a cut repeats, is a gait in its parts, or begins or ends in a loop: one of these."""
    row = column.row()
    row.active = not (cut.in_parts or cut.follows or cut.leads_to)
    row.prop(cut, "loop")
    if cut.loop:
        _draw_length(column, cut)
        if not _has_length(cut):  # its joins are chosen
            column.prop(cut, "search")
            _draw_seams(column, context, cut)
        return
    if cut.kind == "locomotion" or cut.in_parts:
        column.prop(cut, "in_parts")
    if not cut.in_parts:
        for name in ("follows", "leads_to"):
            column.label(text=cut.bl_rna.properties[name].name)
            column.prop_search(cut, name, known, "cuts", text="")


def _draw_seams(layout, context, cut) -> None:
    """The seams that a cut could have, to be played one after the other."""
    layout.operator("takemill.list_seams", icon="VIEWZOOM")
    if not cut.seams:
        return
    draw_rows(layout, cut, "seam", rows=3)
    row = layout.row(align=True)
    row.operator("takemill.play_seam", text="", icon="TRIA_LEFT").step = -1
    row.operator("takemill.play_seam", text="Play", icon="PLAY").step = 0
    row.operator("takemill.play_seam", text="", icon="TRIA_RIGHT").step = 1
    row.operator("takemill.use_seam", text="Use", icon="CHECKMARK")
    if 0 <= cut.seam_index < len(cut.seams) and cut.seams[cut.seam_index].note:
        note = cut.seams[cut.seam_index].note
        paragraph(layout, context, f"{note[:1].upper()}{note[1:]}.", "INFO")


def _draw_loop_and_root_motion(layout, context, known, chosen) -> None:
    header, body = layout.panel("TAKEMILL_loop_and_root_motion", default_closed=True)
    header.label(text="Loops, Root Motion" if is_narrow(context) else "Loops and Root Motion")
    if body:
        named_above(body, chosen, "loop_cycles", "loop_bad_seam")
        body.prop(chosen, "loop_limited")
        if chosen.loop_limited:
            body.prop(chosen, "loop_longest_s")
        for name in (
            "seam_s",
            "root_motion_turn",
            "root_motion_height",
            "root_motion_smooth_hz",
        ):
            body.prop(chosen, name)
        body.label(text=chosen.bl_rna.properties["cut_neutral"].name)
        body.prop_search(chosen, "cut_neutral", known, "cuts", text="")
        blend = body.row()
        blend.active = bool(chosen.cut_neutral)
        blend.prop(chosen, "cut_blend_frames")


class TAKEMILL_UL_seams(bpy.types.UIList):
    def draw_item(self, context, layout, data, item, icon, active_data, active_propname, index=0, flt_flag=0):
        row = layout.row(align=True)
        row.alert = item.quality not in SUGGESTED
        if not is_narrow(context):
            row.label(text=say("{} to {}", item.start, item.end))
        row.label(text=f"{item.quality}, {item.gap_cm:.1f} cm")


CLASSES = (TAKEMILL_UL_seams, TAKEMILL_UL_cuts, TAKEMILL_PT_cuts)
