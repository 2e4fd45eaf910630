"""The middle of scattered points, wherever their axes lie."""

from __future__ import annotations

import numpy as np

from ..base.checks import Array

_STEPS = 200  # at most (chosen by eye)
_CLOSE = 1e-13  # of the points' spread: nearer than that, steps end


def middle(points: Array) -> Array:
    """The point (D,) whose distances to the points (N, D) have the least sum: outliers count little.

    A median of each component would depend on the axes; this one turns with them. Iterated as Weiszfeld did
    (1937; as described by Vardi and Zhang 2000, PNAS 97(4), whose rule it takes where a step meets a point;
    from memory).
    """
    at: Array = points.mean(axis=0)
    spread = float(np.linalg.norm(points - at, axis=1).max(initial=0.0))
    for _ in range(_STEPS if spread > 0 else 0):
        away = points - at
        far = np.linalg.norm(away, axis=1)
        there = far <= _CLOSE * spread
        weight = np.where(there, 0.0, 1.0 / np.where(there, 1.0, far))
        pull = weight @ away
        if not weight.any() or np.linalg.norm(pull) <= there.sum():
            break
        held = 1.0 - there.sum() / np.linalg.norm(pull)
        step = held * pull / weight.sum()
        at = at + step
        if np.linalg.norm(step) <= _CLOSE * spread:
            break
    return at
