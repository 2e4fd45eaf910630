"""Arrays over time: the only derivative and the only resampling.

Frame f of a series of `rate` frames per second lies at f / rate seconds; F frames last (F - 1) / rate.
"""

from __future__ import annotations

import numpy as np

from ..base.checks import Array, Index, Mask
from . import quat


def derivative(values: Array, rate: float) -> Array:
    """Change per second (F, ...) of values (F, ...): central differences, second order to the ends.

    One frame has no speed: zeros. Two frames share their difference.
    """
    count = len(values)
    if count < 2:
        return np.zeros_like(values)
    return np.gradient(values, 1.0 / rate, axis=0, edge_order=2 if count > 2 else 1)


def angular_velocity(rotations: Array, rate: float) -> Array:
    """Angular velocity (F, ..., 3), radians per second in the outer frame, of rotations (F, ..., 4)."""
    count = len(rotations)
    if count < 2:
        return np.zeros((*rotations.shape[:-1], 3))
    steps = quat.log(quat.mul(rotations[1:], quat.inv(rotations[:-1]))) * rate
    return np.concatenate([steps[:1], (steps[1:] + steps[:-1]) / 2, steps[-1:]])


def frame_count(duration_s: float, rate: float) -> int:
    """How many frames at `rate` fit a duration, both ends included."""
    return int(np.floor(duration_s * rate + 1e-6)) + 1


def frames_at(count: int, rate: float, new_rate: float, loop: bool = False) -> Array:
    """Where the frames (N,) of another rate lie in a series of `count` frames, as fractional frame numbers.

    Frame 0 stays, and the last is the last that the series still covers. A loop keeps both its ends: the
    frames are spread evenly between them, so its speed changes by less than half a frame in its length.
    """
    if loop and count > 1:
        return np.linspace(0, count - 1, max(1, round((count - 1) * new_rate / rate)) + 1)
    return np.arange(frame_count((count - 1) / rate, new_rate)) * (rate / new_rate)


def sample_vectors(values: Array, frames: Array) -> Array:
    """Vectors (F, ...) at fractional frame numbers (N,) by straight lines; clamped to the ends."""
    low, part = _places(len(values), frames)
    part = part.reshape(-1, *([1] * (values.ndim - 1)))
    high = np.minimum(low + 1, len(values) - 1)
    return values[low] * (1 - part) + values[high] * part


def sample_rotations(rotations: Array, frames: Array) -> Array:
    """Rotations (F, ..., 4) at fractional frame numbers (N,) by slerp; clamped to the ends."""
    low, part = _places(len(rotations), frames)
    part = part.reshape(-1, *([1] * (rotations.ndim - 2)))
    high = np.minimum(low + 1, len(rotations) - 1)
    return quat.slerp(rotations[low], rotations[high], part)


def runs(mask: Mask) -> tuple[Index, Index]:
    """The starts and stops (N,), half-open, of the runs of True in a mask (F,)."""
    edges = np.flatnonzero(mask[1:] != mask[:-1]) + 1
    if len(mask):
        edges = np.concatenate([[0] if mask[0] else [], edges, [len(mask)] if mask[-1] else []]).astype(
            np.intp
        )
    return edges[::2], edges[1::2]


def filled(frames: int, starts: Index, stops: Index) -> Mask:
    """A mask (F,) that is True in the given runs (N,), half-open."""
    out = np.zeros(frames, bool)
    lengths = stops - starts
    before = np.cumsum(lengths) - lengths
    out[np.repeat(starts - before, lengths) + np.arange(lengths.sum())] = True
    return out


def eroded(planted: Mask, frames: int) -> Mask:
    """Masks (F, ...) without the first and last `frames` of each run; the take's own ends stay."""
    out = planted.copy()
    for k in range(1, frames + 1):
        out[k:] &= planted[:-k]
        out[:-k] &= planted[k:]
    return out


def without_short(mask: Mask, frames: int) -> Mask:
    """A mask (F,) without its runs shorter than `frames`; what touches an end stays."""
    starts, stops = runs(mask)
    short = (stops - starts < frames) & (starts > 0) & (stops < len(mask))
    return mask & ~filled(len(mask), starts[short], stops[short])


def _places(count: int, frames: Array) -> tuple[Index, Array]:
    frames = np.clip(np.asarray(frames, np.float64), 0, count - 1)
    low = np.minimum(np.floor(frames).astype(np.intp), max(count - 2, 0))
    return low, frames - low
