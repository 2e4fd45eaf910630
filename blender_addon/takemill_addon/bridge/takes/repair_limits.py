"""Which bones and frames of a take are repaired, and all that its repair depends on beside its keys."""

from __future__ import annotations

import json
from dataclasses import dataclass

import bpy

from takemill.base.errors import RecipeError
from takemill.recipe.recipe_write import settings_table

from . import recipe, stage


@dataclass(frozen=True)
class Limits:
    """What of a take is to be repaired.

    Attributes:
        bones: their names; None for all.
        frames: the first and the last scene frame; None for all.
        missing: what the user has yet to choose, in words; "" where nothing is.
    """

    bones: tuple[str, ...] | None = None
    frames: tuple[int, int] | None = None
    missing: str = ""

    @classmethod
    def of(cls, context: bpy.types.Context, armature: bpy.types.Object, raw: bpy.types.Action) -> Limits:
        """The scene's choice, for a take of an armature."""
        scene = context.scene
        chosen, bones, frames, missing = scene.takemill, None, None, ""
        if chosen.repair_bones == "SELECTED":
            bones = tuple(bone.name for bone in armature.pose.bones if stage.is_selected(bone))
            if not bones:
                missing = "No bone is selected; select some in pose mode, or repair all"
        if chosen.repair_frames == "PREVIEW":
            frames = (scene.frame_preview_start, scene.frame_preview_end)
            if not scene.use_preview_range:
                frames, missing = None, "The timeline has no preview range; set one, or repair all frames"
        elif chosen.repair_frames == "MARKERS":
            marked = [marker.frame for marker in raw.pose_markers if marker.select]
            if len(marked) > 1:
                frames = (min(marked), max(marked))
            else:
                missing = "Select one pose marker before and one after what is to be repaired"
        return cls(bones, frames, missing)


def asked(context: bpy.types.Context, armature: bpy.types.Object, raw: bpy.types.Action) -> str:
    """All that a repair of `raw` depends on beside its keys, as text: a preview remembers its own."""
    said = _settings(context.scene)
    said["body"] = sorted((part.name, part.bone) for part in armature.takemill.parts)
    limits = Limits.of(context, armature, raw)
    said["left"] = [(one.joint, one.start, one.stop) for one in raw.takemill.findings if one.accepted]
    return json.dumps(said | {"bones": limits.bones, "frames": limits.frames, "missing": limits.missing})


def _settings(scene: bpy.types.Scene) -> dict[str, object]:
    """The settings that a repair looks at; the fields as they stand where they cannot be read."""
    try:
        table = settings_table(recipe.recipe_of(scene))
    except RecipeError:
        said: dict[str, object] = {"recipe": scene.takemill.recipe}
        fields = (field.name for field in recipe.FIELDS if field.table == "repair")
        return said | {name: getattr(scene.takemill, name) for name in fields}
    return {name: table[name] for name in ("intake", "repair", "contacts", "pin")}
