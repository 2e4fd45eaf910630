"""What an overlay is drawn for: the armature that is worked on, its Action, and the frame that is shown."""

from __future__ import annotations

from dataclasses import dataclass

import bpy
from mathutils import Matrix

from ..bridge import stage
from ..properties.preferences import overlay_settings


@dataclass(frozen=True)
class View:
    """What overlays know when they are drawn. It is used at once and never kept: it refers to Blender's data.

    Attributes:
        context, scene, armature, action: Blender's; there is always an armature and an action.
        settings: the switches and colours of the overlays.
        frame: the scene's frame, a part of one too.
        edits: grows whenever an Action or an armature was changed, by undo too.
    """

    context: bpy.types.Context
    scene: bpy.types.Scene
    armature: bpy.types.Object
    action: bpy.types.Action
    settings: bpy.types.PropertyGroup
    frame: float
    edits: int

    @classmethod
    def of(cls, context: bpy.types.Context, edits: int) -> View | None:
        """The view of a window; None while no armature with an action is worked on."""
        if context.view_layer is None or context.scene is None:
            return None
        armature = stage.armature_of(context)
        action = stage.find_active_action(armature) if armature else None
        if armature is None or action is None:
            return None
        scene = context.scene
        settings = overlay_settings(context)
        return cls(context, scene, armature, action, settings, scene.frame_current_final, edits)

    def places(self, to_take: Matrix | None) -> dict[str, Matrix]:
        """From each space of strokes to the world; `to_take` leads from the armature's to the take's."""
        world = self.armature.matrix_world
        take = world @ to_take.inverted_safe() if to_take else world
        return {"WORLD": Matrix(), "ARMATURE": world, "TAKE": take}
