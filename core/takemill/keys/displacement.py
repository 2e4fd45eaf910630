"""How far a pose that is slightly off displaces what hangs on the joints.

A joint carries skin around it, so it is not enough that joints stay in place: their turning must not
move the skin. Each joint therefore has a reach, and its displacement is the largest of any point of the
ball of that radius around it, and of its tips.
"""

from __future__ import annotations

import numpy as np

from ..base.checks import Array, Index, Mask
from ..body.skeleton import Skeleton
from ..maths import quat

_MIN_REACH_M = 0.02  # the skin about the smallest joint, a finger's (by eye; a third less changes no byte)


def reaches(skeleton: Skeleton, probe_m: float) -> Array:
    """The reach (J,) of each joint, metres: `probe_m`, or less where all its bones are shorter.

    A finger's skin lies nearer to its joint than a thigh's (common practice, no source). A joint
    without bones or tips reaches `probe_m`.
    """
    longest = np.zeros(len(skeleton))
    for joint, length in _bones(skeleton):
        longest[joint] = max(longest[joint], length)
    least = min(_MIN_REACH_M, probe_m)
    return np.where(longest > 0, np.clip(longest, least, probe_m), probe_m)


def levers(skeleton: Skeleton, reach: Array, held: Mask) -> Array:
    """How far (J,) from each joint its own turn is felt, metres.

    Args:
        skeleton: the joints.
        reach: (J,) the reach of each joint, metres.
        held: (J,) joints whose own rotation makes up for their parent's turn; it is not felt below them.
    """
    out = reach.copy()
    for joint, length in _bones(skeleton):
        out[joint] = max(out[joint], length)
    for joint in range(len(skeleton) - 1, 0, -1):
        parent = skeleton.parents[joint]
        if parent >= 0 and not held[joint]:
            length = float(np.linalg.norm(skeleton.rest_translation[joint]))
            out[parent] = max(out[parent], length + out[joint])
    return out


def _bones(skeleton: Skeleton) -> list[tuple[int, float]]:
    """Joint and length of every bone: to a child or a tip, metres."""
    lengths = np.linalg.norm(skeleton.rest_translation, axis=-1)
    bones = [(parent, float(lengths[joint])) for joint, parent in enumerate(skeleton.parents) if parent >= 0]
    tips = np.linalg.norm(skeleton.tip_offsets, axis=-1)
    return bones + [(joint, float(length)) for joint, length in zip(skeleton.tip_joints, tips, strict=True)]


def ball_displacement(shifts: Array, turns: Array, radius: Array) -> Array:
    """The longest way (...) that a point of a ball moves, metres.

    Args:
        shifts: (..., 3) of the ball's centre, metres.
        turns: (..., 3) small rotation vectors about the centre, radians.
        radius: (...) metres.

    A point `o` of the ball moves by shift + turn x o; turn x o is any vector square to the turn of up
    to |turn| radius, so the longest sum lies in the plane of the shift and that vector.
    """
    angle = np.sqrt(np.einsum("...i,...i->...", turns, turns))
    dot = np.einsum("...i,...i->...", shifts, turns)
    along = np.divide(dot, angle, out=np.zeros_like(dot), where=angle > 0)
    square = np.einsum("...i,...i->...", shifts, shifts) - along**2
    return np.hypot(along, np.sqrt(np.maximum(square, 0)) + angle * radius)


def displacements(skeleton: Skeleton, reach: Array, rotations: Array, shifts: Array, turns: Array) -> Array:
    """The displacement (..., J) of each joint's ball and tips, metres.

    Args:
        skeleton: the joints.
        reach: (J,) metres.
        rotations: (..., J, 4) right rotations in model space, by which tips are placed.
        shifts: (..., J, 3) of the joints in model space, metres.
        turns: (..., J, 3) small rotation vectors of the joints in model space, radians.
    """
    out = ball_displacement(shifts, turns, reach)
    joints: Index = np.array(skeleton.tip_joints, np.intp)
    if len(joints):
        offsets = quat.rotate(rotations[..., joints, :], skeleton.tip_offsets)
        moved = np.linalg.norm(shifts[..., joints, :] + np.cross(turns[..., joints, :], offsets), axis=-1)
        for place, joint in enumerate(joints):
            out[..., joint] = np.maximum(out[..., joint], moved[..., place])
    return out
