"""Frames of one rotation track that a sensor got wrong, and a bridge over them: arrays only."""

from __future__ import annotations

import numpy as np

from . import quat
from .checks import Array, Index, Mask
from .series import filled, runs

SAME = 1e-6  # quaternion difference below which a sensor repeats itself: above the rounding of a text file
_NEIGHBOURS = 3  # good frames on each side that tell what a run of spikes should have been
_LONGEST_SPIKE = 4  # frames
_MEDIAN_WINDOW = 24  # frames of the local median; spikes fill less than half of it
_CHI3_MEDIAN = 1.5382  # median of the chi distribution, 3 degrees of freedom
_LEAST_NOISE = np.radians(0.01)  # a track with more than this never rests in equal values


def find_frozen(
    rotations: Array, noise: float, min_frames: int = 3, min_jump: float = np.radians(0.1)
) -> Mask:
    """Frames in which the rotations (F, 4) of a moving joint repeat the one before.

    A run of `min_frames` or more equal frames counts when the joint cannot have rested: its other frames
    carry noise, or it leaves the run by a jump that its next steps do not go on with. The first
    frame of a run is true and not counted.

    Args:
        rotations: (F, 4) hemisphere-continuous.
        noise: of the track, standard deviation about one axis, radians.
        min_frames: of equal frames, the first included.
        min_jump: radians.
    """
    frames = len(rotations)
    out = np.zeros(frames, bool)
    if frames < min_frames + 1:
        return out
    steps = 2 * quat.length(np.diff(rotations, axis=0))
    # A frozen sensor may still carry a drift added later, far below its noise.
    same = steps < max(2 * SAME, 0.02 * noise)
    starts, stops = runs(same)
    long = stops - starts >= min_frames - 1
    starts, stops = starts[long], stops[long]
    if len(starts) == 0 or same.all():
        return out
    left = steps[np.minimum(stops, frames - 2)] * (stops < frames - 1)
    went_on = np.maximum(steps[np.minimum(stops + 1, frames - 2)], steps[np.maximum(starts - 1, 0)])
    keep = ((left > min_jump) & (left > 2.5 * went_on)) | (noise > _LEAST_NOISE)
    return filled(frames, starts[keep] + 1, stops[keep] + 1)


def find_spikes(rotations: Array, bad: Mask, min_turn: float = np.radians(3.0), limit: float = 8.0) -> Mask:
    """Runs of 1 to 4 frames that leave the path of rotations (F, 4) and come back.

    Frames that bend away from their neighbours more than the local median allows are candidates (a Hampel
    identifier: Davies and Gather, JASA 88, 1993). A candidate run is a spike when a cubic through three
    good frames on each side fits those closely and misses every frame of the run by much more: by more than
    `limit` local deviations, than four times the fit's own error, than four fifths of the fastest step of
    the good frames and than `min_turn` (radians). A
    strike bends its neighbours as well, so that the fit's error and the local deviation grow with it.

    Args:
        rotations: (F, 4) hemisphere-continuous.
        bad: (F,) frames to look past, such as frozen ones.
        min_turn: radians; smaller excursions are left to the smoothing.
        limit: in local standard deviations of the noise about one axis.

    Returns:
        (F,) the spikes; none of `bad`.
    """
    good = np.flatnonzero(~bad)
    out = np.zeros(len(rotations), bool)
    if len(good) < _PLACES.shape[1]:
        return out
    bend = _bend(rotations if len(good) == len(bad) else rotations[good])
    local = np.zeros(len(bad))
    local[good] = _local_median(bend)
    places = np.flatnonzero((bend > 3.5 * local[good]) & (bend > min_turn / 3))
    sigma = local / (_CHI3_MEDIAN * np.sqrt(1.5))
    for _ in range(6):  # each round looks past the spikes of the one before: pairs, spikes beside a freeze
        starts = np.unique(np.clip(places[:, None] + np.array([0, 1]), 0, len(good) - 1))
        taken = _best_runs(rotations, good, starts, sigma, min_turn, limit)
        if len(taken) == 0:
            break
        out[good[taken]] = True
        # Only what lies near the spikes just found looks different without them.
        kept = np.ones(len(good), bool)
        kept[taken] = False
        near = np.unique(np.clip(taken[:, None] + _AROUND, 0, len(good) - 1))
        near = np.cumsum(kept)[near[kept[near]]] - 1
        good = good[kept]
        near = np.unique(np.clip(near, 1, len(good) - 2))
        middle, before, after = (rotations[good[near + step]] for step in (0, -1, 1))
        bend = 2 * quat.length(middle - (before + after) / 2)
        places = near[(bend > 3.5 * local[good[near]]) & (bend > min_turn / 3)]
    return out


