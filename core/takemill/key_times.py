"""Which frames are keys: masks (G, F), a row for each group of channels that share their times.

Keys lie on frames that are multiples of as large a power of two as the error allows. Such grids of
different channels fit into each other, so that channels can share their times at little cost.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from .checks import Array, Index, Mask

_LEVELS = 6  # blocks of at most 64 frames
_TIME_BYTES = 4
_TIMES_JSON = 110  # bytes of JSON that an accessor of times costs


def neighbours(keys: Mask) -> tuple[Index, Index]:
    """The last key at or before and the first at or after each frame, both (G, F); the ends are keys."""
    frames = np.arange(keys.shape[1])
    last = np.maximum.accumulate(np.where(keys, frames, 0), axis=1)
    after = np.where(keys, frames, len(frames) - 1)
    return last, np.minimum.accumulate(after[:, ::-1], axis=1)[:, ::-1]


def coarsest(curves: Array, allowed: Array) -> Mask:
    """The widest grid of keys (C, F) whose chords stay near curves.

    Args:
        curves: (C, F, D) values over time, unit quaternions (D = 4) or places (D = 3).
        allowed: (C, F) how far a chord may lie from the curve; half an angle for quaternions.
    """
    count, frames = curves.shape[:2]
    keys = np.ones((count, frames), bool)
    numbers = np.arange(frames)
    whole = np.ones((count, max(frames - 1, 1)), bool)  # whether a level's blocks need no key inside
    for level in range(1, _LEVELS + 1):
        starts = np.arange(0, max(frames - 1, 1), 2**level)
        middles = starts + 2 ** (level - 1)
        if middles[0] >= frames - 1:
            break
        a = numbers >> level << level
        b = np.minimum(a + 2**level, frames - 1)
        t = ((numbers - a) / np.maximum(b - a, 1))[:, None]
        fits = chord_gap(curves, curves[:, a] * (1 - t) + curves[:, b] * t) <= allowed
        halves = np.logical_and.reduceat(whole, np.arange(0, whole.shape[1], 2), axis=1)
        whole = halves & np.logical_and.reduceat(fits, starts, axis=1)
        if not whole.any():
            break
        inside = middles < frames - 1
        keys[:, middles[inside]] &= ~whole[:, inside]
    return keys


def chord_gap(curves: Array, chords: Array) -> Array:
    """How far (...) chords (..., D) lie from curves; for quaternions square to the curve, as a turn shows."""
    gap = chords - curves
    squares = np.einsum("...i,...i->...", gap, gap)
    if curves.shape[-1] == 4:
        squares = squares - np.einsum("...i,...i->...", gap, curves) ** 2
    return np.sqrt(np.maximum(squares, 0))


def split(keys: Mask, where: Mask) -> Mask:
    """Keys (G, F) with one more in each span that holds a frame of `where` (G, F), on the coarsest grid."""
    last, after = neighbours(keys)
    rows, frames = np.nonzero(where & ~keys)
    low, high = last[rows, frames], after[rows, frames] - 1  # the new key lies in (low, high]
    level = np.frexp((low ^ high).astype(np.float64))[1] - 1
    out = keys.copy()
    out[rows, high >> level << level] = True
    return out


def share(keys: Mask, widths: Sequence[int]) -> tuple[Index, Mask]:
    """Which channels are to share their times, by the bytes that it saves.

    Every frame of a clip costs no times of its own, since all clips of a rate share those. So a channel
    takes all frames where its own keys and their times would not be smaller.

    Args:
        keys: (C, F) the keys that each channel needs.
        widths: (C,) bytes that one value of it takes.

    Returns:
        The group (C,) of each channel and the keys (G, F) of each group.
    """
    frames = keys.shape[1]

    def size(width: float, count: float) -> float:
        return width * count + (_TIME_BYTES * count + _TIMES_JSON if count < frames else 0)

    masks, weights = [np.ones(frames, bool)], [0.0]  # the first group takes all frames
    members: list[list[int]] = [[]]
    for channel, (row, width) in enumerate(zip(keys, widths, strict=True)):
        if size(width, row.sum()) >= size(width, frames):
            members[0].append(channel)
            weights[0] += width
        else:
            masks.append(row)
            weights.append(width)
            members.append([channel])
    while len(masks) > 1:
        stack, weight = np.array(masks, np.float32), np.array(weights)
        counts = stack.sum(axis=1)
        union = counts[:, None] + counts - stack @ stack.T
        alone = np.array([size(w, n) for w, n in zip(weights, counts, strict=True)])
        times = np.where(union < frames, _TIME_BYTES * union + _TIMES_JSON, 0)
        gain = alone[:, None] + alone - (weight[:, None] + weight) * union - times
        np.fill_diagonal(gain, -np.inf)
        one, other = sorted(np.unravel_index(int(gain.argmax()), gain.shape))
        if gain[one, other] <= 0:
            break
        masks[one] = masks[one] | masks.pop(other)
        weights[one] += weights.pop(other)
        members[one] += members.pop(other)
    group = np.zeros(len(keys), np.intp)
    for place, found in enumerate(members):
        group[found] = place
    return group, np.array(masks)
