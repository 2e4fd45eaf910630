"""The panel of the recipe: read from a file, written to one, and what of it no field shows."""

from __future__ import annotations

import bpy

from takemill.base.errors import TakemillError

from ..bridge.takes import recipe
from .steps import ArmatureStep, line, paragraph


class TAKEMILL_PT_recipe(ArmatureStep, bpy.types.Panel):
    bl_label = "Recipe"
    bl_idname = "TAKEMILL_PT_recipe"
    bl_options = {"DEFAULT_CLOSED"}

    def draw_step(self, context, armature) -> None:
        layout = self.layout
        row = line(layout, context)
        row.operator("takemill.load_recipe", icon="FILE_FOLDER")
        row.operator("takemill.save_recipe", icon="FILE_TICK")
        if not context.scene.takemill.recipe:
            text = "All panels together are a recipe: save it for the command line, or load one."
            paragraph(layout, context, text, "INFO")
            return
        layout.operator("takemill.clear_recipe", icon="X")
        try:
            beyond = recipe.beyond_fields(recipe.loaded_recipe(context.scene))
        except TakemillError as problem:
            paragraph(layout, context, str(problem), "ERROR")
            return
        if beyond:
            text = f"Kept from the recipe, without a field: {', '.join(beyond)}."
            paragraph(layout.box(), context, text, "INFO")


CLASSES = (TAKEMILL_PT_recipe,)
