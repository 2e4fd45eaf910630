"""What was kept in the axes of bones, after those were turned."""

from __future__ import annotations

import numpy as np

from ..base.checks import Array
from . import quat

_SAME_RAD = 1e-5  # bones that turned by less are where they were: single precision
_PASSES = 4  # until the bones that agree no longer change (test_rolls.py: four of twelve are bent)
_MIN_WIDTH_SHARE = 1e-3  # of how far directions spread, below which they tell no turn of the whole body


def turned_axes(then: Array, now: Array) -> Array:
    """How bones' axes then are seen in those of now (N, 4): what was kept in them is rotated by that.

    Bones lead along their Y axis. Where they lead says how the body was turned as a whole, and each bone
    besides; what is left of a bone's turn is its roll, which the body does not follow. One bone alone tells
    no turn.

    Args:
        then: (N, 4) at rest when something was kept.
        now: (N, 4) at rest.
    """
    same = np.broadcast_to(quat.IDENTITY, then.shape)
    if len(then) < 2 or quat.angle_between(then, now).max() < _SAME_RAD:
        return same
    ways, others = (quat.rotate(one, np.array([0.0, 1.0, 0.0])) for one in (then, now))
    whole = _whole_turn(ways, others)
    each = quat.between(quat.rotate(whole, ways), others)
    return quat.mul(quat.inv(now), quat.mul(each, quat.mul(whole, then)))


def _whole_turn(ways: Array, others: Array) -> Array:
    """The turn (4,) from most of the directions (N, 3) to others: a limb that was bent does not count."""
    turn, near = quat.IDENTITY, np.ones(len(ways), bool)
    for _ in range(_PASSES):
        turns = turn, _fit(ways[near], others[near])
        off = [np.linalg.norm(quat.rotate(one, ways) - others, axis=-1) for one in turns]
        best = int(np.median(off[1]) < np.median(off[0]))
        turn, near = turns[best], off[best] <= np.median(off[best])
    return turn


def _fit(ways: Array, others: Array) -> Array:
    """The turn (4,) that brings directions (N, 3) nearest to others; none where they tell none.

    Source: Kabsch, Acta Crystallographica A 32, 1976.
    """
    u, spread, v = np.linalg.svd(ways.T @ others)
    if spread[1] < _MIN_WIDTH_SHARE * spread[0]:
        return quat.IDENTITY
    return quat.from_matrix(v.T @ np.diag([1.0, 1.0, np.sign(np.linalg.det(v.T @ u.T))]) @ u.T)