def _bend(track: Array) -> Array:
    """How far (F,) a track (F, 4) turns off the middle of its neighbours, radians; the ends as theirs."""
    bend = 2 * quat.length(track[1:-1] - (track[2:] + track[:-2]) / 2)
    return np.concatenate([bend[:1], bend, bend[-1:]])


# A run of 1 to 4 frames and its six good neighbours, as places from the run's first frame: (4, 10),
# neighbours first.
_LENGTHS = np.arange(1, _LONGEST_SPIKE + 1)
_AROUND = np.arange(-4 * _NEIGHBOURS, 4 * _NEIGHBOURS + 1)
_PLACES = np.concatenate(
    [
        np.tile(np.arange(-_NEIGHBOURS, 0), (_LONGEST_SPIKE, 1)),
        _LENGTHS[:, None] + np.arange(_NEIGHBOURS),
        np.minimum(np.arange(_LONGEST_SPIKE), _LENGTHS[:, None] - 1),
    ],
    axis=1,
)


def _best_runs(
    rotations: Array, good: Index, starts: Index, sigma: Array, min_turn: float, limit: float
) -> Index:
    """The places (N,) in `good` of spikes: runs of 1 to 4 good frames from `starts`, the clearest first."""
    side = 2 * _NEIGHBOURS
    starts = starts[(starts >= _NEIGHBOURS) & (starts + _NEIGHBOURS < len(good))]
    places = starts[:, None, None] + _PLACES  # (N, 4, 10)
    inside = places.max(axis=-1) < len(good)
    # A run too near the end of the take is looked at where there is room for it, and then not counted.
    window = good[np.where(inside[..., None], places, _PLACES + _NEIGHBOURS)]
    values, t = rotations[window], window.astype(float)
    first, last = t[..., :1], t[..., side - 1 : side]
    powers = ((t - first) / (last - first) * 2 - 1)[..., None] ** np.arange(4)
    known = powers[..., :side, :]
    across = np.swapaxes(known, -1, -2)
    cubic = np.linalg.solve(across @ known, across @ values[..., :side, :])
    miss = 2 * quat.length(values - powers @ cubic)
    error = np.sqrt((miss[..., :side] ** 2).sum(axis=-1) / 6)  # 6 points less 4 parameters, 3 axes
    least = miss[..., side:].min(axis=-1)
    # The good frames' own steps, and the mean step across the run: a path this quick bends as far by itself.
    steps = 2 * quat.length(np.diff(values[..., :side, :], axis=-2)) / np.diff(t[..., :side], axis=-1)
    spread = sigma[good[starts]][:, None]
    bar = np.maximum(np.maximum(limit * spread, 4 * error), np.maximum(0.8 * steps.max(axis=-1), min_turn))
    score = np.where(inside & (least > bar), least / (error + spread + 1e-9), 0.0)
    taken: set[int] = set()
    for k in np.argsort(-score, axis=None, kind="stable")[: np.count_nonzero(score)].tolist():
        start, length = int(starts[k // _LONGEST_SPIKE]), k % _LONGEST_SPIKE + 1
        if taken.isdisjoint(range(start - 1, start + length + 1)):
            taken.update(range(start, start + length))
    return np.array(sorted(taken), dtype=np.intp)


def _local_median(values: Array) -> Array:
    """The median (F,) of 24 frames about each frame, computed every 8 frames and held between."""
    count, step = len(values), 8
    if count <= _MEDIAN_WINDOW:
        return np.full(count, np.median(values))
    windows = np.lib.stride_tricks.sliding_window_view(values, _MEDIAN_WINDOW)[::step]
    medians = np.median(windows, axis=1)
    centres = np.arange(len(medians)) * step + (_MEDIAN_WINDOW - 1) / 2
    return medians[
        np.clip(np.rint((np.arange(count) - centres[0]) / step).astype(np.intp), 0, len(medians) - 1)
    ]


def bridge(rotations: Array, bad: Mask, max_gap: int, slope_frames: int = 7) -> tuple[Array, Mask]:
    """Rotations (F, 4) with the bad frames replaced by a spline through their good neighbours.

    A cubic from the last good frame to the next one, in the tangent space of the last, with the slopes of
    quadratics through the good frames on either side (C1 in the track's own trend). Before the first and
    after the last good frame the nearest one is held.

    Args:
        rotations: (F, 4) hemisphere-continuous.
        bad: (F,) frames to replace.
        max_gap: frames; longer gaps are left as they are.
        slope_frames: how many good frames each slope is taken from.

    Returns:
        Rotations (F, 4) and the frames (F,) that were replaced.
    """
    starts, stops = runs(bad)
    fits = stops - starts <= max_gap
    starts, stops = starts[fits], stops[fits]
    good = np.flatnonzero(~bad)
    out = rotations.copy()
    done = filled(len(bad), starts, stops)
    if len(starts) == 0 or len(good) == 0:
        return out, np.zeros_like(bad) if len(good) == 0 else done
    for edge, source in ((starts == 0, good[0]), (stops == len(bad), good[-1])):
        for start, stop in zip(starts[edge], stops[edge], strict=True):
            out[start:stop] = rotations[source]
    inner = (starts > 0) & (stops < len(bad))
    starts, stops = starts[inner], stops[inner]
    if len(starts) == 0:
        return out, done
    last = starts - 1
    slopes = []
    place = np.searchsorted(good, last)
    base = rotations[last]
    for first, sign in ((place, -1), (place + 1, 1)):
        picks = np.clip(first[:, None] + sign * np.arange(slope_frames), 0, len(good) - 1)
        slopes.append(_end_slope(rotations, good[picks], base))
    rise = quat.log(quat.mul(quat.inv(base), rotations[stops]))
    owner = np.repeat(np.arange(len(starts)), stops - starts)
    frame = np.flatnonzero(filled(len(bad), starts, stops))
    span = (stops - last).astype(float)[owner, None]
    u = (frame - last[owner])[:, None] / span
    vector = (
        u * u * (3 - 2 * u) * rise[owner]
        + u * (1 - u) ** 2 * span * slopes[0][owner]
        - u * u * (1 - u) * span * slopes[1][owner]
    )
    out[frame] = quat.mul(base[owner], quat.exp(vector))
    return out, done


def _end_slope(rotations: Array, picks: Index, base: Array) -> Array:
    """Slope per frame (N, 3) at the first of picks (N, S), of a quadratic in the tangent space of base."""
    vectors = quat.log(quat.mul(quat.inv(base)[:, None], rotations[picks]))
    t = (picks - picks[:, :1]).astype(float)
    # Frames far off, or picked twice at an end of the take, count for nothing.
    fresh = np.concatenate([np.ones((len(t), 1), bool), np.diff(picks, axis=1) != 0], axis=1)
    weight = fresh & (np.abs(t) < 2 * picks.shape[1])
    powers = t[..., None] ** np.arange(3) * weight[..., None]
    across = np.swapaxes(powers, 1, 2)
    normal = across @ powers + 1e-9 * np.eye(3)
    return np.linalg.solve(normal, across @ vectors)[:, 1]
