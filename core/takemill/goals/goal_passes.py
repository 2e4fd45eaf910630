"""Passes over arms: first over all frames of a batch, then over those that still move."""

from __future__ import annotations

import numpy as np

from ..base.checks import Index, Mask
from .goal_arms import STILL_M, Arms
from .goal_looks import correct, off, share_in_reach

_PASSES = 3  # each finds what the one before left: what is still missing, and gaps between all capsules
_LIFT_PASSES = 5  # where a wrist is lifted: the hand turns about what touches, which changes with it
_PART_SHARE = 0.8  # of the frames: a larger part is not worth being cut out (common practice, no source)


def reach_goals(arms: Arms) -> None:
    """Brings the hands to their goals; those that are far out of reach are let go."""
    if not arms.arms:
        return
    _solve(arms, 0)
    less = np.zeros(len(arms.pose), bool)
    for one in arms.asked:
        share = share_in_reach(one, arms.pose, arms.figure)
        one.weight = one.weight * share
        gone = np.flatnonzero(share < 1)
        if len(gone):
            one.short = np.zeros(len(one.rows))
            one.short[gone] = off(one, arms.pose, arms.figure, gone)
        less[one.rows[gone]] = True
    if less.any():
        rows = _needed(arms, less)
        part = arms.cut(rows)
        part.forget()
        _solve(part, 0)
        arms.put(rows, part)


def _solve(arms: Arms, done: int) -> None:
    """Passes over arms, of which so many are done, until they are still."""
    arms.once(again=done > 0)
    done += 1
    if done == (_LIFT_PASSES if any(one.lift.any() for one in arms.asked) else _PASSES):
        return
    rows = _moving(arms)
    if not len(rows):
        return
    if len(rows) > _PART_SHARE * len(arms.pose):
        _solve(arms, done)
    else:
        part = arms.cut(rows)
        _solve(part, done)
        arms.put(rows, part)


def _moving(arms: Arms) -> Index:
    """The frames (M,) of the pose that another pass would change."""
    moving = arms.changed > 1
    for one in arms.asked:
        moving[one.rows[correct(one, arms.pose, arms.figure) > STILL_M]] = True
    return _needed(arms, moving)


def _needed(arms: Arms, some: Mask) -> Index:
    """Some frames (N,) of the pose, and those that they depend on or that depend on them."""
    while True:
        wide = some.copy()
        for one in arms.asked:
            wide |= one.moving(some)
        if (wide == some).all():
            return np.flatnonzero(some)
        some = wide
