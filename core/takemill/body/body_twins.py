"""Joints that lie in one place: of such twins the one that bends plays the part."""

from __future__ import annotations

from collections.abc import Collection

import numpy as np

from ..base.checks import Array
from ..maths import quat
from .body_parts import SIDES, BodyMap
from .motion import Motion
from .upright import sampled_frames

# All chosen by eye.
_MAX_TWIN_HEIGHTS = 0.01  # of the height: joints nearer than that are twins
_MIN_BEND_FACTOR = 2.0  # times as much must the twin bend
_MIN_BEND_RAD = np.radians(2.0)  # RMS; less is no bending
_ENDS = tuple(side + part for side in SIDES for part in ("Hand", "Foot"))


def settle_twins(motion: Motion, body: BodyMap, kept: Collection[str] = ()) -> BodyMap:
    """The map with hands and feet on the twin that bends in the motion; parts that are `kept` stay.

    Some files write a wrist twice, one joint for its twist and one for its bending, or one that never moves.
    """
    skeleton, joints = motion.skeleton, dict(body.joints)
    frames = sampled_frames(len(motion))
    at = skeleton.reference_model[1]
    near = _MAX_TWIN_HEIGHTS * skeleton.height
    for part in _ENDS:
        if part not in joints or part in kept:
            continue
        joint = joints[part]
        above = skeleton.parents[joint]
        around = [*skeleton.children[joint], *([above] if above >= 0 else [])]
        twins = [
            other
            for other in around
            if other not in joints.values() and np.linalg.norm(at[other] - at[joint]) < near
        ]
        bends = {other: _bend(motion, other, frames, at) for other in (joint, *twins)}
        best = max(bends, key=lambda other: bends[other])
        if bends[best] > max(_MIN_BEND_FACTOR * bends[joint], _MIN_BEND_RAD):
            joints[part] = best
    return BodyMap(joints)


def _bend(motion: Motion, joint: int, frames: Array, at: Array) -> float:
    """How much a joint turns its bone aside, RMS over frames (N,) of joints at (J, 3), radians."""
    skeleton = motion.skeleton
    ends = [
        quat.rotate(quat.inv(skeleton.reference_model[0][joint]), at[child] - at[joint])
        for child in skeleton.subtree(joint)[1:].tolist()
    ]
    ends += [
        tip for owner, tip in zip(skeleton.tip_joints, skeleton.tip_offsets, strict=True) if owner == joint
    ]
    turns = motion.rotations[frames, joint]
    if not ends or max(map(np.linalg.norm, ends)) < 1e-9:
        return 0.0
    longest = max(ends, key=lambda end: float(np.linalg.norm(end)))
    directions = quat.rotate(turns, longest / np.linalg.norm(longest))
    middle = directions.mean(axis=0)
    middle /= max(float(np.linalg.norm(middle)), 1e-12)
    off = np.arctan2(np.linalg.norm(np.cross(directions, middle), axis=-1), directions @ middle)
    return float(np.sqrt((off**2).mean()))
