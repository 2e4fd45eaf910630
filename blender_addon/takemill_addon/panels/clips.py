"""The panel of clips."""

from __future__ import annotations

import bpy

from takemill.base.errors import InputError

from ..bridge.clips.clip_record import ClipRecord
from ..bridge.scene import scene_time
from ..bridge.takes import characters, clip_names, stage
from ..operators.loop import loop_behind
from ..translations import say
from .steps import ArmatureStep, draw_name, draw_rows, is_narrow, line, list_and_side, main_button, paragraph

# Sidebars this wide, at a resolution scale of 1, have room for all columns, and for the seam beside a name as
# long as walk_forward_start_01; where there is less, the name has the whole row (by eye).
_WIDE_PX, _SEAM_PX = 440, 350
_COLUMNS = ("Kind", "Seconds", "Speed", "Seam")
_ROUGH = ("poor", "bad")
_LEAST_SPEED_M_S = 0.05  # a body that sways goes nowhere (by eye)


class TAKEMILL_UL_clips(bpy.types.UIList):
    def draw_item(self, context, layout, data, item, icon, active_data, active_propname, index=0, flt_flag=0):
        row = layout.row(align=True)
        row.prop(item, "use", text="")
        chosen = getattr(active_data, active_propname) == index
        rough = _draw_columns(context, row, lambda cell: draw_name(cell, item, "label", chosen), item)
        playing = stage.find_active_action(item.id_data)
        shown = loop_behind(playing) if playing else None
        sign = "ERROR" if rough else "PLAY"
        side = row.row()
        side.alert = rough
        side.active = item.action is not None
        on = item.action and item.action == shown
        side.operator(
            "takemill.play_clip", text="", icon=sign, emboss=bool(on), depress=bool(on)
        ).index = index


def _draw_columns(context, row, draw_name, item=None) -> bool:
    """A line of the list, or its head; whether the seam of the clip is one that is seen."""
    facts = _facts(context, item) if item else _COLUMNS
    shown = facts[first_column(context) :]
    split = row.split(factor=0.36 if len(shown) > 1 else 0.72) if shown else row
    draw_name(split)
    cells = split.row() if shown else None
    for text in shown:
        cells.label(text=text)
    return item is not None and facts[3] in _ROUGH


def first_column(context) -> int:
    """From which column on the sidebar has room beside the names: 0 for all, 4 for none."""
    width = context.region.width / context.preferences.system.ui_scale
    return 0 if width >= _WIDE_PX else 3 if width >= _SEAM_PX else len(_COLUMNS)


def _draw_head(layout, context) -> None:
    """The heads of the columns, above them; names alone need none."""
    if first_column(context) == len(_COLUMNS):
        return
    head = layout.row(align=True)
    head.scale_y = 0.7
    head.label(text="", icon="BLANK1")
    _draw_columns(context, head, lambda cell: cell.label(text="Name"))
    for _ in range(2):
        head.label(text="", icon="BLANK1")


def _facts(context, clip) -> tuple[str, str, str, str]:
    """Of a clip: its kind, its seconds, its speed and the word for its seam; empty where nobody knows."""
    if clip.action is None:
        return "gone", "", "", ""
    record = _record(clip.action)
    first, last = clip.action.frame_range
    seconds = (last - first) / scene_time.frame_rate(context.scene)
    speed = clip.action.takemill.speed_m_s
    return (
        record.kind,
        f"{seconds:.1f} s",
        f"{speed:.1f} m/s" if speed >= _LEAST_SPEED_M_S else "",
        record.candidate.quality if record.candidate else "",
    )


def _record(action: bpy.types.Action) -> ClipRecord:
    try:
        return ClipRecord.of_action(action)
    except InputError:
        return ClipRecord()


