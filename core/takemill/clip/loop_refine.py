"""The best pairs of frames at a take's full rate, around pairs that were found on a coarse grid."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from ..base.checks import Array, Index, Mask
from ..body.motion import Motion
from .clouds import Places, cloud_of

# A seam counts as worse by as far as its jerk carries the joints in this time (chosen by eye).
_JERK_TIME_S = 0.010
# Of a metre: cycles that repeat exactly, as a take made of one cycle has them, differ by rounding alone; the
# first counts, however the file is written.
TIE_DECIMALS = 7
_JERK_REACH = 3  # frames to both sides of a seam, in which its jerk is looked for (chosen by eye)

Allowed = Callable[[Index, Index], Mask]
"""Starts (N, 1) and ends (M,) -> which pairs (N, M) may be a loop."""
Pair = tuple[float, float, int, int]
"""Cost in metres, jerk, start and end of a loop."""


def refine(
    motion: Motion, joints: Index, seeds: Index, step: int, window: int, allowed: Allowed
) -> list[Pair]:
    """The cheapest allowed pair at the full rate within `step` frames of each coarse pair (S, 2).

    The cost is the distance, and more where the body jerks.
    """
    last = len(motion) - 1
    places = Places.around(motion, joints, seeds, step + max(window, 2 * _JERK_REACH))
    jerk = _jerks(places, min(window, _JERK_REACH), last)
    per_metre = (motion.rate * _JERK_TIME_S) ** 3
    found = []
    for seed in seeds:
        spans = [(max(0, int(c) - step), min(last, int(c) + step)) for c in seed]
        starts, ends = (np.arange(first, stop + 1) for first, stop in spans)
        here, there = (cloud_of(places, *span, window, last) for span in spans)
        worse = (jerk[starts][:, None] + jerk[ends]) / 2
        cost = here.distances(slice(None), slice(None), there) + worse * per_metre
        cost = np.where(allowed(starts[:, None], ends), cost, np.inf)
        away = np.abs(starts - seed[0])[:, None] + np.abs(ends - seed[1])
        nearest = np.lexsort((away.ravel(), np.round(cost, TIE_DECIMALS).ravel()))[0]
        row, column = np.unravel_index(int(nearest), cost.shape)
        if np.isfinite(cost[row, column]):
            found.append(
                (float(cost[row, column]), float(worse[row, column]), int(starts[row]), int(ends[column]))
            )
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
