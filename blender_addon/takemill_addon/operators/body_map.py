"""A body map saved, loaded, and carried from one side to the other."""

from __future__ import annotations

from pathlib import Path

import bpy
import numpy as np
from bpy_extras.io_utils import ExportHelper, ImportHelper

from takemill.base.disk import write_whole
from takemill.base.errors import InputError
from takemill.body.body_map import BodyMap
from takemill.recipe.recipe import Recipe, read_recipe
from takemill.recipe.recipe_write import recipe_toml

from ..bridge.rigs.rig import ArmatureFrame, read_rig
from ..bridge.scene import paths
from ..bridge.takes import stage

_SAME_PLACE_SHARE = 0.03  # of the height of the bones: as near two bones of a symmetric rig mirror each other


def _some_parts(context: bpy.types.Context) -> str:
    """Needs a body map with bones."""
    armature = stage.armature_of(context)
    return "" if armature and stage.any_part(armature) else "No part is mapped yet"


class TAKEMILL_OT_save_body_map(stage.Stage, bpy.types.Operator, ExportHelper):
    """Write the body map as the [body] of a recipe (TOML): for other files, and for recipes"""

    bl_idname = "takemill.save_body_map"
    bl_label = "Save Body Map"
    needs = (stage.an_armature, _some_parts)
    filename_ext = ".toml"

    filepath: paths.property_of_a_file()
    filter_glob: bpy.props.StringProperty(default="*.toml", options={"HIDDEN"})

    def invoke(self, context, event):
        name = bpy.path.clean_name(stage.armature_of(context).name)
        self.filepath = paths.beside(f"{name}_body.toml")
        return super().invoke(context, event)

    def run(self, context: bpy.types.Context) -> str:
        armature, path = stage.armature_of(context), paths.absolute(self.filepath)
        parts = {part.name: part.bone for part in armature.takemill.parts if part.bone}
        write_whole(path, recipe_toml(Recipe(body=parts)).encode())
        return f"{len(parts)} parts in {Path(path)}"


class TAKEMILL_OT_load_body_map(stage.Stage, bpy.types.Operator, ImportHelper):
    """Read a body map from a recipe (TOML): its [characters.NAME.body] for this armature, else its [body]"""

    bl_idname = "takemill.load_body_map"
    bl_label = "Load Body Map"
    needs = (stage.an_armature, stage.not_linked)
    filename_ext = ".toml"

    filepath: paths.property_of_a_file()
    filter_glob: bpy.props.StringProperty(default="*.toml", options={"HIDDEN"})

    def run(self, context: bpy.types.Context) -> str:
        armature, path = stage.armature_of(context), paths.absolute(self.filepath)
        loaded = read_recipe(path)
        own = loaded.characters.get(armature.name)
        given = (own.body if own and own.body else None) or loaded.body
        if not given:
            raise InputError(f"{path}: it holds no [body] and no [characters.{armature.name}.body]")
        skeleton = ArmatureFrame.of(armature).standing.world_skeleton(read_rig(armature).skeleton)
        known = {part.name: part.bone for part in armature.takemill.parts if part.bone}
        parts = {part: bone for part, bone in (known | dict(given)).items() if bone}
        stage.keep_body(armature, BodyMap.from_names(skeleton, parts), skeleton)
        return f"{len(given)} parts of {armature.name} from {Path(path)}"


class TAKEMILL_OT_mirror_body_map(stage.Stage, bpy.types.Operator):
    """Map the parts of one side to the bones that mirror the other side's, by names, else by places"""

    bl_idname = "takemill.mirror_body_map"
    bl_label = "Mirror Body Map"
    needs = (stage.an_armature, stage.not_linked, _some_parts)

    side: bpy.props.EnumProperty(
        name="From",
        items=(
            ("left", "Left to Right", "The left side is mapped as it should be"),
            ("right", "Right to Left", "The right side is mapped as it should be"),
        ),
        description="The side that is mapped as it should be",
    )

    def invoke(self, context, event):
        return self.ask(context)

    def run(self, context: bpy.types.Context) -> str:
        armature = stage.armature_of(context)
        skeleton = ArmatureFrame.of(armature).standing.world_skeleton(read_rig(armature).skeleton)
        known = {part.name: part.bone for part in armature.takemill.parts if part.bone}
        mine = {part: bone for part, bone in known.items() if part.startswith(self.side)}
        if not mine:
            raise InputError(f"body map: no part of the {self.side} side is mapped")
        other = "right" if self.side == "left" else "left"
        kept = {part: bone for part, bone in known.items() if not part.startswith(other)}
        missing = []
        for part, bone in mine.items():
            twin = _twin(armature, bone)
            if twin is None or twin in kept.values():
                missing.append(bone)
            else:
                kept[part.replace(self.side, other, 1)] = twin
        stage.keep_body(armature, BodyMap.from_names(skeleton, kept), skeleton)
        text = f"{len(mine) - len(missing)} parts of the {other} side mapped"
        return f"{text}; no bone mirrors {', '.join(missing)}" if missing else text


def _twin(armature: bpy.types.Object, bone: str) -> str | None:
    """The bone that mirrors another, by its name, else by its place; None where there is none."""
    bones = armature.data.bones
    flipped = bpy.utils.flip_name(bone)
    if flipped != bone and flipped in bones:
        return flipped
    heads = np.array([(*one.head_local, *one.tail_local) for one in bones], np.float64)
    wanted = np.array((*bones[bone].head_local, *bones[bone].tail_local)) * [-1, 1, 1, -1, 1, 1]
    away = np.abs(heads - wanted).max(axis=1)
    best = int(away.argmin())
    near = away[best] < _SAME_PLACE_SHARE * float(np.ptp(heads[:, 2]) or 1.0)
    return bones[best].name if near and bones[best].name != bone else None


CLASSES = (TAKEMILL_OT_save_body_map, TAKEMILL_OT_load_body_map, TAKEMILL_OT_mirror_body_map)
