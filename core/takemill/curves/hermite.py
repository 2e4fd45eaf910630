"""Cubic curves through keys on frames: played, and their slopes fitted.

The curves of a set lie one behind another: what is known of keys is a row of N numbers, without the frames
in between; sums over the frames between come from running sums. So a fit takes time by its keys only.
"""

from __future__ import annotations

from functools import lru_cache
from typing import NamedTuple

import numpy as np

from ..base.checks import Array, Index, Mask
from ..maths.easing import cubic_basis

_MAX_STEPS = 8  # of conjugate gradients; each slope depends on its neighbours only, so few are enough


def slopes_of(values: Array, loop: bool = False) -> Array:
    """How steep curves (C, F) are on every frame, per frame: half the way from the frame before to the next.

    The two ends of a loop are as steep as each other.
    """
    if values.shape[1] < 3:
        return np.zeros_like(values)
    out: Array = np.gradient(values, axis=1, edge_order=2)
    if loop:
        seam = (values[:, 1] - values[:, 0] + values[:, -1] - values[:, -2]) / 2
        out[:, 0] = out[:, -1] = seam
    return out


class Spans(NamedTuple):
    """The spans between the keys of C curves, which have one on their first and on their last frame.

    Attributes:
        shape: C and F.
        keys: (N,) the keys in the flat curves, in order.
        length: (N,) frames from each key to the next one of its curve; 0 for the last.
    """

    shape: tuple[int, int]
    keys: Index
    length: Index

    @classmethod
    def of(cls, keys: Mask) -> Spans:
        """Those of keys (C, F)."""
        at = np.flatnonzero(keys)
        length = np.diff(at, append=at[-1])
        length[at % keys.shape[1] == keys.shape[1] - 1] = 0
        return cls((keys.shape[0], keys.shape[1]), at, length)

    @property
    def firsts(self) -> Index:
        """(C,) which keys are the first of a curve."""
        return np.flatnonzero(self.keys % self.shape[1] == 0)

    def draw(self, powers: tuple[Array, ...], per_frame: int) -> Array:
        """Polynomials (N,) in u, 0 to 1 from key to key, at `per_frame` looks a frame (C, T)."""
        counts = np.maximum(self.length * per_frame, 1)
        starts = np.cumsum(counts) - counts
        step: Array = np.arange(starts[-1] + 1) - np.repeat(starts, counts).astype(np.float64)
        out = np.repeat(powers[-1] / counts ** (len(powers) - 1.0), counts)
        for power in range(len(powers) - 2, -1, -1):
            out *= step
            out += np.repeat(powers[power] / counts ** float(power), counts)
        return out.reshape(self.shape[0], -1)


def straight(values: Array, spans: Spans, per_frame: int) -> Array:
    """What keys of curves (C, F) play (C, T) by straight lines."""
    start = values.ravel()[spans.keys]
    return spans.draw((start, _rise(start, spans)), per_frame)


def smooth(values: Array, slopes: Array, spans: Spans, per_frame: int) -> Array:
    """What keys of curves (C, F) with slopes (N,), per frame, play (C, T): cubic Hermite splines."""
    start = values.ravel()[spans.keys]
    rise, out, back = _rise(start, spans), slopes * spans.length, np.roll(slopes, -1) * spans.length
    return spans.draw((start, out, 3 * rise - 2 * out - back, out + back - 2 * rise), per_frame)


def _rise(start: Array, spans: Spans) -> Array:
    return np.where(spans.length > 0, np.roll(start, -1) - start, 0.0)


