"""A walker in Blender with a tail that the take does not move."""

from __future__ import annotations

from pathlib import Path

import bpy

import small_takes
from blender_scene import empty_scene, import_bvh

TAIL = ("tail_1", "tail_2", "tail_3")


def add_tail(folder: Path) -> bpy.types.Object:
    """A walker in an empty scene, its body mapped, with a tail of three bones behind its hips."""
    empty_scene(30)
    walker = import_bvh(small_takes.stand_and_walk(), folder, root=True)
    hips = walker.takemill.parts["hips"].bone
    bpy.ops.object.mode_set(mode="EDIT")
    bones = walker.data.edit_bones
    head, parent = bones[hips].head.copy(), bones[hips]
    head.y += 0.12
    for name in TAIL:
        bone = bones.new(name)
        bone.head, bone.tail = head, (head.x, head.y + 0.15, head.z - 0.04)
        bone.parent, bone.roll = parent, 0.7
        parent, head = bone, bone.tail.copy()
    bpy.ops.object.mode_set(mode="OBJECT")
    bpy.ops.takemill.map_body()
    return walker
