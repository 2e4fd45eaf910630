"""The list of characters that a take is fitted to."""

from __future__ import annotations

import bpy

from takemill.base.errors import InputError

from ..bridge.rigs.mesh_soles import deformed_meshes
from ..bridge.takes import characters, recipe, stage


class TAKEMILL_OT_add_characters(stage.Stage, bpy.types.Operator):
    """Add the other selected armatures to the list; where none is selected, all others that bend a mesh"""

    bl_idname = "takemill.add_characters"
    bl_label = "Add Characters"
    needs = (stage.an_armature,)

    def run(self, context: bpy.types.Context) -> str:
        scene, performer = context.scene, stage.armature_of(context)
        known = {row.armature for row in scene.takemill.characters} | {performer}
        items = context.view_layer.objects
        selected = {stage.armature_behind(item) for item in items if item.select_get()} - {None, performer}
        found = selected or {one for one in items if one.type == "ARMATURE" and any(deformed_meshes(one))}
        new = sorted(found - known, key=lambda one: one.name)
        if not new:
            raise InputError(
                "there is no other armature to add; select the characters' armatures, and the performer last"
            )
        loaded = recipe.loaded_recipe(scene)
        for one in new:
            characters.add(scene, one, loaded)
        return f"{', '.join(one.name for one in new)} added to the characters"


class TAKEMILL_OT_remove_character(stage.Stage, bpy.types.Operator):
    """Take the chosen character off the list; its actions and clips stay"""

    bl_idname = "takemill.remove_character"
    bl_label = "Remove Character"
    needs = ()

    def run(self, context: bpy.types.Context) -> str:
        chosen = context.scene.takemill
        if not 0 <= chosen.character_index < len(chosen.characters):
            raise InputError("there is no character to remove")
        name = characters.name_of(chosen.characters[chosen.character_index])
        chosen.characters.remove(chosen.character_index)
        chosen.character_index = max(0, chosen.character_index - 1)
        return f"{name} taken off the list"


class TAKEMILL_OT_go_to_armature(stage.Stage, bpy.types.Operator):
    """Make this armature the active object, and select it alone"""

    bl_idname = "takemill.go_to_armature"
    bl_label = "Go to Armature"
    needs = ()

    name: bpy.props.StringProperty(name="Armature", description="Name of the armature to go to")

    def run(self, context: bpy.types.Context) -> str:
        item = context.view_layer.objects.get(self.name)
        if item is None or item.type != "ARMATURE":
            raise InputError(f"there is no armature {self.name!r} in this view layer")
        stage.activate(context, item)
        return f"{item.name} is the active object"


CLASSES = (TAKEMILL_OT_add_characters, TAKEMILL_OT_remove_character, TAKEMILL_OT_go_to_armature)
