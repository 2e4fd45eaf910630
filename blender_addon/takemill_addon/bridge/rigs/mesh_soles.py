"""The soles that a character shows: the vertices of its meshes that can touch the floor, at rest."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

import bpy
import numpy as np

from takemill.base.checks import Array
from takemill.feet.sole_mesh import SoleVertices, find_sole_vertices

_LOW = 0.2  # of a mesh's height: feet lie in it, and only the weights of what lies there are read


def soles_of(armature: bpy.types.Object, place: Mapping[str, int], turned: Array, at: Array) -> SoleVertices:
    """The vertices of the soles of an armature's meshes, in its space.

    `place` has each bone's number by its name, `turned` (J, 4) and `at` (J, 3) are the bones at rest in the
    armature's space.
    """
    world = np.array(armature.matrix_world, np.float64)
    if abs(np.linalg.det(world[:3, :3])) < 1e-12:
        return SoleVertices()
    up = world[2, :3] / np.linalg.norm(world[2, :3])  # the world's Z in the armature's axes
    meshes = [
        (mesh, np.linalg.inv(world) @ np.array(mesh.matrix_world)) for mesh in deformed_meshes(armature)
    ]
    placed = [(mesh, vertices_of(mesh) @ way[:3, :3].T + way[:3, 3]) for mesh, way in meshes]
    placed = [(mesh, points) for mesh, points in placed if len(points)]
    if not placed:
        return SoleVertices()
    heights = np.concatenate([points @ up for _, points in placed])
    # What lies higher counts for the height alone.
    top = heights.min() + _LOW * np.ptp(heights)
    holders: list[list[tuple[float, int]]] = []
    low: list[Array] = []
    for mesh, points in placed:
        bones = [place.get(group.name, -1) for group in mesh.vertex_groups]
        for vertex in np.flatnonzero(points @ up <= top).tolist():
            groups = mesh.data.vertices[vertex].groups
            holders.append([(one.weight, bones[one.group]) for one in groups if bones[one.group] >= 0])
            low.append(points[vertex])
    shape = len(low), max(map(len, holders))
    joints, weights = np.full(shape, -1), np.zeros(shape)
    for number, mine in enumerate(holders):
        for k, (weight, bone) in enumerate(mine):
            joints[number, k], weights[number, k] = bone, weight
    stands = np.repeat(np.array(low)[:, None], shape[1], axis=1)
    return find_sole_vertices(joints, weights, stands, turned, at, up, float(np.ptp(heights)))


def deformed_meshes(armature: bpy.types.Object) -> Iterator[bpy.types.Object]:
    """The objects whose meshes the armature deforms."""
    for item in bpy.data.objects:
        if item.type != "MESH" or not item.vertex_groups:
            continue
        by_modifier = any(one.type == "ARMATURE" and one.object == armature for one in item.modifiers)
        if by_modifier or (item.parent == armature and item.parent_type == "ARMATURE"):
            yield item


def vertices_of(mesh: bpy.types.Object) -> Array:
    """The vertices (N, 3) in the object's space, undeformed."""
    buffer = np.empty(3 * len(mesh.data.vertices), np.float32)
    mesh.data.vertices.foreach_get("co", buffer)
    return buffer.reshape(-1, 3).astype(np.float64)
