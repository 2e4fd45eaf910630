"""The panel of the guide and the scripts for engines."""

from __future__ import annotations

import bpy

from .steps import Step


class TAKEMILL_PT_guide(Step, bpy.types.Panel):
    bl_label = "Guide"
    bl_idname = "TAKEMILL_PT_guide"
    bl_options = {"DEFAULT_CLOSED"}

    def draw(self, context) -> None:
        self.layout.operator("takemill.open_guide", icon="HELP")
        self.layout.operator("takemill.open_engine_scripts", icon="FILE_FOLDER")


CLASSES = (TAKEMILL_PT_guide,)