class SlopeFit:
    """Slopes at keys with which curves come nearest to those wanted, by least squares over all looks.

    A slope pulls the frames up to the keys around it, so the normal equations have three diagonals. What
    they say of a span follows from its length and from sums of the wanted curve times powers of the time.
    """

    def __init__(self, wanted: Array, slopes: Array, per_frame: int) -> None:
        """`wanted` (C, T) at the looks; `slopes` (C, F) per frame, to begin with."""
        self._slopes, self._per_frame = slopes.ravel(), per_frame
        looks = np.arange(wanted.shape[1])
        self._middle = wanted.mean(axis=1)
        level = wanted - self._middle[:, None]
        self._sums = np.zeros((4, wanted.shape[0], wanted.shape[1] + 1))
        for power in range(4):
            np.cumsum(level * looks**power, axis=1, out=self._sums[power, :, 1:])

    def at(self, values: Array, spans: Spans, held: Mask) -> Array:
        """Slopes (N,) per frame, of curves (C, F) with keys that keep their values.

        Conjugate gradients with a diagonal preconditioner: Golub and Van Loan, Matrix Computations, 4th
        edition, section 11.5.2. They run on all curves at once.

        Args:
            values: (C, F) of which those at keys count.
            spans: between the keys.
            held: (N,) keys that keep the slope to begin with.
        """
        own, other, wish, pulled = self._equations(values, spans)
        scale = np.where(own > 0, own, 1.0)
        free, firsts = ~held, spans.firsts
        counts = np.diff(firsts, append=len(own))

        def sums(one: Array) -> Array:
            return np.repeat(np.add.reduceat(one, firsts), counts)

        def product(one: Array) -> Array:
            out = own * one
            out[:-1] += other[:-1] * one[1:]
            out[1:] += other[:-1] * one[:-1]
            return out

        out = self._slopes[spans.keys]
        left = np.where(free, wish + pulled - product(out), 0.0)
        step = left / scale
        size = sums(left * step)
        for _ in range(_MAX_STEPS):
            pushed = product(step) * free
            along = sums(step * pushed)
            factor = np.divide(size, along, out=np.zeros_like(size), where=along > 0)
            out, left = out + factor * step, left - factor * pushed
            before, size = size, sums(left * left / scale)
            step = left / scale + step * np.divide(size, before, out=np.zeros_like(size), where=before > 0)
        return out

    def _equations(self, values: Array, spans: Spans) -> tuple[Array, Array, Array, Array]:
        """The main and the upper diagonal (N,), and the right side by the curve wanted and by the keys."""
        length, frames = spans.length, spans.shape[1]
        row, first = spans.keys // frames, spans.keys % frames * self._per_frame
        count = np.maximum(length * self._per_frame, 1)
        # The sums over a span of the curve times u, u * u and u * u * u, from those of powers of the time.
        m = [self._sums[power][row, first + count] - self._sums[power][row, first] for power in range(4)]
        s = first.astype(np.float64)
        u1 = (m[1] - s * m[0]) / count
        u2 = (m[2] - s * (2 * m[1] - s * m[0])) / count**2.0
        u3 = (m[3] - s * (3 * m[2] - s * (3 * m[1] - s * m[0]))) / count**3.0
        table = _sums_of(int(length.max(initial=1)), self._per_frame)[:, length]
        start = values.ravel()[spans.keys] - self._middle[row]
        rise = _rise(start, spans)
        wish, pulled = length * (u1 - 2 * u2 + u3), -length * (start * table[0] + rise * table[1])
        wish[1:] += (length * (u3 - u2))[:-1]
        pulled[1:] += (length * (start * table[0] + rise * table[2]))[:-1]
        own = length**2.0 * table[3]
        own[1:] += own[:-1].copy()
        return own, -(length**2.0) * table[4], wish, pulled


@lru_cache(maxsize=8)
def _sums_of(longest: int, per_frame: int) -> Array:
    """Sums over the looks of spans of 0 to `longest` frames (5, L): of what slopes and keys pull each other.

    They are of e = u (1 - u)^2 and l = u^2 (1 - u), with s = 3 u^2 - 2 u^3: e (and l), e s, l s, e e (and
    l l), e l.
    """
    out = np.zeros((5, longest + 1))
    for length in range(1, longest + 1):
        u = np.arange(length * per_frame) / (length * per_frame)
        cubic = cubic_basis(u)
        early, late, rise = cubic.out_slope, -cubic.in_slope, cubic.late
        out[:, length] = [np.sum(one) for one in (early, early * rise, late * rise, early**2, early * late)]
    return out
