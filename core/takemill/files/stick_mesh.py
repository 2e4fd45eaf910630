"""A mesh to see a skeleton by: one tapered stick per bone, each moved by one joint."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ..base.checks import Array, Index
from ..body.skeleton import Skeleton
from ..maths import quat

# Shapes chosen by eye.
_WAIST_SHARE = 0.15  # how far along a stick it is widest
_HALF_WIDTH_SHARE = 0.08  # half width, as a part of the stick's length
_KNOB_HEIGHTS = 0.01  # half size of the mark at a joint without a stick, as a part of the skeleton's height

# A stick along +Z of length 1: its foot, four corners of its waist, its head; seen from outside, each
# triangle runs counter-clockwise.
_STICK = np.array(
    [
        (0.0, 0.0, 0.0),
        (_HALF_WIDTH_SHARE, 0.0, _WAIST_SHARE),
        (0.0, _HALF_WIDTH_SHARE, _WAIST_SHARE),
        (-_HALF_WIDTH_SHARE, 0.0, _WAIST_SHARE),
        (0.0, -_HALF_WIDTH_SHARE, _WAIST_SHARE),
        (0.0, 0.0, 1.0),
    ]
)
# Corners of each triangle, from the list above.
_FACES = np.array([(0, 2, 1), (0, 3, 2), (0, 4, 3), (0, 1, 4), (5, 1, 2), (5, 2, 3), (5, 3, 4), (5, 4, 1)])


@dataclass(frozen=True)
class StickMesh:
    """Triangles around a skeleton's bones.

    Attributes:
        positions: (V, 3) at rest in model space, metres.
        joints: (V,) the joint that moves each vertex.
        triangles: (T, 3) vertices, counter-clockwise seen from outside.
    """

    positions: Array
    joints: Index
    triangles: NDArray[np.intp]


def stick_mesh(skeleton: Skeleton) -> StickMesh:
    """A stick from each joint to each of its children and tips; a knob for a joint that has none."""
    _, at = skeleton.rest_model
    bones = [(parent, at[joint]) for joint, parent in enumerate(skeleton.parents) if parent >= 0]
    bones += list(zip(skeleton.tip_joints, skeleton.rest_tips, strict=True))
    bones = [(joint, end) for joint, end in bones if np.linalg.norm(end - at[joint]) > 0]
    size = _KNOB_HEIGHTS * (skeleton.height or 1.0)
    for joint in set(range(len(skeleton))) - {joint for joint, _ in bones}:
        bones.append((joint, at[joint] + [0.0, 0.0, 2 * size]))
    bones.sort(key=lambda bone: bone[0])
    joints = np.array([joint for joint, _ in bones], np.intp)
    along = np.array([end for _, end in bones]) - at[joints]
    turns = quat.between(np.broadcast_to([0.0, 0.0, 1.0], along.shape), along)
    lengths = np.linalg.norm(along, axis=-1)[:, None, None]
    positions = at[joints][:, None] + quat.rotate(turns[:, None], _STICK * lengths)
    starts = len(_STICK) * np.arange(len(bones))[:, None, None]
    return StickMesh(
        positions.reshape(-1, 3), np.repeat(joints, len(_STICK)), (_FACES + starts).reshape(-1, 3)
    )
