"""Which frames are keys: masks (C, T), a row for each channel, of clips that lie behind each other in time.

The first and the last frame of each clip are keys, so that no span of keys leads from one clip into another.
"""

from __future__ import annotations

from itertools import pairwise
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from ..base.checks import Array, Index, Mask
from . import reduce_planes as planes
from .reduce_planes import Planes

# The spans that are tried; between two of them the error of a chord grows by a third.
_SPAN_FRAMES = (
    2, 3, 4, 5, 6, 7, 8, 9, 10, 12, 14, 16, 18, 20, 24, 28, 32, 36, 40, 48,
    56, 64, 80, 96, 112, 128,
)  # fmt: skip
# About an axis, of a span: as far as `reduce_planes.slerp` can follow.
MAX_SPAN_TURN_RAD = 1.0
_GRID_PER_RAD = 2.0**24  # steps to which curves are rounded, so that all machines find the same keys
# Stretches of a clip that are compared where channels look for others to share times with. Trial: 11 or 24
# make files 0.3 % larger (sensitivity_keys.py).
_COMPARED_BLOCKS = 16
_TIME_BYTES = 4  # of a key's time, float32
TIMES_JSON_BYTES = 110  # of an accessor of times and its buffer view, as we write them
# Keys in the end, by those of the first plan. Trial: 0.7 makes files 1 % smaller, 1.6 makes them 1.9 % larger
# (sensitivity_keys.py).
_PLAN_OVERRUN_FACTOR = 1.05


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


def developed(rotations: Planes, stops: Index) -> Planes:
    """Curves (3, C, T), radians, that are as long and as bent as rotations (4, C, T), and straight as slerp.

    The turns from frame to frame, in the space that the rotations lead to, one added to the other from the
    start of each clip; `stops` (B,) are the frames after the clips' last ones. Sums of whole numbers are
    exact, so that no clip feels those before it.
    """
    _, count, frames = rotations.shape
    steps = np.zeros((3, count, frames))
    half = planes.error(rotations[..., 1:], rotations[..., :-1])  # twice the sine of half the turn
    square = planes.dot(half, half)
    turn = half * (1 + square * (1 / 24 + square * (3 / 640 + square * (5 / 7168))))
    np.rint(turn * _GRID_PER_RAD, out=steps[..., 1:])
    np.cumsum(steps, axis=-1, out=steps)
    starts = np.concatenate([[0], stops[:-1]])
    steps -= np.repeat(steps[..., starts], stops - starts, axis=-1)
    return (steps / _GRID_PER_RAD).astype(np.float32)


def reaches(curves: Planes, allowed: Planes, last: Index, farthest: float = np.inf) -> Index:
    """How many frames (C, T) ahead of each frame the next key may lie, 1 or more.

    A way from a frame must, as seen from there, lie in the cone of those that pass the frames
    between near enough: an axis at a time, at frames that grow farther apart.

    Args:
        curves: (3, C, T) places, or rotations as `developed`.
        allowed: (C, T) how far a chord may lie from the curve, radians or metres.
        last: (T,) the last frame of each frame's clip.
        farthest: the longest way along an axis.
    """
    width, count, frames = curves.shape
    flat, eps = curves.reshape(width, -1), allowed.reshape(-1)
    room = np.tile(last - np.arange(frames), count)
    out = np.minimum(room, 1)
    # The shortest span is tried everywhere, and for most curves it is the last that is: in one piece.
    slope, chord = flat[:, 1:-1] - flat[:, :-2], (flat[:, 2:] - flat[:, :-2]) / 2
    fits = np.abs(chord - slope) <= eps[1:-1]
    at = np.flatnonzero(fits[0] & fits[1] & fits[2] & (room[:-2] >= 2))
    out[at] = 2
    slack, room = eps.take(at + 1), room.take(at)
    slope, chord, start = (one.take(at, axis=1, mode="clip") for one in (slope, chord, flat))
    low, high = slope - slack, slope + slack
    for length, longer in pairwise(_SPAN_FRAMES):
        slack = eps.take(at + length, mode="clip") / length
        low, high = np.maximum(low, chord - slack), np.minimum(high, chord + slack)
        chord = (flat.take(at + longer, axis=1, mode="clip") - start) / longer
        fits = (chord >= low) & (chord <= high) & (np.abs(chord) <= farthest / longer)
        kept = np.flatnonzero(fits[0] & fits[1] & fits[2] & (room >= longer))
        if not len(kept):
            break
        at, room = at.take(kept), room.take(kept)
        low, high, start, chord = (one.take(kept, axis=1, mode="clip") for one in (low, high, start, chord))
        out[at] = longer
    return out.reshape(count, frames)


