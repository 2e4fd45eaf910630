"""The values of keys: fitted to a curve, and played between. Components come first."""

from __future__ import annotations

import numpy as np

from ..base.checks import Mask
from . import reduce_planes as planes
from .key_times import Spans
from .reduce_planes import Planes

_MAX_STEPS = (
    3  # of the fit; each leaves a third of what was missing; 2 or 4 change no byte (sensitivity_keys.py)
)


def fit_values(curves: Planes, spans: Spans, held: Mask) -> Planes:
    """Values (D, K) at keys whose chords lie near curves (D, N).

    The squares of the gaps at keys and at the middles of spans are least together: on an arc both are half of
    what they are in the middles where keys lie on the curve, and no smaller bound is met by chords.
    The normal equations have three diagonals; Jacobi's iteration solves them (Golub and Van Loan, Matrix
    Computations, 4th edition, section 11.2).

    Args:
        curves: (D, N), flat.
        spans: the keys, as flat places.
        held: (K,) keys that stay on the curve.
    """
    values = curves.take(spans.keys, axis=1, mode="clip")
    if not len(spans.inside):
        return values
    length = np.diff(spans.keys)
    ahead = length // 2
    middle = curves.take(spans.keys[:-1] + ahead, axis=1, mode="clip")
    part = (ahead / length).astype(values.dtype)
    arched = 4 * part * (1 - part)  # how much of an arc's height is seen there, 0 where no frame is inside
    inside = np.sign(arched)
    height = (middle - values[:, :-1] - np.diff(values, axis=1) * part) * (inside / (arched + 1 - inside))
    right = np.zeros_like(values)
    right[:, :-1] = height / 2
    right[:, 1:] += height / 2
    whole = np.ones(len(spans.keys), values.dtype)
    whole[:-1] += inside / 4
    whole[1:] += inside / 4
    free = ~held
    right *= free / whole
    beside = inside / 4 * (free[:-1] & free[1:])
    before, after = beside / whole[1:], beside / whole[:-1]
    step = right
    for _ in range(_MAX_STEPS):
        step, last = right.copy(), step
        step[:, 1:] -= before * last[:, :-1]
        step[:, :-1] -= after * last[:, 1:]
    values += step
    return values


def play(values: Planes, spans: Spans, size: int) -> Planes:
    """What keys (D, K) play on all N = `size` frames (D, N): slerp for quaternions, else straight lines."""
    out = np.empty((len(values), size), values.dtype)
    out[:, spans.keys] = values
    a, b = values.take(spans.low, axis=1, mode="clip"), values.take(spans.low + 1, axis=1, mode="clip")
    straight = len(values) != 4
    out[:, spans.inside] = a + (b - a) * spans.part if straight else planes.slerp(a, b, spans.part)
    return out
