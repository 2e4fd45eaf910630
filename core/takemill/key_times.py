"""Which frames are keys: masks (C, T), a row for each channel, of clips that lie behind each other in time.

The first and the last frame of each clip are keys, so that no span of keys leads from one clip into another.
"""

from __future__ import annotations

from itertools import pairwise
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from . import reduce_planes as planes
from .checks import Array, Index, Mask
from .reduce_planes import Planes

# The lengths of spans that are tried, frames; between two of them the error of a chord grows by a third.
_LENGTHS = (2, 3, 4, 5, 6, 7, 8, 9, 10, 12, 14, 16, 18, 20, 24, 28, 32, 36, 40, 48, 56, 64, 80, 96, 112, 128)
_LEAST_COSINE = 0.7  # of half the turn of a span, which `reduce_planes.slerp` can still follow
_BLOCKS = 16  # stretches of a clip that are compared where channels look for others to share times with
_TIME_BYTES = 4
TIMES_JSON = 110  # bytes of JSON that an accessor of times costs
_MORE = 1.1  # what keys come to in the end, by those that the first plan has


class Spans(NamedTuple):
    """The spans between K keys, and the N frames inside of them, as flat places of a mask (C, T).

    Attributes:
        keys: (K,) places of the keys.
        inside: (N,) places of the frames between keys.
        low: (N,) the number of the key before each of them.
        part: (N,) how far each lies between its keys, 0 to 1.
    """

    keys: Index
    inside: Index
    low: Index
    part: NDArray[np.float32]


def neighbours(keys: Mask) -> tuple[Index, Index]:
    """The last key at or before and the first at or after each frame, both (C, T); the ends are keys."""
    frames = np.arange(keys.shape[1])
    last = np.maximum.accumulate(np.where(keys, frames, 0), axis=1)
    after = np.where(keys, frames, len(frames) - 1)
    return last, np.minimum.accumulate(after[:, ::-1], axis=1)[:, ::-1]


def spans_of(mask: Mask) -> Spans:
    """The spans of a mask (C, T) whose rows begin and end with a key."""
    flat = mask.ravel()
    keys, inside = np.flatnonzero(flat), np.flatnonzero(~flat)
    low = (np.cumsum(flat) - 1)[inside]
    before = keys[low]
    part = (inside - before) / (keys[low + 1] - before)
    return Spans(keys, inside, low, part.astype(np.float32))


def reaches(curves: Planes, allowed: Planes, last: Index) -> Index:
    """How many frames (C, T) ahead of each frame the next key may lie, 1 or more.

    A turn or way from a frame must, as seen from there, lie in the cone of those that pass the frames
    between near enough: an axis at a time, at frames that grow farther apart.

    Args:
        curves: (4, C, T) unit quaternions or (3, C, T) places.
        allowed: (C, T) how far a chord may lie from the curve, radians or metres.
        last: (T,) the last frame of each frame's clip.
    """
    width, count, frames = curves.shape
    flat, eps = curves.reshape(width, -1), allowed.reshape(-1)
    room = np.tile(last - np.arange(frames), count)
    out = np.minimum(room, 1)
    # The shortest span is tried everywhere, and for most curves it is the last that is: in one piece.
    start, middle, end = flat[:, :-2], flat[:, 1:-1], flat[:, 2:]
    slope, slack = _way(start, middle), eps[1:-1]
    fits = (np.abs(_way(start, end) / 2 - slope) <= slack).all(axis=0) & (room[:-2] >= 2)
    at = np.flatnonzero(fits)
    out[at] = 2
    low, high = slope[:, at] - slack[at], slope[:, at] + slack[at]
    for length, longer in pairwise(_LENGTHS):
        ahead = at + length
        slope, slack = _way(flat[:, at], flat[:, ahead]) / length, eps[ahead] / length
        low, high = np.maximum(low, slope - slack), np.minimum(high, slope + slack)
        far = room[at] >= longer
        at, low, high = at[far], low[:, far], high[:, far]
        chord = _way(flat[:, at], flat[:, at + longer]) / longer
        fits = ((chord >= low) & (chord <= high)).all(axis=0)
        if width == 4:
            fits &= planes.dot(flat[:, at], flat[:, at + longer]) > _LEAST_COSINE
        at, low, high = at[fits], low[:, fits], high[:, fits]
        out[at] = longer
        if not len(at):
            break
    return out.reshape(count, frames)


def _way(start: Planes, end: Planes) -> Planes:
    """The way (3, N) between places, or the turn between quaternions, radians."""
    if len(start) == 3:
        return end - start
    half = planes.error(end, start)  # twice the sine of half the turn
    square = planes.dot(half, half)
    turn: Planes = half * (1 + square * (1 / 24 + square * (3 / 640 + square * (5 / 7168))))
    return turn


