"""What one segment did while its sensor was out, told by the rest of the body: arrays only.

A window of the take, the gap and a little before and after it, is a point: where the other segments were at
some moments of it, and how the segment itself entered and left. Principal components of such windows keep
the few ways in which this take moves. How the segment's own path departs from a plain cubic between its ends
is then predicted from where a window lies, by a Gaussian process over the windows of good frames; that is a
ridge regression with a kernel, which goes back to the cubic where nothing like it is known. The ends are met
in place and slope by themselves, since all paths depart from cubics that meet them.

How far the prediction is trusted is tried on other stretches of the same take.

Sources: low-rank models of poses for missing markers, Liu and McMillan 2006, Gløersen and Federolf, PLoS ONE
2016 (both from memory); Rasmussen and Williams, Gaussian Processes for Machine Learning, 2006, 2.2.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from ..base.checks import Array, Index, Mask
from ..maths import quat
from .segments import Segments

_PAD_S = 0.1  # of the window before and after the gap
_MOMENTS = 7  # of a window at which the rest of the body is looked at
_COMPONENTS = 24  # of the windows' principal components; by trial: 16 and 30 did no better
_MAX_WINDOWS = 400  # nearest to the gap, of at most three times as many spread over the take
_MIN_WINDOWS = 40  # fewer tell nothing
_FOLDS = 4  # parts of the take, each told from the others
_MIN_FOLD_WINDOWS = 20  # to tell one from; fewer are too few for a kernel
# Length of the kernel, in medians of the distance between windows, and noise; by trial on the open motions.
_KERNELS = ((0.5, 0.1), (1.0, 0.1), (0.5, 0.01))
_SLOPE_FRAMES = 5  # on either side, which a quadratic goes through to tell the slope


@dataclass(frozen=True)
class _Windows:
    """Windows of a take as points.

    Attributes:
        starts: (M,) the first frame of the gap in each.
        points: (M, C).
        paths: (M, G, 3) how the segment departs from its cubic in each.
    """

    starts: Index
    points: Array
    paths: Array


def bridge_from_body(
    world: Array, segments: Segments, place: int, gap: tuple[int, int], bad: Mask, rate: float
) -> Array | None:
    """Orientations (G, 4) of a segment in a gap, or None where too little of the take is good.

    Args:
        world: (F, N, 4) of all segments.
        segments: whose they are.
        place: of the segment that is missing.
        gap: frames [start, stop).
        bad: (F, N) what is missing, the gap included.
        rate: frames per second.
    """
    start, stop = gap
    length, pad = stop - start, max(round(_PAD_S * rate), _SLOPE_FRAMES)
    if start - pad - 1 < 0 or stop + pad + 1 > len(world):
        return None
    window = slice(start - pad - 1, stop + pad + 1)
    seen = ~bad[window].any(axis=0)
    anchor = _anchor(segments, place, seen)
    used = [other for other in range(len(segments)) if other != place and seen[other]]
    beside = np.concatenate([np.arange(start - pad - 1, start), np.arange(stop, stop + pad + 1)])
    if anchor is None or bad[beside, place].any():
        return None
    starts = _good_starts(bad[:, [*used, place]].any(axis=1), length, pad, gap)
    if len(starts) < _MIN_WINDOWS:
        return None
    middle = _middle(quat.mul(quat.inv(world[starts, anchor]), world[starts, place]))

    def own(frames: Index) -> Array:
        turned = quat.mul(quat.inv(world[frames, anchor]), world[frames, place])
        return quat.log(quat.mul(quat.inv(middle), turned))

    known = np.concatenate([starts, [start]])
    points = _points(_others(world, segments, used, place, anchor, known, length, pad), own, known, length)
    ends, inside = _ends(known, length), starts[:, None] + np.arange(length)
    cubics = np.einsum("gk,mki->mgi", _cubic(length), own(ends))
    near = np.sort(np.argsort(np.square(points[:-1] - points[-1]).sum(axis=1), kind="stable")[:_MAX_WINDOWS])
    windows = _Windows(starts[near], points[near], own(inside[near]) - cubics[near])
    departs = _predicted(windows, points[-1], length + 2 * pad)
    path = quat.mul(middle, quat.exp(cubics[-1] + departs))
    return quat.mul(world[start:stop, anchor], path)


def _anchor(segments: Segments, place: int, seen: Mask) -> int | None:
    """The segment that the missing one is told from: the one above, or one that hangs on it."""
    parent = int(segments.parents[place])
    if parent >= 0:
        return parent if seen[parent] else None
    return next((int(k) for k in np.flatnonzero(segments.parents == place) if seen[k]), None)


def _good_starts(bad: Mask, length: int, pad: int, gap: tuple[int, int]) -> Index:
    """Frames (M,) at which a gap could start in a window that is good throughout and not that of the gap."""
    before, after = pad + 1, length + pad + 1
    count = np.concatenate([[0], np.cumsum(bad)])
    starts = np.arange(before, len(bad) - after)
    good = count[starts + after] == count[starts - before]
    apart = (starts + after <= gap[0]) | (starts - before >= gap[1])
    starts = starts[good & apart]
    return starts[:: max(len(starts) // (3 * _MAX_WINDOWS), 1)]


def _middle(rotations: Array) -> Array:
    """The mean (..., 4) of rotations (M, ..., 4) that lie on one side."""
    mean: Array = quat.normalize(quat.continuous(rotations).mean(axis=0))
    return mean


def _others(
    world: Array,
    segments: Segments,
    used: list[int],
    place: int,
    anchor: int,
    starts: Index,
    length: int,
    pad: int,
) -> Array:
    """Where the other segments are in windows (M, D): rotation vectors against the segments above them."""
    moments = np.round(np.linspace(-1 - pad, length + pad, _MOMENTS)).astype(np.intp)
    frames = starts[:, None] + moments
    columns = []
    for other in used:
        parent = int(segments.parents[other])
        parent = anchor if parent == place else parent
        turned = world[frames, other]
        if parent == other or parent < 0 or parent not in used:
            # The uppermost counts by how it leans: turned back to one heading.
            turned = quat.mul(quat.from_yaw(-quat.yaw(turned)), turned)
        else:
            turned = quat.mul(quat.inv(world[frames, parent]), turned)
        flat = turned.reshape(-1, 4)
        middle = _middle(flat)
        columns.append(quat.log(quat.mul(quat.inv(middle), flat)).reshape(len(starts), -1))
    return np.concatenate(columns, axis=1) / np.sqrt(_MOMENTS)


def _points(others: Array, own: Callable[[Index], Array], starts: Index, length: int) -> Array:
    """Windows as points (M, C): principal components of the others, and how the segment enters and leaves."""
    centred = others - others[:-1].mean(axis=0)
    some = centred[:-1][:: max(len(centred) // _MAX_WINDOWS, 1)]
    axes = np.linalg.svd(some, full_matrices=False)[2][:_COMPONENTS]
    first, last = own(starts - 1), own(starts + length)
    rise = (length + 1) / (3 * 6)  # a slope over three frames counts as what it makes in a sixth of the gap
    slopes = [(first - own(starts - 4)) * rise, (own(starts + length + 3) - last) * rise]
    mine = np.concatenate([first, last, *slopes], axis=1)
    return np.concatenate([centred @ axes.T, mine - mine[:-1].mean(axis=0)], axis=1)


def _predicted(windows: _Windows, point: Array, apart: int) -> Array:
    """The path's departure (G, 3) from its cubic at a point, by the kernel that did best in other stretches.

    It is trusted by the share of the departures that the same kernel explained there, stretches like the gap
    counting most; windows less than `apart` frames from a stretch tell nothing in it.
    """
    points, paths = windows.points, windows.paths.reshape(len(windows.points), -1)
    off = np.square(points[:, None] - points).sum(axis=-1)
    away = np.square(points - point).sum(axis=-1)
    level = float(np.median(off)) + 1e-12
    size = float(np.square(points).sum(axis=-1).mean()) + 1e-12
    straight, straight_to = points @ points.T / size, points @ point / size
    like = np.exp(-away / (2 * float(np.median(away)) + 1e-12))[:, None]
    best, out = 0.0, np.zeros(paths.shape[1])
    for reach, noise in _KERNELS:
        kernel = 0.5 * np.exp(-off / (2 * reach**2 * level)) + 0.5 * straight
        trust = _trust(kernel, paths, windows.starts, like, noise, apart)
        if trust > best:
            to = 0.5 * np.exp(-away / (2 * reach**2 * level)) + 0.5 * straight_to
            solved = np.linalg.solve(kernel + noise * np.eye(len(kernel)), paths)
            best, out = trust, trust * (to @ solved)
    return out.reshape(windows.paths.shape[1:])


def _trust(kernel: Array, paths: Array, starts: Index, like: Array, noise: float, apart: int) -> float:
    """How far, 0 to 1, a kernel's predictions are to be followed.

    The factor that would have fitted best, times the share of the departures that it would have explained.
    """
    product = power = whole = 0.0
    for fold in np.array_split(np.arange(len(starts)), _FOLDS):
        far = (starts < starts[fold[0]] - apart) | (starts > starts[fold[-1]] + apart)
        train = np.flatnonzero(far)
        if len(train) < _MIN_FOLD_WINDOWS:
            continue
        solved = np.linalg.solve(kernel[np.ix_(train, train)] + noise * np.eye(len(train)), paths[train])
        said = kernel[np.ix_(fold, train)] @ solved
        product += float((like[fold] * said * paths[fold]).sum())
        power += float((like[fold] * said * said).sum())
        whole += float((like[fold] * paths[fold] ** 2).sum())
    if power <= 0 or whole <= 0:
        return 0.0
    factor = min(max(product / power, 0.0), 1.0)
    explained = (2 * factor * product - factor**2 * power) / whole
    return factor * max(explained, 0.0)


def _ends(starts: Index, length: int) -> Index:
    """The frames (M, 2 S) beside a gap whose slopes and places a cubic meets."""
    beside = np.concatenate([np.arange(-_SLOPE_FRAMES, 0), length + np.arange(_SLOPE_FRAMES)])
    return starts[:, None] + beside


@lru_cache
def _cubic(length: int) -> Array:
    """What the frames beside a gap weigh (G, 2 S) in a cubic through the last and the next good frame.

    Its slopes are those of quadratics through `_SLOPE_FRAMES` frames on either side.
    """
    steps = np.arange(_SLOPE_FRAMES)
    slope = np.linalg.pinv(steps[:, None] ** np.arange(3.0))[1]
    first = (steps == 0).astype(float)
    span = length + 1
    u = (np.arange(1, length + 1) / span)[:, None]
    before = (2 * u**3 - 3 * u**2 + 1) * first + span * (u**3 - 2 * u**2 + u) * -slope
    after = (3 * u**2 - 2 * u**3) * first + span * (u**3 - u**2) * slope
    return np.concatenate([before[:, ::-1], after], axis=1)
