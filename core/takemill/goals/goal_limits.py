"""Limits of what goals may ask of arms, shoulders and trunk: soft ones, so that nothing snaps."""

from __future__ import annotations

import numpy as np

from ..base.checks import Array
from ..maths import quat
from ..maths.easing import smoothstep

MAX_SHOULDER_RAD = np.radians(25.0)
"""As far as a collar bone is turned: about as far as people's (no source)."""

_TINY = 1e-9  # keeps lengths of nothing from being divided by
# Of an arm's length: from where on shoulder and trunk come along, and how softly. Trial: goals_table.py.
_EASY_SHARE, _SOFT_SHARE = 0.94, 0.06
# An arm straightens softly from the first share of its length on, by the second at most. Trial:
# goals_table.py.
_BENT_SHARE, _STRETCH_SHARE = 0.95, 0.045
# An arm that was straight, and bends to less than this, goes all the way. Trial: on all fours
# (test_keep_supports.py) hands were 11 to 20 mm under the floor without it.
_FREE_SHARE = 0.8


def beyond(far: Array, length: Array) -> Array:
    """How much (N,) of a distance an arm should not have to reach: 0, then softly all that is more."""
    soft = _SOFT_SHARE * length
    over = far - _EASY_SHARE * length
    bent = np.maximum(over + soft, 0.0) ** 2 / (4 * soft)
    return np.where(over > soft, over, bent)


def within_reach(far: Array, own: Array, length: Array) -> Array:
    """Distances (N,) for wrists wanted at `far` (N,): softly less than an arm's whole length (N,).

    An arm that its fit holds straighter, with the wrist at `own` (N,), stretches by what is left of that, and
    bends softly from there.
    """
    limit = (_BENT_SHARE + _STRETCH_SHARE) * length
    held = _capped(own, length)
    room = np.clip((limit - own) / np.maximum(limit - held, _TINY), 0.0, 1.0)
    near = _capped(far, length)
    whole = np.maximum(length, _TINY)
    straight = smoothstep(np.clip((far / whole - _FREE_SHARE) / (_BENT_SHARE - _FREE_SHARE), 0.0, 1.0))
    return np.where(far > own, own + (near - held) * room, near + straight * (own - held))


def _capped(far: Array, length: Array) -> Array:
    """Distances (N,) that an arm of these lengths (N,) reaches from hanging: softly less than all of it."""
    over = np.maximum(far - _BENT_SHARE * length, 0.0)
    room = _STRETCH_SHARE * length
    return np.minimum(far, _BENT_SHARE * length) + room * np.tanh(over / room)


def softened(turn: Array, limit: float) -> Array:
    """Rotation vectors (N, 3) that never turn by more than a limit, radians; small ones stay as they are."""
    size = quat.length(turn)[:, None]
    return turn * np.where(size > _TINY, limit * np.tanh(size / limit) / np.maximum(size, _TINY), 1.0)


def added(before: Array, turn: Array, limit: float) -> Array:
    """What was asked for in all (N, 3): what softened to `before`, and `turn` more."""
    size = np.minimum(quat.length(before)[:, None], 0.999 * limit)
    asked = limit * np.arctanh(size / limit)
    return before * np.where(size > _TINY, asked / np.maximum(size, _TINY), 1.0) + turn
