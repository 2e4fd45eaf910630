"""The values of keys: fitted to a curve by least squares, and played between."""

from __future__ import annotations

import numpy as np

from . import quat
from .checks import Array, Index, Mask
from .key_times import neighbours

_STEPS = 10  # hat functions are so well conditioned that each step leaves about a third of the gap


def fitted(curves: Array, keys: Mask) -> Array:
    """Values at keys whose chords come nearest to curves; the first and last frame stay exact.

    Args:
        curves: (C, F, D).
        keys: (C, F), the ends among them.

    Returns:
        (C, F, D), meaningful at the keys only.

    Conjugate gradients with a diagonal preconditioner on the normal equations: Golub and Van Loan,
    Matrix Computations, 4th edition, section 11.5.2. They run on all channels at once.
    """
    if keys.all():
        return curves
    count, frames, width = curves.shape
    last, after = neighbours(keys)
    t = _part(last, after)[..., None]
    rows = np.arange(count)[:, None] * frames
    low, high = (rows + last).ravel(), (rows + after).ravel()
    free = keys.copy()
    free[:, [0, -1]] = False

    def lines(values: Array) -> Array:
        flat = values.reshape(-1, width)
        a, b = flat[low].reshape(curves.shape), flat[high].reshape(curves.shape)
        return a + (b - a) * t

    def gathered(values: Array) -> Array:  # the transpose of `lines`
        out = np.empty((count * frames, values.shape[-1]))
        for i in range(values.shape[-1]):
            share = values[..., i] * t[..., 0]
            out[:, i] = np.bincount(low, (values[..., i] - share).ravel(), len(out))
            out[:, i] += np.bincount(high, share.ravel(), len(out))
        return np.where(free[..., None], out.reshape(*values.shape), 0.0)

    squares = np.bincount(low, ((1 - t) ** 2).ravel(), count * frames)
    squares += np.bincount(high, (t**2).ravel(), count * frames)
    scale = np.where(squares > 0, squares, 1.0).reshape(count, frames, 1)
    values = np.where(keys[..., None], curves, 0.0)
    left = gathered(curves - lines(values))
    step = left / scale
    size = np.sum(left * step, axis=1, keepdims=True)
    for _ in range(_STEPS):
        pushed = gathered(lines(step))
        along = np.sum(step * pushed, axis=1, keepdims=True)
        far = np.divide(size, along, out=np.zeros_like(size), where=along > 0)
        values = values + far * step
        left = left - far * pushed
        before, size = size, np.sum(left * left / scale, axis=1, keepdims=True)
        step = left / scale + step * np.divide(size, before, out=np.zeros_like(size), where=before > 0)
    return values


def played(values: Array, keys: Mask) -> Array:
    """What keys (C, F, D) play on every frame (C, F, D): slerp for quaternions, straight lines for places."""
    if keys.all():
        return values
    last, after = neighbours(keys)
    a = np.take_along_axis(values, last[..., None], axis=1)
    b = np.take_along_axis(values, after[..., None], axis=1)
    t = _part(last, after)
    return quat.slerp(a, b, t) if values.shape[-1] == 4 else a + (b - a) * t[..., None]


def chords(values: Array, keys: Mask) -> Array:
    """The straight lines (C, F, D) between keys (C, F) of curves (C, F, D)."""
    last, after = neighbours(keys)
    a = np.take_along_axis(values, last[..., None], axis=1)
    b = np.take_along_axis(values, after[..., None], axis=1)
    return a + (b - a) * _part(last, after)[..., None]


def _part(last: Index, after: Index) -> Array:
    """How far (C, F) each frame lies between its keys, 0 to 1."""
    return (np.arange(last.shape[1]) - last) / np.maximum(after - last, 1)
