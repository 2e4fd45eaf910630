"""What a packed set says of its character: parts that its performer has and it lacks, bones that are held."""

from __future__ import annotations

from collections.abc import Iterable, Iterator

import bpy

from takemill.body.body_map import BodyMap
from takemill.sets.character_facts import CharacterFacts

from ..rigs.mesh_soles import deformed_meshes
from ..scene import actions


def facts_of(
    armature: bpy.types.Object, body: BodyMap, clips: Iterable[bpy.types.Action]
) -> CharacterFacts | None:
    """Of the armature whose clips these are; None where nothing was fitted to it and it has no mesh."""
    performers = performers_of(clips)
    if not performers and not any(deformed_meshes(armature)):
        return None
    return CharacterFacts.of(armature.name, map(_parts_of, performers), body, _held(armature))


def performers_of(clips: Iterable[bpy.types.Action]) -> list[bpy.types.Object]:
    """The armatures whose takes were fitted, by name: those of Actions that are still in the file."""
    found = {one.takemill.performer for clip in clips for one in actions.ancestry(clip)} - {None}
    return sorted(found, key=lambda one: one.name)


def _parts_of(performer: bpy.types.Object) -> list[str]:
    return [part.name for part in performer.takemill.parts if part.bone]


def _held(armature: bpy.types.Object) -> Iterator[str]:
    """The mapped bones that a constraint or a driver moves beside their keys."""
    mapped = {part.bone for part in armature.takemill.parts if part.bone}
    data = armature.animation_data
    driven = {curve.data_path.partition('"]')[0] for curve in data.drivers} if data else set()
    for name in mapped & {bone.name for bone in armature.pose.bones}:
        active = (one for one in armature.pose.bones[name].constraints if not one.mute and one.influence)
        if any(active) or f'pose.bones["{bpy.utils.escape_identifier(name)}' in driven:
            yield name
