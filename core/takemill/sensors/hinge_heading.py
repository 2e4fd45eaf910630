"""What a hinge tells about the headings of its two segments: arrays only.

A knee and an elbow bend about one axis: a in the frame of the segment above, b in that of the segment below.
With the right headings both point the same way in the world. So where the axis is not upright, the heading
between the segments is known at each moment, but for what bends beside the axis; and the axes themselves are
those that the take as a whole fits best. So what a hinge tells is how that heading changes.

Source: Laidig, Schauer and Seel, ICORR 2017 (the constraint); the axes from the plane through the origin on
which the rotations of a hinge lie as unit quaternions (see `hinges`).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ..base.checks import Array
from ..maths import quat

HINGED_PARTS = ("LowerArm", "LowerLeg")
_MIN_SWING = 3.0  # times as far as across it a hinge turns about its axis
_MAX_ACROSS_RAD = np.radians(12.0)  # RMS; more is no hinge, or a forearm that turns its palm
_FLOOR_RAD = np.radians(0.2)  # that a hinge is known to at best
_AXIS_RAD = np.radians(10.0)  # by which its axes may be corrected in a round
_OFFSET_RAD = np.radians(1.0)  # of its heading for good; by trial: 3 tells less of what changes
_BLOCKS_S = (0.5, 1.0, 2.0, 4.0)  # over which errors of a hinge may go on alike
_HUBER = 1.5  # standard deviations from which a sample counts less


@dataclass(frozen=True)
class Rows:
    """R linear equations about the heading between two segments.

    Attributes:
        turns: (R, K) how much of the difference of their headings at each of K knots.
        own: (R, C) of unknowns that the joint has for itself.
        values: (R,) radians.
        weights: (R,) inverse variances.
        own_weights: (C,) inverse variances of the unknowns, about 0.
        spread_rad: standard deviation of what is left.
    """

    turns: Array
    own: Array
    values: Array
    weights: Array
    own_weights: Array
    spread_rad: float


def hinge_rows(upper: Array, lower: Array, apart: Array, hats: Array, rate: float) -> Rows | None:
    """The equations of a hinge, or None for a joint that is none.

    Args:
        upper: (S, 4) orientations of the segment above, turned back by its heading so far.
        lower: (S, 4) the same of the segment below.
        apart: (S,) those headings, the lower one's less the upper one's.
        hats: (S, K) how much of each knot a sample has.
        rate: samples per second.
    """
    turns = quat.continuous(quat.mul(quat.inv(upper), lower))
    powers, axes = np.linalg.eigh(turns.T @ turns / len(turns))
    across, along = 2 * np.sqrt(max(powers[0] + powers[1], 0.0)), 2 * np.sqrt(max(powers[2], 0.0))
    if across > _MAX_ACROSS_RAD or along < _MIN_SWING * across:
        return None
    most, next_most = axes[:, 3], axes[:, 2]
    above = _unit(quat.mul(next_most, quat.inv(most))[1:])
    below = _unit(quat.mul(quat.inv(most), next_most)[1:])
    one, other = quat.rotate(upper, above), quat.rotate(lower, below)
    sideways = quat.cross(np.array([0.0, 0.0, 1.0]), one)
    level = quat.length(sideways)  # 0 where the axis is upright, and nothing is known
    sideways /= np.maximum(level, 1e-6)[:, None]
    upward = quat.cross(one, sideways)
    off = np.einsum("si,si->s", one - other, sideways)
    tilted = np.einsum("si,si->s", one - other, upward)
    bent = [quat.rotate(q[:, None], _square_to(axis)) for q, axis in ((upper, above), (lower, below))]
    own = np.concatenate([bent[0], -bent[1]], axis=1)  # (S, 4, 3) how the axes' corrections move them
    beside, over = (np.einsum("ski,si->sk", own, way) for way in (sideways, upward))
    # And an offset of the heading for good: where the axes lie is never known so well as how that changes.
    beside, over = (np.column_stack([part, by]) for part, by in ((beside, level), (over, 0 * level)))
    spread = np.sqrt(np.median(off**2) / 0.455) + _FLOOR_RAD
    weights = 1 / (spread**2 * _alike(off, spread, rate))
    weights = weights / np.maximum(np.abs(off) / (_HUBER * spread), 1)
    return Rows(
        np.concatenate([hats * level[:, None], np.zeros_like(hats)]),
        np.concatenate([beside, over]),
        np.concatenate([level * apart - off, -tilted]),
        np.concatenate([weights, weights]),
        1 / np.array([_AXIS_RAD] * (beside.shape[1] - 1) + [_OFFSET_RAD]) ** 2,
        float(spread),
    )


def _unit(vector: Array) -> Array:
    unit: Array = vector / np.linalg.norm(vector)
    return unit


def _square_to(axis: Array) -> Array:
    """Two unit vectors (2, 3) square to an axis (3,) and to each other."""
    first = _unit(np.cross(axis, np.eye(3)[int(np.argmin(np.abs(axis)))]))
    return np.stack([first, np.cross(axis, first)])


def _alike(off: Array, spread: float, rate: float) -> float:
    """How many neighbouring samples' errors (S,) go on alike: what they count for less, at least 1."""
    clipped = np.clip(off, -4 * spread, 4 * spread)
    most = 1.0
    for seconds in _BLOCKS_S:
        size = max(round(seconds * rate), 1)
        count = len(off) // size
        if count >= 4:
            means = clipped[: count * size].reshape(count, size).mean(axis=1)
            most = max(most, float(np.mean(means**2)) * size / spread**2)
    return most
