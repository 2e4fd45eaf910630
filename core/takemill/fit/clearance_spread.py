"""What single frames ask for, spread over their neighbours: smooth in time, at its full size where asked."""

from __future__ import annotations

import numpy as np

from ..base.checks import Array, Index
from ..maths import quat

# By trial, as in clearance_turns.
EASE_S = 0.55  # what is asked comes and goes within so long
_TOLERANCE_M = 0.002  # of the gap that is still missing, at which no more rounds follow
_LARGER = 1.02  # times another turn's size: then it counts in its place


def spread_turns(asked: Array, margin: Array, width: int) -> tuple[Index, Array]:
    """Turns (N, 4), free ones and the elbow's, that frames ask for, spread; where enough room (N,) lacks.

    Returns:
        The frames (M,) that turn, and by how much more (M, 4).
    """
    rows = wanting(asked, margin, width)
    mine = asked[rows]
    return rows, np.concatenate([spread(mine[:, :3], width), spread(mine[:, 3:], width)], axis=-1)


def wanting(asked: Array, margin: Array, width: int, tolerance_m: float = _TOLERANCE_M) -> Index:
    """The frames (M,) that what is asked (N, K) reaches by `spread`.

    Left out are runs of them in which no room (N,) lacks by more than a tolerance.
    """
    some = np.flatnonzero(asked.any(axis=1))
    if not len(some):
        return some
    first = np.flatnonzero(np.diff(some, prepend=-np.inf) > 4 * width + 1)
    last = np.append(first[1:], len(some)) - 1
    deep = np.minimum.reduceat(margin[some], first) < -tolerance_m
    starts = np.maximum(some[first[deep]] - 2 * width, 0)
    stops = np.minimum(some[last[deep]] + 2 * width + 1, len(asked))
    inside = np.zeros(len(asked) + 1, np.intp)
    inside[starts] += 1
    inside[stops] -= 1
    return np.flatnonzero(np.cumsum(inside[:-1]))


def spread(asked: Array, width: int) -> Array:
    """What frames ask for (M, K), smooth in time: each reaches `width` frames to either side.

    There it counts at its full size, and `width` frames further nothing of it is left. Frames that lie apart
    in the take may follow each other, if so many that ask for nothing lie between (see `wanting`).
    """
    out, size = np.zeros_like(asked), quat.length(asked)
    some = np.flatnonzero(size)
    if not len(some):
        return out
    best, most = np.arange(len(size)), size.copy()
    for step in range(1, width + 1):
        for shift in (step, -step):
            there = some[(some >= -shift) & (some < len(size) - shift)]
            there = there[size[there] > _LARGER * most[there + shift]]  # else the nearer in time stays
            best[there + shift], most[there + shift] = there, size[there]
    bell = np.hanning(2 * width + 3)[1:-1]
    padded = np.pad(asked[best], ((width, width), (0, 0)), mode="edge")
    for k in range(asked.shape[1]):
        out[:, k] = np.convolve(padded[:, k], bell / bell.sum(), mode="valid")
    return out