def walked(reach: Index, at: Index) -> Mask:
    """Keys (C, T), each as far from the one before as its reach (C, T) allows.

    Args:
        reach: how far the next key may lie, 0 on the last frame of a clip.
        at: (N,) the first key of each clip of each channel, as flat places.
    """
    flat = reach.ravel()
    out = np.zeros(flat.shape, bool)
    while len(at):
        out[at] = True
        step = flat[at]
        at = (at + step)[step > 0]
    return out.reshape(reach.shape)


def halved(keys: Mask, where: Mask) -> Mask:
    """Keys (C, T) with one more in the middle of each span that holds a frame of `where` (C, T)."""
    out = keys.copy()
    flat, wanted = out.ravel(), (where & ~keys).ravel()
    at = np.flatnonzero(wanted)
    places = np.flatnonzero(keys)
    number = np.searchsorted(places, at)
    flat[(places[number - 1] + places[number]) // 2] = True
    return out


def share(reach: Index, widths: Index) -> tuple[Index, Index, float]:
    """Which channels of one clip are to share their times, by the bytes that it saves.

    Every frame of a clip costs no times of its own, since all clips of a rate share those. So a channel
    takes all frames where its own keys and their times would not be smaller.

    Args:
        reach: (C, F) how far the next key may lie.
        widths: (C,) bytes that one value takes.

    Returns:
        The group (C,) of each channel, 0 for that of all frames, the reach (G, F) of each group, and about
        how many bytes they take.
    """
    count, frames = reach.shape
    steps = np.maximum(reach, 1)
    edges = np.linspace(0, frames, min(_BLOCKS, frames) + 1).astype(np.intp)[:-1]
    # Keys that each stretch asks for; together they are 1 key short of the channel's.
    wanted = np.add.reduceat(1 / steps, edges, axis=1)
    own = wanted.sum(axis=1)
    weights = np.asarray(widths, np.float64).copy()
    sparse = np.flatnonzero((weights + _TIME_BYTES) * _MORE * own + TIMES_JSON / 2 < weights * frames)
    group = np.zeros(count, np.intp)
    members = [[int(channel)] for channel in sparse]
    wanted, weights = wanted[sparse], weights[sparse]
    alive = np.ones(len(sparse), bool)
    alone = (weights + _TIME_BYTES) * wanted.sum(axis=1) + TIMES_JSON
    gain = np.stack([_gain(one, wanted, weights, alone) for one in range(len(sparse))]) if members else None
    while gain is not None and alive.sum() > 1:
        np.fill_diagonal(gain, -np.inf)
        one, other = sorted(divmod(int(gain.argmax()), len(gain)))
        if gain[one, other] <= 0:
            break
        wanted[one] = np.maximum(wanted[one], wanted[other])
        weights[one] += weights[other]
        members[one] += members[other]
        alive[other] = False
        alone[one] = (weights[one] + _TIME_BYTES) * wanted[one].sum() + TIMES_JSON
        gain[other], gain[:, other] = -np.inf, -np.inf
        gain[one] = gain[:, one] = np.where(alive, _gain(one, wanted, weights, alone), -np.inf)
    out, total = [np.minimum(np.arange(frames)[::-1], 1)], 0.0
    for one in np.flatnonzero(alive):
        if _MORE * alone[one] < weights[one] * frames:
            group[members[one]] = len(out)
            out.append(reach[members[one]].min(axis=0))
            total += _MORE * alone[one]
    return group, np.array(out), total + frames * float(np.asarray(widths)[group == 0].sum())


def together(reach: Index, widths: Index) -> tuple[Index, Index, float]:
    """As `share`, where all channels (C,) of a clip take the same keys: by the shortest of reaches (C, F).

    Motion that was recorded at a lower rate bends at its frames of then, and in all channels alike.
    """
    shortest = reach.min(axis=0)
    keys = int(walked(shortest[None], np.zeros(1, np.intp)).sum())
    group = np.ones(len(reach), np.intp)
    return (
        group,
        np.stack([shortest, shortest]),
        float(_MORE * keys * (widths.sum() + _TIME_BYTES) + TIMES_JSON),
    )


def _gain(one: int, wanted: Array, weights: Array, alone: Array) -> Array:
    """Bytes (G,) that a group saves where it shares its times with each other."""
    together = np.maximum(wanted[one], wanted).sum(axis=1)
    return alone[one] + alone - (weights[one] + weights + _TIME_BYTES) * together - TIMES_JSON
