"""Cubic curves through keys on frames: played, and their slopes fitted."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from .checks import Array, Index, Mask

_STEPS = 8  # of conjugate gradients; each slope is felt by its neighbours only, so few are enough


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


class Looks(NamedTuple):
    """T looks at curves between keys.

    Attributes:
        before, after: (C, T) the frames of the keys around each look.
        part: (C, T) how far it lies between them, 0 to 1.
        span: (C, T) frames from key to key.
    """

    before: Index
    after: Index
    part: Array
    span: Array

    @classmethod
    def at(cls, keys: Mask, per_frame: int) -> Looks:
        """`per_frame` looks at each frame, at keys (C, F) with the first and last frame among them."""
        frames = keys.shape[1]
        places = np.arange((frames - 1) * per_frame + 1)
        low = np.minimum(places // per_frame, max(frames - 2, 0))
        numbers = np.arange(frames)
        last = np.maximum.accumulate(np.where(keys, numbers, 0), axis=1)
        following = np.where(keys, numbers, frames - 1)
        following = np.minimum.accumulate(following[:, ::-1], axis=1)[:, ::-1]
        before, after = last[:, low], following[:, np.minimum(low + 1, frames - 1)]
        span = (after - before).astype(np.float64)
        return cls(before, after, (places / per_frame - before) / np.maximum(span, 1), span)


def straight(values: Array, looks: Looks) -> Array:
    """What keys of curves (C, F) play (C, T) by straight lines."""
    start, end = (np.take_along_axis(values, at, 1) for at in (looks.before, looks.after))
    return start + looks.part * (end - start)


def smooth(values: Array, slopes: Array, looks: Looks) -> Array:
    """What keys of curves (C, F) with slopes (C, F), per frame, play (C, T): cubic Hermite splines."""
    start, end = (np.take_along_axis(values, at, 1) for at in (looks.before, looks.after))
    out, back = (np.take_along_axis(slopes, at, 1) * looks.span for at in (looks.before, looks.after))
    rise, u = end - start, looks.part
    return start + u * (out + u * (3 * rise - 2 * out - back + u * (out + back - 2 * rise)))


def fitted_slopes(values: Array, slopes: Array, keys: Mask, looks: Looks, wanted: Array) -> Array:
    """Slopes (C, F) at keys with which the curves come nearest to those wanted, by least squares.

    Conjugate gradients with a diagonal preconditioner on the normal equations: Golub and Van Loan, Matrix
    Computations, 4th edition, section 11.5.2. They run on all curves at once.

    Args:
        values: (C, F); those at keys are kept.
        slopes: (C, F) per frame, to begin with.
        keys: (C, F).
        looks: at those keys.
        wanted: (C, T) at the looks.
    """
    count, frames = values.shape
    rows = np.arange(count)[:, None] * frames
    before, after = (rows + looks.before).ravel(), (rows + looks.after).ravel()
    u = looks.part
    early: Array = looks.span * u * (1 - u) ** 2
    late: Array = -looks.span * u**2 * (1 - u)

    def bent(steep: Array) -> Array:
        flat = steep.ravel()
        return flat[before].reshape(u.shape) * early + flat[after].reshape(u.shape) * late

    def gathered(gap: Array, first: Array, second: Array) -> Array:  # the transpose of `bent`
        out: Array = np.bincount(before, (gap * first).ravel(), count * frames).astype(np.float64)
        out += np.bincount(after, (gap * second).ravel(), count * frames)
        return out.reshape(count, frames)

    scale = gathered(np.ones(u.shape), early * early, late * late)
    scale = np.where(scale > 0, scale, 1.0)
    out = np.where(keys, slopes, 0.0)
    left = gathered(wanted - smooth(values, out, looks), early, late)
    step = left / scale
    size = np.sum(left * step, axis=1, keepdims=True)
    for _ in range(_STEPS):
        pushed = gathered(bent(step), early, late)
        along = np.sum(step * pushed, axis=1, keepdims=True)
        far = np.divide(size, along, out=np.zeros_like(size), where=along > 0)
        out, left = out + far * step, left - far * pushed
        before_it, size = size, np.sum(left * left / scale, axis=1, keepdims=True)
        step = left / scale + step * np.divide(size, before_it, out=np.zeros_like(size), where=before_it > 0)
    return out
