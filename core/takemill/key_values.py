"""The values of keys: fitted to a curve by least squares, and played between. Components come first."""

from __future__ import annotations

import numpy as np

from . import reduce_planes as planes
from .checks import Mask
from .key_times import Spans
from .reduce_planes import Planes

_STEPS = 6  # each leaves less than half of what was missing
_TOWARDS = 0.85  # the part of the way to the least squares that keeps the largest gaps smallest (by trial)


def fitted(curves: Planes, spans: Spans, held: Mask) -> Planes:
    """Values (D, K) at keys whose chords lie near curves (D, N): most of the way to the least squares.

    The normal equations of hat functions have three diagonals; Jacobi's iteration solves them (Golub and
    Van Loan, Matrix Computations, 4th edition, section 11.2).

    Args:
        curves: (D, N), flat.
        spans: the keys, as flat places.
        held: (K,) keys that stay on the curve.
    """
    values = curves[:, spans.keys]
    if not len(spans.inside):
        return values
    low, part = spans.low, spans.part
    gap = curves[:, spans.inside] - (values[:, low] * (1 - part) + values[:, low + 1] * part)
    first = np.flatnonzero(np.diff(low, prepend=-1))
    span = low[first]
    right = np.zeros_like(values)
    right[:, span] = np.add.reduceat(gap * (1 - part), first, axis=1)
    right[:, span + 1] += np.add.reduceat(gap * part, first, axis=1)
    length = np.diff(spans.keys).astype(curves.dtype)
    own = (length - 1) * (2 * length - 1) / (6 * length)  # the sum of squares of part inside a span
    beside = (length * length - 1) / (6 * length)  # and of part (1 - part)
    whole = np.ones(len(spans.keys), curves.dtype)
    whole[:-1] += own
    whole[1:] += own
    free = ~held
    right, beside = right * free / whole, beside * free[:-1] * free[1:]
    before, after = beside / whole[1:], beside / whole[:-1]
    step = right
    for _ in range(_STEPS):
        step, last = right.copy(), step
        step[:, 1:] -= before * last[:, :-1]
        step[:, :-1] -= after * last[:, 1:]
    return values + _TOWARDS * step


def played(values: Planes, spans: Spans, size: int) -> Planes:
    """What keys (D, K) play on all N = `size` frames (D, N): slerp for quaternions, else straight lines."""
    out = np.empty((len(values), size), values.dtype)
    out[:, spans.keys] = values
    a, b = values[:, spans.low], values[:, spans.low + 1]
    straight = len(values) != 4
    out[:, spans.inside] = a + (b - a) * spans.part if straight else planes.slerp(a, b, spans.part)
    return out
