"""The sidebar tab: one panel for each step, in the order of the work."""

from __future__ import annotations

import bpy

from . import findings, scene_time, stage

_CAUTION = (
    "Suit sessions: clear the space, spot falls and",
    "kicks, keep straps loose enough for the blood to",
    "run, stop on pain or dizziness. The check is no",
    "medical assessment; local rules and a licensed",
    "professional come first.",
)


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
        row.label(text=f"{item.start}  {item.message}", icon="CHECKMARK" if item.mended else "NONE")


class TAKEMILL_UL_cuts(bpy.types.UIList):
    def draw_item(self, context, layout, data, item, icon, active_data, active_propname, index=0, flt_flag=0):
        row = layout.row(align=True)
        row.prop(item, "use", text="")
        row.prop(item, "name", text="", emboss=False)
        length = (item.end - item.start) / scene_time.frame_rate(context.scene)
        row.label(text=f"{length:.1f} s", icon="FILE_REFRESH" if item.loop else "NONE")
        row.operator("takemill.preview_cut", text="", icon="PREVIEW_RANGE", emboss=False).index = index


class TAKEMILL_UL_clips(bpy.types.UIList):
    def draw_item(self, context, layout, data, item, icon, active_data, active_propname, index=0, flt_flag=0):
        row = layout.row(align=True)
        row.prop(item, "use", text="")
        row.prop(item, "name", text="", emboss=False)
        playing = stage.playing_action(item.id_data)
        sign = "PAUSE" if item.action and item.action == playing else "PLAY"
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
            box = layout.box().column(align=True)
            box.label(text="Read by playing the scene, because of", icon="INFO")
            for reason in action.takemill.evaluated.split("; "):
                box.label(text=reason)
            if "constraints" in action.takemill.evaluated:
                box.label(text="They go on acting on new actions; mute them there.")


class TAKEMILL_PT_body(_ArmatureStep, bpy.types.Panel):
    bl_label = "2. Body"
    bl_idname = "TAKEMILL_PT_body"

    def draw_step(self, context, armature) -> None:
        layout, known = self.layout, armature.takemill
        row = layout.row(align=True)
        row.operator("takemill.map_body", icon="OUTLINER_OB_ARMATURE")
        row.operator("takemill.add_part", text="", icon="ADD")
        if not known.parts:
            layout.label(text="No part has a bone yet", icon="INFO")
            return
        layout.template_list("TAKEMILL_UL_parts", "", known, "parts", known, "part_index", rows=4)
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
                "TAKEMILL_UL_findings", "", known, "findings", known, "finding_index", rows=4
            )
        else:
            layout.label(text="Nothing to mend was found", icon="CHECKMARK")


class TAKEMILL_PT_repair(_ActionStep, bpy.types.Panel):
    bl_label = "4. Repair"
    bl_idname = "TAKEMILL_PT_repair"

    def draw_action(self, context, armature, action) -> None:
        layout, chosen = self.layout, context.scene.takemill
        grid = layout.grid_flow(columns=2, align=True)
        for name in ("mend_frozen", "mend_spikes", "mend_jitter", "mend_floor"):
            grid.prop(chosen, name)
        layout.operator("takemill.repair_take", icon="MODIFIER")
        caution = layout.column(align=True)
        caution.scale_y = 0.75
        caution.active = False
        for number, line in enumerate(_CAUTION):
            caution.label(text=line, icon="NONE" if number else "ERROR")


class TAKEMILL_PT_fit(_ActionStep, bpy.types.Panel):
    bl_label = "5. Fit"
    bl_idname = "TAKEMILL_PT_fit"

    def draw_action(self, context, armature, action) -> None:
        layout = self.layout
        layout.prop(context.scene.takemill, "fit_target")
        layout.operator("takemill.fit_take", icon="MOD_ARMATURE")


class TAKEMILL_PT_cuts(_ActionStep, bpy.types.Panel):
    bl_label = "6. Cuts"
    bl_idname = "TAKEMILL_PT_cuts"

    def draw_action(self, context, armature, action) -> None:
        layout, known, chosen = self.layout, action.takemill, context.scene.takemill
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
            column.prop(cut, "loop")
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
        header.label(text="One stage at a time, on the playing action")
        if body:
            body.operator("takemill.close_loop", icon="FILE_REFRESH")
            body.operator_menu_enum("takemill.split_travel", "mode", icon="CON_FOLLOWPATH")
            body.operator("takemill.mark_contacts", icon="MARKER_HLT")


class TAKEMILL_PT_pack(_ArmatureStep, bpy.types.Panel):
    bl_label = "8. Pack"
    bl_idname = "TAKEMILL_PT_pack"

    def draw_step(self, context, armature) -> None:
        layout, chosen = self.layout, context.scene.takemill
        for name in ("set_folder", "set_name", "set_rate", "max_error_mm"):
            layout.prop(chosen, name)
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
