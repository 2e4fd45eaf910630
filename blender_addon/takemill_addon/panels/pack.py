"""The panel of the clip set."""

from __future__ import annotations

import os

import bpy

from ..bridge.characters import faces
from ..bridge.scene import paths
from ..operators.pack import characters_of
from ..translations import say
from .presets import draw_presets
from .steps import ArmatureStep, fields, line, main_button, paragraph


class TAKEMILL_PT_pack(ArmatureStep, bpy.types.Panel):
    bl_label = "8. Pack"
    bl_idname = "TAKEMILL_PT_pack"
    step = "pack"

    def draw_step(self, context, armature) -> None:
        layout, chosen = self.layout, context.scene.takemill
        draw_presets(layout, "pack")
        layout.prop(chosen, "pack_characters", text="")
        fields(layout, context, chosen, "set_folder")
        whole = paths.shown(chosen.set_folder or "//")
        if whole != chosen.set_folder:
            paragraph(layout, context, whole, "BLANK1", after=os.sep)
        cast = characters_of(context)
        if len(cast) > 1:
            column = layout.column(align=True)
            column.scale_y = 0.8
            for one in cast:
                count = sum(clip.use for clip in one.takemill.clips)
                column.label(text=say("{}: {} clips", one.name, count), icon="FILE_FOLDER")
        own = armature.name if len(cast) == 1 else "each one's own"
        layout.prop(chosen, "set_name", placeholder=own)
        fields(layout, context, chosen, "set_files", "set_fbx")
        layout.prop(chosen, "set_rate_own")
        if chosen.set_rate_own:
            layout.prop(chosen, "set_rate")
        layout.prop(chosen, "max_error_mm")
        fields(layout, context, chosen, "set_keys")
        layout.prop(chosen, "set_floats")
        layout.prop(chosen, "deform_only")
        if faces.has_faces(context, armature):
            layout.prop(armature.takemill, "face_offset")
            row = line(layout, context)
            row.prop(armature.takemill, "face_clap")
            row.operator("takemill.align_face", text="Align")
        main_button(layout, context, armature, "pack", "takemill.pack_set", icon="PACKAGE")
        if any(one.takemill.packed_to for one in cast):
            row = line(layout, context)
            row.operator("takemill.open_report", icon="URL")
            row.operator("takemill.open_folder", icon="FILE_FOLDER")


CLASSES = (TAKEMILL_PT_pack,)
