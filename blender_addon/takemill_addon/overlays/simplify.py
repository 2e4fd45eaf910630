"""The fewest points of a path that look like all of them: each one less to draw. Arrays alone."""

from __future__ import annotations

import numpy as np

from takemill.base.checks import Array, Index
from takemill.maths import quat

_TINY = 1e-12  # m^2: no chord is shorter


def simplified(points: Array, off_m: float, most: int) -> Index:
    """The numbers (K,) of points (N, 3) whose lines all others lie near, both ends among them.

    The farthest point from each line is taken, until none is farther than `off_m`; farther, where that would
    take more than `most` of them. Source: Ramer 1972; Douglas and Peucker 1973.
    """
    kept = _kept(points, off_m)
    while np.count_nonzero(kept) > max(most, 2):
        off_m *= 2
        kept = _kept(points, off_m)
    return np.flatnonzero(kept)


def _kept(points: Array, off_m: float) -> Array:
    """Which points (N,) are taken, all lines of one depth at once."""
    kept = np.zeros(len(points), bool)
    kept[[0, -1]] = True
    while True:
        ends = np.flatnonzero(kept)
        if len(ends) < 2:
            return kept
        line = np.repeat(np.arange(len(ends) - 1), np.diff(ends))  # of each point but the last
        start, way = points[ends[:-1]], np.diff(points[ends], axis=0)
        away = points[:-1] - start[line]
        share = (away * way[line]).sum(axis=1) / np.maximum((way * way).sum(axis=1), _TINY)[line]
        off = quat.length(away - np.clip(share, 0.0, 1.0)[:, None] * way[line])
        far = np.flatnonzero((off == np.maximum.reduceat(off, ends[:-1])[line]) & (off > off_m))
        if not len(far):
            return kept
        kept[far[np.unique(line[far], return_index=True)[1]]] = True
