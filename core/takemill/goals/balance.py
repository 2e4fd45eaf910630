"""Whether what carries a body can carry it: its centre of mass stands over that, or beside it.

A body that keeps still over seconds has its centre of mass over what carries it. Where that lies beside the
feet, something else carries.
"""

from __future__ import annotations

import numpy as np

from ..base.checks import Array, Mask
from ..body.body_map import BodyMap
from ..body.body_parts import SIDES
from .goal_pose import GoalPose

# Shares of the body's mass, and how far along each part its centre lies (from memory: Dempster 1955, as
# biomechanics handbooks give it). Head and neck are taken at the head's joint.
_LIMBS = (
    ("UpperArm", "LowerArm", 0.028, 0.436),
    ("LowerArm", "Hand", 0.016, 0.430),
    ("Hand", "Hand", 0.006, 0.0),
    ("UpperLeg", "LowerLeg", 0.100, 0.433),
    ("LowerLeg", "Foot", 0.0465, 0.433),
    ("Foot", "Foot", 0.0145, 0.0),
)
_HEAD, _TRUNK = 0.081, 0.497
_WAYS = 24  # in which a place is looked at from, even; the distance is right within 1 %
_ROWS = 4096  # frames at a time, so that they stay in the processor's cache


def mass_joints(body: BodyMap) -> list[int]:
    """The joints that `centre_of_mass` reads."""
    limbs = [side + part for side in SIDES for pair in _LIMBS for part in pair[:2]]
    return [joint for part in ("hips", "neck", "head", *limbs) if (joint := body.get(part)) is not None]


def centre_of_mass(pose: GoalPose, body: BodyMap) -> Array:
    """(N, 3), metres, of a pose that holds `mass_joints`; parts that are not mapped weigh nothing."""
    at = {part: pose.at[joint] for part, joint in body.joints.items() if joint in pose.at}
    low = np.mean([at[f"{side}UpperLeg"] for side in SIDES], axis=0)
    top = at.get("neck", at.get("head", at["hips"]))
    total, mass = _TRUNK * (low + top) / 2, _TRUNK
    if "head" in at:
        total, mass = total + _HEAD * at["head"], mass + _HEAD
    for side in SIDES:
        for start, stop, share, along in _LIMBS:
            if side + start in at and side + stop in at:
                first, last = at[side + start], at[side + stop]
                total, mass = total + share * (first + along * (last - first)), mass + share
    return np.asarray(total / mass)


def reaches(centre: Array, points: Array, carries: Mask) -> Array:
    """How far (W, N) what carries a body reaches from under its centre of mass, seen from above, metres.

    In W ways, evenly about; -inf where nothing carries, below 0 where all that does lies the other way.

    Args:
        centre: (N, 3).
        points: (N, K, 3) that may carry.
        carries: (N, K) those that do.
    """
    turns = 2 * np.pi * np.arange(_WAYS // 2) / _WAYS
    cosine, sine = np.cos(turns)[:, None], np.sin(turns)[:, None]
    out = np.full((_WAYS, len(centre)), -np.inf)
    for k in range(points.shape[1]):
        rows = np.flatnonzero(carries[:, k])
        for start in range(0, len(rows), _ROWS):
            some = rows[start : start + _ROWS]
            x, y = (points[some, k, axis] - centre[some, axis] for axis in (0, 1))
            along = cosine * x + sine * y
            for ways, far in ((slice(None, _WAYS // 2), along), (slice(_WAYS // 2, None), -along)):
                out[ways, some] = np.maximum(out[ways, some], far)
    return out


def off_balance(reach: Array) -> Array:
    """How far (N,) a centre of mass lies beside what carries the body, by `reaches` (W, N); 0 over it."""
    return np.maximum(-reach.min(axis=0), 0.0)