def _draw_chosen(layout, context, clip) -> None:
    """The facts of the chosen clip, and the way to other seams where its own is seen."""
    if clip.action is None:
        return
    kind, seconds, speed, _ = _facts(context, clip)
    column = layout.column(align=True)
    column.scale_y = 0.8
    if is_narrow(context):  # where the list cuts it off
        column.label(text=clip.name)
    column.label(
        text=", ".join(text for text in (kind.replace("_", " ").capitalize(), seconds, speed) if text)
    )
    seam = _record(clip.action).candidate
    if seam is None:
        if not clip_names.should_loop(clip):
            return
        paragraph(layout, context, "A one-shot: its cut has no seam that could be closed.", "ERROR")
    else:
        line = column.row()
        line.alert = seam.quality in _ROUGH
        line.label(
            text=say("Seam: {}, {:.1f} cm", seam.quality, seam.gap_cm), icon="ERROR" if line.alert else "NONE"
        )
        if seam.quality in _ROUGH:
            paragraph(layout, context, f"{seam.note[:1].upper()}{seam.note[1:]}.", "BLANK1")
    layout.operator("takemill.other_seams", icon="VIEWZOOM")


class TAKEMILL_PT_clips(ArmatureStep, bpy.types.Panel):
    bl_label = "7. Clips"
    bl_idname = "TAKEMILL_PT_clips"
    step = "clips"

    def draw_step(self, context, armature) -> None:
        layout, known = self.layout, armature.takemill
        main_button(layout, context, armature, "clips", "takemill.make_clips", icon="ACTION")
        if characters.ticked(context.scene):
            layout.prop(context.scene.takemill, "performer_clips")
        if known.clips:
            _draw_head(layout, context)
        place, side = list_and_side(layout, context)
        draw_rows(place, known, "clip", rows=5)
        side.operator("takemill.add_clip", text="", icon="ADD")
        side.operator("takemill.remove_clip", text="", icon="REMOVE")
        if known.clips:  # beside an empty list they would stand higher than it
            side.separator()
            side.operator("takemill.move_clip", text="", icon="TRIA_UP").down = False
            side.operator("takemill.move_clip", text="", icon="TRIA_DOWN").down = True
        if 0 <= known.clip_index < len(known.clips):
            _draw_chosen(layout, context, known.clips[known.clip_index])
        layout.operator("takemill.contact_sheet", icon="RENDER_STILL")
        layout.operator("takemill.add_event", icon="MARKER")
        _draw_loop(layout, context, stage.find_active_action(armature))
        row = line(layout, context)
        row.operator("takemill.mirror_clip", text="Mirror", icon="MOD_MIRROR")
        row.operator("takemill.retime_clip", text="Retime", icon="TIME")
        row.operator("takemill.difference_clip", text="Additive", icon="SELECT_DIFFERENCE")
        header, body = layout.panel("TAKEMILL_by_hand", default_closed=True)
        header.label(text="Single Steps")
        if body:
            body.operator("takemill.close_loop", icon="FILE_REFRESH")
            body.operator_menu_enum("takemill.extract_root_motion", "mode", icon="CON_FOLLOWPATH")
            text = "Foot Contacts" if is_narrow(context) else "Add Foot Contact Events"
            body.operator("takemill.add_contact_events", text=text, icon="MARKER_HLT")
            body.operator("takemill.thin_keys", icon="IPO_BEZIER")


def _draw_loop(layout, context, action) -> None:
    """The preview of a loop: a button to start it, or how it is shown and a button to stop it."""
    if not action or not action.takemill.looping:
        button = layout.operator("takemill.preview_loop", icon="PLAY")
        button.centred = button.with_root_motion = False
        return
    column, shown = layout.column(align=True), action.takemill
    column.operator("takemill.stop_loop", icon="SNAP_FACE", depress=True)
    row = line(column, context)
    for text, centred, with_root_motion, on in (
        ("Seam in the Middle", not shown.centred, shown.with_root_motion, shown.centred),
        ("With Root Motion", shown.centred, not shown.with_root_motion, shown.with_root_motion),
    ):
        button = row.operator("takemill.preview_loop", text=text, depress=on)
        button.centred, button.with_root_motion = centred, with_root_motion


CLASSES = (TAKEMILL_UL_clips, TAKEMILL_PT_clips)
