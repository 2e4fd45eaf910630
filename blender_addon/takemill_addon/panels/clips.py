"""The panel of clips."""

from __future__ import annotations

import bpy

from ..bridge import characters, scene_time, stage
from ..operators.loop import loop_behind
from .steps import ArmatureStep


class TAKEMILL_UL_clips(bpy.types.UIList):
    def draw_item(self, context, layout, data, item, icon, active_data, active_propname, index=0, flt_flag=0):
        row = layout.row(align=True)
        row.prop(item, "use", text="")
        row.prop(item, "name", text="", emboss=False)
        if item.action:
            first, last = item.action.frame_range
            length = (last - first) / scene_time.frame_rate(context.scene)
            row.label(text=f"{length:.1f} s")
        playing = stage.find_active_action(item.id_data)
        shown = loop_behind(playing) if playing else None
        sign = "RADIOBUT_ON" if item.action and item.action == shown else "RADIOBUT_OFF"
        row.operator("takemill.play_clip", text="", icon=sign, emboss=False).index = index


class TAKEMILL_PT_clips(ArmatureStep, bpy.types.Panel):
    bl_label = "7. Clips"
    bl_idname = "TAKEMILL_PT_clips"

    def draw_step(self, context, armature) -> None:
        layout, known = self.layout, armature.takemill
        layout.operator("takemill.make_clips", icon="ACTION")
        if characters.ticked(context.scene):
            layout.prop(context.scene.takemill, "performer_clips")
        row = layout.row()
        row.template_list("TAKEMILL_UL_clips", "", known, "clips", known, "clip_index", rows=5)
        side = row.column(align=True)
        side.operator("takemill.add_clip", text="", icon="ADD")
        side.operator("takemill.remove_clip", text="", icon="REMOVE")
        layout.operator("takemill.contact_sheet", icon="RENDER_STILL")
        layout.operator("takemill.add_event", icon="MARKER")
        _draw_loop(layout, stage.find_active_action(armature))
        row = layout.row(align=True)
        row.operator("takemill.mirror_clip", text="Mirror", icon="MOD_MIRROR")
        row.operator("takemill.retime_clip", text="Retime", icon="TIME")
        row.operator("takemill.difference_clip", text="Additive", icon="SELECT_DIFFERENCE")
        header, body = layout.panel("TAKEMILL_by_hand", default_closed=True)
        header.label(text="Single Steps")
        if body:
            body.operator("takemill.close_loop", icon="FILE_REFRESH")
            body.operator_menu_enum("takemill.extract_root_motion", "mode", icon="CON_FOLLOWPATH")
            body.operator("takemill.add_contact_events", icon="MARKER_HLT")
            body.operator("takemill.thin_keys", icon="IPO_BEZIER")


def _draw_loop(layout, action) -> None:
    """The preview of a loop: a button to start it, or how it is shown and a button to stop it."""
    if not action or not action.takemill.looping:
        button = layout.operator("takemill.preview_loop", icon="PLAY")
        button.centred = button.with_root_motion = False
        return
    column, shown = layout.column(align=True), action.takemill
    column.operator("takemill.stop_loop", icon="SNAP_FACE", depress=True)
    row = column.row(align=True)
    for text, centred, with_root_motion, on in (
        ("Seam in the Middle", not shown.centred, shown.with_root_motion, shown.centred),
        ("With Root Motion", shown.centred, not shown.with_root_motion, shown.with_root_motion),
    ):
        button = row.operator("takemill.preview_loop", text=text, depress=on)
        button.centred, button.with_root_motion = centred, with_root_motion


CLASSES = (TAKEMILL_UL_clips, TAKEMILL_PT_clips)