def take_longest_spans(reach: Index, at: Index) -> Mask:
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


def halve_spans(keys: Mask, where: Mask) -> Mask:
    """Keys (C, T) with one more in the middle of each span that holds a frame of `where` (C, T)."""
    out = keys.copy()
    flat, wanted = out.ravel(), (where & ~keys).ravel()
    at = np.flatnonzero(wanted)
    places = np.flatnonzero(keys)
    number = np.searchsorted(places, at)
    flat[(places[number - 1] + places[number]) // 2] = True
    return out


def share_times(reach: Index, widths: Index) -> tuple[Index, Index, float]:
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
    edges = np.linspace(0, frames, min(_COMPARED_BLOCKS, frames) + 1).astype(np.intp)[:-1]
    # Keys that each stretch asks for; together they are 1 key short of the channel's.
    wanted = np.add.reduceat(1 / steps, edges, axis=1)
    own = wanted.sum(axis=1)
    weights = np.asarray(widths, np.float64).copy()
    sparse = np.flatnonzero(
        (weights + _TIME_BYTES) * _PLAN_OVERRUN_FACTOR * own + TIMES_JSON_BYTES / 2 < weights * frames
    )
    group = np.zeros(count, np.intp)
    out, total = [np.minimum(np.arange(frames)[::-1], 1)], 0.0
    label, wanted, weights = _merge_channels(wanted[sparse], weights[sparse])
    for one, alone in enumerate(_own_bytes(wanted, weights)):
        if _PLAN_OVERRUN_FACTOR * alone < weights[one] * frames:
            members = sparse[label == one]
            group[members] = len(out)
            out.append(reach[members].min(axis=0))
            total += _PLAN_OVERRUN_FACTOR * alone
    return group, np.array(out), total + frames * float(np.asarray(widths)[group == 0].sum())


def _merge_channels(wanted: Array, weights: Array) -> tuple[Index, Array, Array]:
    """Put channels that save bytes by it into one, pair by pair, each with the one it saves most with.

    Args:
        wanted: (N, S) keys that each stretch of each channel asks for.
        weights: (N,) bytes that a value of it takes.

    Returns:
        The group (N,) of each, and both arrays of the groups (G, S) and (G,).
    """
    label: Index = np.arange(len(wanted))
    while len(wanted) > 1:
        gain = _saved_bytes(wanted, weights)
        best = gain.argmax(axis=1)
        numbers = np.arange(len(best))
        chosen = np.flatnonzero((best[best] == numbers) & (numbers < best) & (gain[numbers, best] > 0))
        if not len(chosen):
            break
        other = best[chosen]
        wanted[chosen] = np.maximum(wanted[chosen], wanted[other])
        weights[chosen] += weights[other]
        into, kept = numbers.copy(), np.ones(len(numbers), bool)
        into[other], kept[other] = chosen, False
        label = (np.cumsum(kept) - 1)[into[label]]
        wanted, weights = wanted[kept], weights[kept]
    return label, wanted, weights


def _own_bytes(wanted: Array, weights: Array) -> Array:
    """Bytes (G,) of groups with times of their own."""
    out: Array = (weights + _TIME_BYTES) * wanted.sum(axis=1) + TIMES_JSON_BYTES
    return out


def _saved_bytes(wanted: Array, weights: Array) -> Array:
    """Bytes (G, G) that each group saves where it shares its times with each other."""
    stretches = np.ascontiguousarray(wanted.T)
    both: Array = np.maximum(stretches[:, :, None], stretches[:, None]).sum(axis=0)
    alone = _own_bytes(wanted, weights)
    both *= weights[:, None] + weights + _TIME_BYTES
    out: Array = alone[:, None] + alone
    out -= both + TIMES_JSON_BYTES
    np.fill_diagonal(out, -np.inf)
    return out


def share_all_times(reach: Index, widths: Index) -> tuple[Index, Index, float]:
    """As `share_times`, where all channels (C,) take the same keys: by the shortest of reaches (C, F).

    Motion that was recorded at a lower rate bends at its frames of then, and in all channels alike.
    """
    shortest = reach.min(axis=0)
    keys = int(take_longest_spans(shortest[None], np.zeros(1, np.intp)).sum())
    group = np.ones(len(reach), np.intp)
    return (
        group,
        np.stack([shortest, shortest]),
        float(_PLAN_OVERRUN_FACTOR * keys * (widths.sum() + _TIME_BYTES) + TIMES_JSON_BYTES),
    )
