"""The best pairs of frames at a take's full rate, around pairs that were found on a coarse grid."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from ..base.checks import Array, Index, Mask
from ..body.motion import Motion
from ..clip.clouds import Places, window_distances

# A seam counts as worse by as far as its jerk carries the joints in this time (chosen by eye).
_JERK_TIME_S = 0.010
# Of a metre: cycles that repeat exactly, as a take made of one cycle has them, differ by rounding alone; the
# first counts, however the file is written.
TIE_DECIMALS = 7
_JERK_REACH = 3  # frames to both sides of a seam, in which its jerk is looked for (chosen by eye)

_BLOCK = 64  # seeds that are looked at together: as many as fit a processor's cache

Allowed = Callable[[Index, Index], Mask]
"""Starts and ends that broadcast -> which pairs may be a loop."""
Pair = tuple[float, float, int, int]
"""Cost in metres, jerk, start and end of a loop."""


def refine(
    motion: Motion,
    joints: Index,
    seeds: Index,
    step: int,
    window: int,
    allowed: Allowed,
    in_place: bool = False,
) -> list[Pair]:
    """The cheapest allowed pair at the full rate within `step` frames of each coarse pair (S, 2).

    The cost is the distance, and more where the body jerks; with `in_place` also how far over the floor it
    ends from where it began.
    """
    last = len(motion) - 1
    if not len(seeds):
        return []
    places = Places.around(motion, joints, seeds, step + max(window, 2 * _JERK_REACH))
    jerk = _jerks(places, min(window, _JERK_REACH), last)
    per_metre = (motion.rate * _JERK_TIME_S) ** 3
    floor = np.zeros((last + 1, 2))
    floor[places.frames] = places.positions[..., :2].mean(axis=1)
    offsets = np.arange(-step, step + 1)
    away = np.abs(offsets)[:, None] + np.abs(offsets)
    found = []
    for some in np.array_split(seeds, -(-len(seeds) // _BLOCK)):
        starts, ends = some[:, :1] + offsets, some[:, 1:] + offsets
        there = [((frames >= 0) & (frames <= last)) for frames in (starts, ends)]
        first, second = (frames.clip(0, last) for frames in (starts, ends))
        worse = (jerk[first][:, :, None] + jerk[second][:, None]) / 2
        cost = window_distances(places, starts, ends, window, last) + worse * per_metre
        if in_place:
            cost = cost + np.linalg.norm(floor[first][:, :, None] - floor[second][:, None], axis=-1)
        fits = allowed(first[:, :, None], second[:, None]) & there[0][:, :, None] & there[1][:, None]
        cost = np.where(fits, cost, np.inf).reshape(len(some), -1)
        rounded = np.round(cost, TIE_DECIMALS)
        ties = rounded == rounded.min(axis=1, keepdims=True)
        nearest = np.where(ties, away.ravel(), 2 * len(offsets)).argmin(
            axis=1
        )  # the seed's own, or next to it
        rows, columns = np.unravel_index(nearest, away.shape)
        each = np.arange(len(some))
        for k in np.flatnonzero(np.isfinite(cost[each, nearest])):
            start, end = int(starts[k, rows[k]]), int(ends[k, columns[k]])
            found.append((float(cost[k, nearest[k]]), float(worse[k, rows[k], columns[k]]), start, end))
    return found


def _jerks(places: Places, reach: int, last: int) -> Array:
    """(F,) the sharpest change of acceleration (mean of the joints, metres per frame) around each frame.

    Only frames with all of their neighbours in `places` have one; others are 0.
    """
    third = np.zeros(last + 1)
    whole = places.frames[3:] - places.frames[:-3] == 3
    size = np.linalg.norm(np.diff(places.positions, 3, axis=0), axis=-1).mean(axis=1)
    third[places.frames[:-3][whole]] = size[whole]
    out = np.zeros(last + 1)
    for offset in range(-reach, reach - 2):  # a change over four frames that begins so far from the frame
        near = places.frames + offset
        inside = (near >= 0) & (near <= last - 3)
        out[places.frames[inside]] = np.maximum(out[places.frames[inside]], third[near[inside]])
    return out
