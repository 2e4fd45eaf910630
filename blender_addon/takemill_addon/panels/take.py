"""The panels of the take and of its body map."""

from __future__ import annotations

import bpy

from ..bridge.scene import scene_time
from ..bridge.takes import stage
from ..bridge.takes.intake import last_reading
from ..translations import say
from .steps import ActionStep, ArmatureStep, is_narrow, main_button, paragraph, states_now


class TAKEMILL_UL_parts(bpy.types.UIList):
    def draw_item(self, context, layout, data, item, icon, active_data, active_propname, index=0, flt_flag=0):
        if is_narrow(context):
            layout.label(text=item.name, icon="CHECKMARK" if item.bone else "BLANK1")
            return
        row = layout.split(factor=0.5)
        row.label(text=item.name)
        row.label(text=item.bone)


class TAKEMILL_PT_take(ActionStep, bpy.types.Panel):
    bl_label = "1. Take"
    bl_idname = "TAKEMILL_PT_take"

    def draw_header_preset(self, context) -> None:
        armature = stage.armature_of(context)
        if armature and stage.find_active_action(armature):
            states_now(context, armature, fresh=True)  # this panel is drawn first
            self.layout.label(text="" if is_narrow(context) else "Done", icon="CHECKMARK")

    def draw(self, context) -> None:
        column = self.layout.column()
        armature = stage.armature_of(context)
        column.scale_y = 1.0 if armature and stage.find_active_action(armature) else 1.5
        column.operator("takemill.import_take", icon="IMPORT")
        ActionStep.draw(self, context)

    def draw_action(self, context, armature, action) -> None:
        layout, rate = self.layout, scene_time.frame_rate(context.scene)
        layout.label(text=armature.name, icon="ARMATURE_DATA")
        row = layout.row(align=True)
        row.prop_search(armature.animation_data, "action", bpy.data, "actions", text="")
        if action.takemill.source:
            row.operator("takemill.play_source", text="", icon="LOOP_BACK")
        first, last = action.frame_range
        length = scene_time.seconds(last - first, rate)
        text = say("{:.0f} frames, {:g} a second: {:.1f} s", last - first + 1, rate, length)
        if is_narrow(context):
            paragraph(layout, context, text, "TIME")
        else:
            layout.label(text=text, icon="TIME")
        if action.takemill.evaluated:
            text = f"Evaluated frame by frame, because of {action.takemill.evaluated}."
            if "constraints" in text:
                text += " Constraints go on acting on new actions; mute them to see those alone."
            paragraph(layout.box(), context, text, "INFO")


class TAKEMILL_PT_body(ArmatureStep, bpy.types.Panel):
    bl_label = "2. Body"
    bl_idname = "TAKEMILL_PT_body"
    step = "body"

    def draw_step(self, context, armature) -> None:
        layout, known = self.layout, armature.takemill
        main_button(layout, context, armature, "body", "takemill.map_body", icon="OUTLINER_OB_ARMATURE")
        row = layout.row(align=True)
        row.operator("takemill.add_part", text="", icon="ADD")
        row.operator("takemill.mirror_body_map", text="", icon="MOD_MIRROR")
        row.operator("takemill.load_body_map", text="", icon="FILE_FOLDER")
        row.operator("takemill.save_body_map", text="", icon="FILE_TICK")
        column = layout.column(align=True)
        column.label(text="Reference Pose")
        row = column.row(align=True)
        row.prop(context.scene.takemill, "intake_reference", text="", placeholder="Found")
        row.operator("takemill.reference_here", text="", icon="EYEDROPPER")
        read = self._draw_reading(context, armature)
        if not known.parts:
            layout.label(text="No part is mapped yet", icon="INFO")
            return
        header, body = layout.panel("TAKEMILL_parts", default_closed=True)
        mapped = sum(bool(part.bone) for part in known.parts)
        # How tall a performer is stands in what the take was read as, measured in its reference pose.
        header.label(
            text=say("{} parts", mapped) if read else say("{} parts, {:.2f} m tall", mapped, known.height_m)
        )
        if body:
            body.template_list("TAKEMILL_UL_parts", "", known, "parts", known, "part_index", rows=8)
            if 0 <= known.part_index < len(known.parts):
                part = known.parts[known.part_index]
                body.prop_search(part, "bone", armature.data, "bones", text="")
        if not any(part.name == "root" and part.bone for part in known.parts):
            layout.operator("takemill.add_root_bone", icon="BONE_DATA")

    def _draw_reading(self, context, armature) -> bool:
        """What the take was read as, and what of it no body can be; whether there is a line of it."""
        chosen = context.scene.takemill
        reading, holds = last_reading(context, armature)
        box = self.layout.box() if reading or not holds else None
        if box and not holds:
            text = (
                "The reference pose, the frame rate or the armature's place has changed since the take was "
                "read. Map Body reads it anew."
            )
            paragraph(box, context, text, "FILE_REFRESH")
        if box and reading and reading.line:
            paragraph(box, context, reading.line, "INFO")
        for problem in reading.problems if box and reading else ():
            paragraph(box, context, problem, "ERROR")
        if chosen.intake_accept or (reading and reading.problems):
            self.layout.prop(chosen, "intake_accept")
        return bool(reading and reading.line)


CLASSES = (TAKEMILL_UL_parts, TAKEMILL_PT_take, TAKEMILL_PT_body)
