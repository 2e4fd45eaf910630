"""The sidebar tab: one panel for each step, in the order of the work."""

from __future__ import annotations

import textwrap

import bpy

from . import findings, properties, scene_time, stage

_CAUTION = (
    "Suit sessions: clear the space, spot falls and kicks, keep straps loose enough for the blood to run, "
    "stop on pain or dizziness. This check is no medical assessment; local rules and a licensed "
    "professional come first."
)
_LETTER = 6.2  # mean width of a letter in pixels, at a resolution scale of 1


def _paragraph(layout, context: bpy.types.Context, text: str, icon: str) -> None:
    """Small text over as many lines as the sidebar's width asks for."""
    scale = context.preferences.system.ui_scale
    letters = int((context.region.width / scale - 60) / _LETTER)
    column = layout.column(align=True)
    column.scale_y = 0.75
    for number, line in enumerate(textwrap.wrap(text, max(letters, 16))):
        column.label(text=line, icon="BLANK1" if number else icon)


class _Step:
    bl_space_type = "VIEW_3D"
    bl_region_type = "UI"
    bl_category = "Takemill"


class _ArmatureStep(_Step):
    """A step that shows nothing but a hint while no armature is active."""

    def draw(self, context: bpy.types.Context) -> None:
        missing = stage.an_armature(context)
        if missing:
            self.layout.label(text=missing, icon="INFO")
        else:
            self.draw_step(context, stage.armature_of(context))


class _ActionStep(_ArmatureStep):
    """A step that shows nothing but a hint while no Action plays."""

    def draw_step(self, context: bpy.types.Context, armature: bpy.types.Object) -> None:
        missing = stage.an_action(context)
        if missing:
            self.layout.label(text=missing, icon="INFO")
        else:
            self.draw_action(context, armature, armature.animation_data.action)


class TAKEMILL_UL_parts(bpy.types.UIList):
    def draw_item(self, context, layout, data, item, icon, active_data, active_propname, index=0, flt_flag=0):
        row = layout.split(factor=0.45)
        row.label(text=item.name)
        row.prop_search(item, "bone", item.id_data.data, "bones", text="")


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


class TAKEMILL_UL_cuts(bpy.types.UIList):
    def draw_item(self, context, layout, data, item, icon, active_data, active_propname, index=0, flt_flag=0):
        row = layout.row(align=True)
        row.prop(item, "use", text="")
        row.prop(item, "name", text="", emboss=False)
        length = (item.end - item.start) / scene_time.frame_rate(context.scene)
        row.label(text=f"{length:.1f} s", icon="FILE_REFRESH" if item.loop else "BLANK1")
        row.operator("takemill.preview_cut", text="", icon="PREVIEW_RANGE", emboss=False).index = index


class TAKEMILL_UL_clips(bpy.types.UIList):
    def draw_item(self, context, layout, data, item, icon, active_data, active_propname, index=0, flt_flag=0):
        row = layout.row(align=True)
        row.prop(item, "use", text="")
        row.prop(item, "name", text="", emboss=False)
        if item.action:
            first, last = item.action.frame_range
            length = (last - first) / scene_time.frame_rate(context.scene)
            row.label(text=f"{length:.1f} s")
        playing = stage.playing_action(item.id_data)
        sign = "RADIOBUT_ON" if item.action and item.action == playing else "RADIOBUT_OFF"
        row.operator("takemill.play_clip", text="", icon=sign, emboss=False).index = index


class TAKEMILL_PT_take(_ActionStep, bpy.types.Panel):
    bl_label = "1. Take"
    bl_idname = "TAKEMILL_PT_take"

    def draw_action(self, context, armature, action) -> None:
        layout, rate = self.layout, scene_time.frame_rate(context.scene)
        layout.label(text=armature.name, icon="ARMATURE_DATA")
        row = layout.row(align=True)
        row.prop_search(armature.animation_data, "action", bpy.data, "actions", text="")
        if action.takemill.source:
            row.operator("takemill.play_source", text="", icon="LOOP_BACK")
        first, last = action.frame_range
        length = scene_time.seconds(last - first, rate)
        layout.label(text=f"{last - first + 1:.0f} frames, {rate:g} a second: {length:.1f} s", icon="TIME")
        if action.takemill.evaluated:
            text = f"Read by playing the scene, because of {action.takemill.evaluated}."
            if "constraints" in text:
                text += " Constraints go on acting on new actions; mute them to see those alone."
            _paragraph(layout.box(), context, text, "INFO")


class TAKEMILL_PT_body(_ArmatureStep, bpy.types.Panel):
    bl_label = "2. Body"
    bl_idname = "TAKEMILL_PT_body"

    def draw_step(self, context, armature) -> None:
        layout, known = self.layout, armature.takemill
        row = layout.row(align=True)
        row.operator("takemill.map_body", icon="OUTLINER_OB_ARMATURE")
        row.operator("takemill.add_part", text="", icon="ADD")
        if not known.parts:
            layout.label(text="No part is mapped yet", icon="INFO")
            return
        header, body = layout.panel("TAKEMILL_parts", default_closed=True)
        mapped = sum(bool(part.bone) for part in known.parts)
        header.label(text=f"{mapped} parts, {known.height_m:.2f} m tall")
        if body:
            body.template_list("TAKEMILL_UL_parts", "", known, "parts", known, "part_index", rows=8)
        if not 0.3 < known.height_m < 4.5:
            text = "That is no size for a performer; scale the armature object in the scene, then map again."
            _paragraph(layout, context, text, "ERROR")
        if not any(part.name == "root" and part.bone for part in known.parts):
            layout.operator("takemill.add_root_bone", icon="BONE_DATA")


