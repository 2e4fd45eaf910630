"""The meshes that an armature bends, undeformed, as the engine's arrays."""

from __future__ import annotations

import bpy
import numpy as np

from takemill.base.checks import Array, Index
from takemill.maths import quat
from takemill.shape.skin import HELD_BY, Skin

from .mesh_soles import deformed_meshes, vertices_of
from .rig import ArmatureFrame, Rig


def skin_of(armature: bpy.types.Object, rig: Rig, frame: ArmatureFrame) -> Skin:
    """The vertices and faces that hang on an armature's bones, standing as `frame` has the bones at rest.

    Objects hidden from the viewport are left out, as the animator does not see them.
    """
    place = {name: joint for joint, name in enumerate(rig.names)}
    to_armature = np.linalg.pinv(np.array(armature.matrix_world, np.float64))
    points: list[Array] = [np.zeros((0, 3))]
    joints: list[Index] = [np.zeros((0, HELD_BY), np.intp)]
    weights: list[Array] = [np.zeros((0, HELD_BY))]
    triangles: list[Index] = [np.zeros((0, 3), np.intp)]
    for mesh in deformed_meshes(armature):
        if mesh.hide_viewport or not mesh.data.vertices:
            continue
        way = to_armature @ np.array(mesh.matrix_world, np.float64)
        given = vertices_of(mesh) @ way[:3, :3].T + way[:3, 3]
        held, share = _holders(mesh, place)
        triangles.append(_faces(mesh) + sum(map(len, points)))
        points.append(frame.size * quat.rotate(frame.rotation, given) + frame.translation)
        joints.append(held)
        weights.append(share)
    return Skin(*map(np.concatenate, (points, joints, weights, triangles)))


def _holders(mesh: bpy.types.Object, place: dict[str, int]) -> tuple[Index, Array]:
    """The bones (V, 4) that each vertex hangs on most, and how much (V, 4)."""
    bones = [place.get(group.name, -1) for group in mesh.vertex_groups]
    count = len(mesh.data.vertices)
    joints, weights = np.zeros((count, HELD_BY), np.intp), np.zeros((count, HELD_BY))
    for number, vertex in enumerate(mesh.data.vertices):
        mine = [(one.weight, bones[one.group]) for one in vertex.groups if one.weight > 0]
        best = sorted(((w, bone) for w, bone in mine if bone >= 0), reverse=True)[:HELD_BY]
        for k, (weight, bone) in enumerate(best):
            joints[number, k], weights[number, k] = bone, weight
    total = weights.sum(axis=1, keepdims=True)
    return joints, weights / np.where(total > 0, total, 1.0)


def _faces(mesh: bpy.types.Object) -> Index:
    """The mesh's faces as triangles (T, 3)."""
    mesh.data.calc_loop_triangles()
    buffer = np.empty(3 * len(mesh.data.loop_triangles), np.int32)
    mesh.data.loop_triangles.foreach_get("vertices", buffer)
    return buffer.reshape(-1, 3).astype(np.intp)
