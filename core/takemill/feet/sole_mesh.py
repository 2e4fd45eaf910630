"""What the mesh of a character shows of its soles: vertices that can touch the floor, as they are skinned.

A heel often hangs on foot and shin alike, so that no point of the foot alone is as low as it is seen to be.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np

from ..base.checks import Array, Index, Mask
from ..body.posed import Posed
from ..body.skeleton import Skeleton
from ..maths import quat

# Of a mesh's height: what lies lower stands on the floor; joints that lie higher do not (a shin may have
# vertices of the heel). Common practice, no source.
_MAX_FLOOR_HEIGHT, _MAX_JOINT_HEIGHT = 0.02, 0.15
# Of a vertex's strongest weight, that makes it another joint's, too: heels often hang on foot and shin alike.
_MIN_SOLE_SHARE = 0.6
# A sole is kept as the points that touch a floor which leans by so much, any way: enough for feet that roll.
_LEANS_RAD, _AZIMUTHS = np.radians([10.0, 20.0, 35.0, 50.0]), 8


@dataclass(frozen=True)
class SoleVertices:
    """Vertices of soles, a row for each joint that one hangs on: P rows in all.

    Attributes:
        joints: (P,) the joint.
        points: (P, 3) where that joint alone would have the vertex, in its space.
        vertices: (P,) numbers from 0 on that tell which rows are one vertex.
        weights: (P,) how much it hangs on the joint.
    """

    joints: tuple[int, ...] = ()
    points: Array = field(default_factory=lambda: np.zeros((0, 3)))
    vertices: tuple[int, ...] = ()
    weights: Array = field(default_factory=lambda: np.zeros(0))

    def among(self, place: Mapping[int, int]) -> SoleVertices:
        """The rows of some joints, which have these numbers from now on."""
        kept = [k for k, joint in enumerate(self.joints) if joint in place]
        return SoleVertices(
            tuple(place[self.joints[k]] for k in kept),
            self.points[kept],
            tuple(self.vertices[k] for k in kept),
            self.weights[kept],
        )


def find_sole_vertices(
    joints: Index,
    weights: Array,
    stands: Array,
    rotations: Array,
    positions: Array,
    up: Array,
    height: float = 0.0,
) -> SoleVertices:
    """The vertices of a mesh that can touch the floor, few for each joint.

    Args:
        joints: (V, S) what each vertex hangs on; -1 for nothing.
        weights: (V, S) by how much.
        stands: (V, S, 3) where each of these joints alone would have it at rest.
        rotations: (J, 4) of the joints at rest in the same space.
        positions: (J, 3)
        up: (3,) which way is up there.
        height: of the whole mesh, where these are its lower part.
    """
    weights = np.where(joints >= 0, weights, 0.0)
    holds = (weights > 0) & (weights >= _MIN_SOLE_SHARE * weights.max(axis=1, keepdims=True, initial=0.0))
    if not holds.any():
        return SoleVertices()
    heights = (stands @ up)[holds]
    low, height = float(heights.min()), height or float(np.ptp(heights))
    ways = _floor_normals(up)
    chosen: list[Index] = [np.zeros(0, np.intp)]
    for joint in np.unique(joints[holds]).tolist():
        vertex, slot = np.nonzero(holds & (joints == joint))
        points = stands[vertex, slot]
        near = (points @ up).min() <= low + _MAX_FLOOR_HEIGHT * height
        if near and positions[joint] @ up <= low + _MAX_JOINT_HEIGHT * height:
            chosen.append(vertex[(points @ ways.T).argmin(axis=0)])
    kept = np.unique(np.concatenate(chosen))
    number, slot = np.nonzero(weights[kept] > 0)
    owners = joints[kept[number], slot]
    inside = stands[kept[number], slot] - positions[owners]
    return SoleVertices(
        tuple(owners.tolist()),
        quat.rotate(quat.inv(rotations[owners]), inside),
        tuple(number.tolist()),
        weights[kept[number], slot],
    )


def _floor_normals(up: Array) -> Array:
    """The normals (W, 3) of a level floor and of such as lean any way."""
    side = np.cross(up, np.eye(3)[int(np.abs(up).argmin())])
    side /= np.linalg.norm(side)
    turns = 2 * np.pi * np.arange(_AZIMUTHS) / _AZIMUTHS
    around = np.cos(turns)[:, None] * side + np.sin(turns)[:, None] * np.cross(up, side)
    leaning = [np.cos(lean) * up + np.sin(lean) * around for lean in _LEANS_RAD]
    return np.concatenate([up[None], *leaning])


def rows_below(skeleton: Skeleton, below: Index) -> Index:
    """The rows (N,) of the vertices of a skeleton's soles that hang on joints `below` most, or nearly so."""
    vertices, weights = np.asarray(skeleton.sole_vertices, np.intp), skeleton.sole_weights
    if not len(vertices):
        return vertices
    strongest = np.zeros(vertices.max() + 1)
    np.maximum.at(strongest, vertices, weights)
    holds = np.isin(skeleton.sole_joints, below) & (weights >= _MIN_SOLE_SHARE * strongest[vertices])
    return np.flatnonzero(np.isin(vertices, vertices[holds]))


def rest_points(skeleton: Skeleton, rows: Index) -> Array:
    """The vertices (V, 3) of some rows (N,), in the reference pose, in the order of their numbers."""
    joints = np.asarray(skeleton.sole_joints, np.intp)[rows]
    rotations, positions = skeleton.reference_model
    stands = positions[joints] + quat.rotate(rotations[joints], skeleton.sole_points[rows])
    order, share = _shares(skeleton, rows)
    out = np.zeros((len(np.unique(order)), 3))
    np.add.at(out, order, share[:, None] * stands)
    return out


def lowest_heights(posed: Posed, rows: Index, groups: Mask) -> Array:
    """How high (F, G) the lowest vertex of each group lies as skinned; infinite for one without any.

    Args:
        posed: on a skeleton whose soles a mesh shows.
        rows: (N,) of its soles.
        groups: (G, V) which of their V vertices, in the order of their numbers, belong to each.
    """
    heights = vertex_places(posed, rows, (2,))[0]
    return np.stack([heights[:, group].min(axis=1, initial=np.inf) for group in groups], axis=1)


def vertex_places(posed: Posed, rows: Index, axes: Sequence[int] = (0, 1, 2)) -> Array:
    """Where the V vertices of some rows (N,) are as skinned, in model space: (A, F, V), some axes of it."""
    skeleton = posed.motion.skeleton
    order, share = _shares(skeleton, rows)
    joints = np.asarray(skeleton.sole_joints, np.intp)[rows]
    places = np.zeros((len(axes), len(posed.motion), len(np.unique(order))))
    for joint in np.unique(joints).tolist():
        mine = joints == joint
        parts = np.zeros((4, places.shape[-1]))
        inside = np.insert(skeleton.sole_points[rows[mine]], 3, 1.0, axis=1)
        np.add.at(parts.T, order[mine], share[mine, None] * inside)
        turned, at = posed.at(joint)
        matrix = quat.to_matrix(turned)
        for n, axis in enumerate(axes):
            places[n] += np.insert(matrix[:, axis], 3, at[:, axis], axis=1) @ parts
    return places


def _shares(skeleton: Skeleton, rows: Index) -> tuple[Index, Array]:
    """Which vertex of theirs each of some rows (N,) is, and its share of that vertex (N,)."""
    _, order = np.unique(np.asarray(skeleton.sole_vertices, np.intp)[rows], return_inverse=True)
    weights = skeleton.sole_weights[rows]
    return order, weights / np.bincount(order, weights)[order]