class TAKEMILL_PT_check(_ActionStep, bpy.types.Panel):
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
                _paragraph(layout, context, f"{known.findings[known.finding_index].message}.", "DOT")
        else:
            layout.label(text="Nothing to mend was found", icon="CHECKMARK")


class TAKEMILL_PT_repair(_ActionStep, bpy.types.Panel):
    bl_label = "4. Repair"
    bl_idname = "TAKEMILL_PT_repair"

    def draw_action(self, context, armature, action) -> None:
        layout, chosen = self.layout, context.scene.takemill
        grid = layout.grid_flow(columns=2, align=True)
        for step in properties.REPAIR_STEPS:
            grid.prop(chosen, f"mend_{step}")
        layout.operator("takemill.repair_take", icon="MODIFIER")
        caution = layout.column()
        caution.active = False
        _paragraph(caution, context, _CAUTION, "ERROR")


class TAKEMILL_PT_fit(_ActionStep, bpy.types.Panel):
    bl_label = "5. Fit"
    bl_idname = "TAKEMILL_PT_fit"

    def draw_action(self, context, armature, action) -> None:
        layout = self.layout
        chosen = context.scene.takemill
        layout.prop(chosen, "fit_target")
        layout.prop(chosen, "fit_arms_deg")
        layout.prop(chosen, "fit_feet")
        layout.operator("takemill.fit_take", icon="MOD_ARMATURE")


class TAKEMILL_PT_cuts(_ActionStep, bpy.types.Panel):
    bl_label = "6. Cuts"
    bl_idname = "TAKEMILL_PT_cuts"

    def draw_action(self, context, armature, action) -> None:
        layout, known, chosen = self.layout, action.takemill, context.scene.takemill
        if known.record and not known.cuts:
            layout.label(text="A finished clip plays", icon="INFO")
            layout.operator("takemill.play_source", icon="LOOP_BACK")
            return
        row = layout.row(align=True)
        row.operator("takemill.suggest_cuts", icon="VIEWZOOM")
        row.operator("takemill.load_cuts", text="", icon="FILE_FOLDER")
        row = layout.row()
        row.template_list("TAKEMILL_UL_cuts", "", known, "cuts", known, "cut_index", rows=5)
        side = row.column(align=True)
        side.operator("takemill.add_cut", text="", icon="ADD")
        side.operator("takemill.remove_cut", text="", icon="REMOVE")
        if 0 <= known.cut_index < len(known.cuts):
            cut = known.cuts[known.cut_index]
            column = layout.column()
            ends = column.row(align=True)
            ends.prop(cut, "start")
            ends.prop(cut, "end")
            column.prop(cut, "kind")
            column.prop(cut, "travel")
            column.prop(cut, "smooth_hz")
            column.prop(cut, "loop")
            if cut.loop:
                column.prop(cut, "search")
        _draw_loop_and_travel(layout, chosen)
        layout.operator("takemill.make_clips", icon="ACTION")


def _draw_loop_and_travel(layout, chosen) -> None:
    header, body = layout.panel("TAKEMILL_loop_and_travel", default_closed=True)
    header.label(text="Loops and travel")
    if body:
        for name in ("loop_longest_s", "seam_s", "travel_turn", "travel_height", "travel_smooth_hz"):
            body.prop(chosen, name)


class TAKEMILL_PT_clips(_ArmatureStep, bpy.types.Panel):
    bl_label = "7. Clips"
    bl_idname = "TAKEMILL_PT_clips"

    def draw_step(self, context, armature) -> None:
        layout, known = self.layout, armature.takemill
        row = layout.row()
        row.template_list("TAKEMILL_UL_clips", "", known, "clips", known, "clip_index", rows=5)
        side = row.column(align=True)
        side.operator("takemill.add_clip", text="", icon="ADD")
        side.operator("takemill.remove_clip", text="", icon="REMOVE")
        header, body = layout.panel("TAKEMILL_by_hand", default_closed=True)
        header.label(text="Single stages")
        if body:
            body.operator("takemill.close_loop", icon="FILE_REFRESH")
            body.operator_menu_enum("takemill.split_travel", "mode", icon="CON_FOLLOWPATH")
            body.operator("takemill.mark_contacts", icon="MARKER_HLT")


class TAKEMILL_PT_pack(_ArmatureStep, bpy.types.Panel):
    bl_label = "8. Pack"
    bl_idname = "TAKEMILL_PT_pack"

    def draw_step(self, context, armature) -> None:
        layout, chosen = self.layout, context.scene.takemill
        layout.prop(chosen, "set_folder")
        layout.prop(chosen, "set_name", placeholder=armature.name)
        layout.prop(chosen, "set_rate")
        layout.prop(chosen, "max_error_mm")
        layout.prop(chosen, "deform_only")
        layout.operator("takemill.pack_set", icon="PACKAGE")


CLASSES = (
    TAKEMILL_UL_parts,
    TAKEMILL_UL_findings,
    TAKEMILL_UL_cuts,
    TAKEMILL_UL_clips,
    TAKEMILL_PT_take,
    TAKEMILL_PT_body,
    TAKEMILL_PT_check,
    TAKEMILL_PT_repair,
    TAKEMILL_PT_fit,
    TAKEMILL_PT_cuts,
    TAKEMILL_PT_clips,
    TAKEMILL_PT_pack,
)
