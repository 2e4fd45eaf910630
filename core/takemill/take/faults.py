"""Frames of one rotation track that a sensor got wrong, and a bridge over them: arrays only."""

from __future__ import annotations

from functools import lru_cache

import numpy as np

from ..base.checks import Array, Index, Mask
from ..maths import quat
from ..maths.blocks import each_solved
from ..maths.series import filled, runs

SAME = 1e-6  # quaternion difference below which a sensor repeats itself: above the rounding of a text file
_NEIGHBOURS = 3  # good frames on each side that tell what a run of spikes should have been
LONGEST_SPIKE = 4  # frames
_MEDIAN_WINDOW = 24  # frames of the local median; spikes fill less than half of it
_CHI3_MEDIAN = 1.5382  # median of the chi distribution, 3 degrees of freedom
_SHARP = 0.45  # of a run's height that it must rise or fall by more than its neighbours' mean
_PART = 8192  # frames that are worked on at a time, so that they stay in the cache
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
    identifier: Davies and Gather, JASA 88, 1993). A candidate run is a spike when a cubic through six
    good frames about it fits those closely and misses every frame of the run by much more: by more than
    `limit` local deviations, than five times the fit's own error, than four fifths of the fastest step of
    the good frames and than `min_turn` (radians); and when it leaves or comes back at once. A strike bends
    its neighbours as well, so that the fit's error and the local deviation grow with it, and an impact rises
    and falls over some frames.

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
    if len(good) < 2 * _NEIGHBOURS + LONGEST_SPIKE:
        return out
    bend = _bend(rotations if len(good) == len(bad) else rotations[good])
    local = np.zeros(len(bad))
    local[good] = _local_median(bend)
    places = np.flatnonzero(bend > np.maximum(3.5 * local[good], min_turn / 3))
    sigma = local / (_CHI3_MEDIAN * np.sqrt(1.5))
    for _ in range(6):  # each round looks past the spikes of the one before: pairs, spikes beside a freeze
        starts = np.unique(np.clip(places[:, None] + np.array([0, 1]), 1, len(good) - 2))
        taken = _best_runs(rotations, good, starts, sigma, min_turn, limit)
        if len(taken) == 0:
            break
        out[good[taken]] = True
        # Only what lies near the spikes just found looks different without them.
        near = np.setdiff1d(taken[:, None] + _AROUND, taken)
        near -= np.searchsorted(taken, near)
        good = np.delete(good, taken)
        if len(good) < 2 * _NEIGHBOURS + LONGEST_SPIKE:
            break
        near = np.unique(np.clip(near, 1, len(good) - 2))
        middle, before, after = (rotations[good[near + step]] for step in (0, -1, 1))
        bend = 2 * quat.length(middle - (before + after) / 2)
        places = near[bend > np.maximum(3.5 * local[good[near]], min_turn / 3)]
    return out


def _bend(track: Array) -> Array:
    """How far (F,) a track (F, 4) turns off the middle of its neighbours, radians; the ends as theirs."""
    bend = np.empty(len(track))
    for start in range(1, len(track) - 1, _PART):
        stop = min(start + _PART, len(track) - 1)
        change = track[start - 1 : stop - 1] + track[start + 1 : stop + 1]
        change -= 2 * track[start:stop]
        bend[start:stop] = np.sqrt(np.einsum("fi,fi->f", change, change))
    bend[0], bend[-1] = bend[1], bend[-2]
    return bend


_LENGTHS = np.arange(1, LONGEST_SPIKE + 1)
_AROUND = np.arange(-4 * _NEIGHBOURS, 4 * _NEIGHBOURS + 1)
_SIDE = 2 * _NEIGHBOURS


def _best_runs(
    rotations: Array, good: Index, starts: Index, sigma: Array, min_turn: float, limit: float
) -> Index:
    """The places (N,) in `good` of spikes: runs of 1 to 4 good frames from `starts`, the clearest first."""
    starts, lengths = _runs_with_jumps(rotations, good, starts, min_turn / 3)
    # Near an end of the take there are fewer neighbours on one side, and more on the other.
    first = np.clip(starts - _NEIGHBOURS, 0, len(good) - _SIDE - lengths)
    ahead = starts - first
    window = good[first[:, None] + _places(ahead, lengths)]  # (N, 10)
    even_fits, even_reach = (part[lengths - 1] for part in _even_fits())
    fits, reach = even_fits.copy(), even_reach.copy()
    odd = (ahead != _NEIGHBOURS) | (good[first + _SIDE + lengths - 1] - good[first] >= _SIDE + lengths)
    fits[odd], reach[odd] = _fits(window[odd].astype(float))
    values = rotations[window]
    off = values - fits @ values[:, :_SIDE]
    miss = 2 * quat.length(off)
    error = np.sqrt((miss[:, :_SIDE] ** 2).sum(axis=-1) / 6)  # 6 points less 4 parameters, 3 axes
    least, most = miss[:, _SIDE:].min(axis=-1), miss[:, _SIDE:].max(axis=-1)
    # The good frames' own steps, and the mean step across the run: a path this quick bends as far by itself.
    steps = 2 * quat.length(np.diff(values[:, :_SIDE], axis=1)) / np.diff(window[:, :_SIDE], axis=1)
    spread = sigma[good[starts]]
    bar = reach / even_reach * np.maximum(limit * spread, 5 * error)
    bar = np.maximum(bar, np.maximum(0.8 * steps.max(axis=-1), min_turn))
    sharp = _largest_bend(off[:, _SIDE:], lengths) > _SHARP * most
    score = np.where(sharp & (least > bar), least / (error + spread + 1e-9), 0.0)
    taken: set[int] = set()
    for k in np.argsort(-score, kind="stable")[: np.count_nonzero(score)].tolist():
        start, length = int(starts[k]), int(lengths[k])
        if taken.isdisjoint(range(start - 1, start + length + 1)):
            taken.update(range(start, start + length))
    return np.array(sorted(taken), dtype=np.intp)


def _runs_with_jumps(rotations: Array, good: Index, starts: Index, jump: float) -> tuple[Index, Index]:
    """Starts (N,) and lengths (N,), 1 to 4, of runs of good frames entered and left by a step of a `jump`."""
    there = np.minimum(starts[:, None] + np.arange(LONGEST_SPIKE + 1), len(good) - 1)
    jumps = 2 * quat.length(rotations[good[there]] - rotations[good[there - 1]]) > jump
    ends = starts[:, None] + _LENGTHS
    leaves = (jumps[:, 1:] & (ends < len(good))) | (ends == len(good))
    which, length = np.nonzero(jumps[:, :1] & leaves)
    return starts[which], length + 1


def _places(ahead: Index, lengths: Index) -> Index:
    """The places (N, 10) of six neighbours, of which `ahead` (N,) lie before a run, and of the run's frames.

    Counted from the first neighbour; a run of fewer than four `lengths` (N,) names its last frame again.
    """
    first, length, around = ahead[:, None], lengths[:, None], np.arange(_SIDE)
    run = first + np.minimum(np.arange(LONGEST_SPIKE), length - 1)
    out: Index = np.concatenate([around + np.where(around >= first, length, 0), run], axis=1)
    return out


@lru_cache(maxsize=1)
def _even_fits() -> tuple[Array, Array]:
    """`_fits` for runs of 1 to 4 frames amid good ones, three on each side: (4, 10, 6) and (4,)."""
    return _fits(_places(np.full(LONGEST_SPIKE, _NEIGHBOURS), _LENGTHS).astype(float))


def _fits(t: Array) -> tuple[Array, Array]:
    """Cubics through the first six of times t (N, 10): what those six weigh at all ten, (N, 10, 6).

    Also the largest deviation (N,) of the last four from their cubic where all ten have noise of 1.
    """
    first, last = t.min(axis=1, keepdims=True), t.max(axis=1, keepdims=True)
    powers = ((t - first) / (last - first) * 2 - 1)[..., None] ** np.arange(4)
    known = powers[:, :_SIDE]
    across = np.swapaxes(known, 1, 2)
    fits = powers @ each_solved(across @ known, across)
    return fits, np.sqrt(1 + np.square(fits[:, _SIDE:]).sum(axis=-1).max(axis=-1))


def _largest_bend(off: Array, lengths: Index) -> Array:
    """The largest bend (N,), radians, within runs of `lengths` (N,) that lie `off` (N, 4, 4) their fits."""
    over = lengths[:, None] > np.arange(LONGEST_SPIKE)
    off = off * over[..., None]
    bend = off.copy()
    bend[:, 1:] -= off[:, :-1] / 2
    bend[:, :-1] -= off[:, 1:] / 2
    largest: Array = 2 * (quat.length(bend) * over).max(axis=1)
    return largest


def _local_median(values: Array) -> Array:
    """The median (F,) of 24 frames about each frame, computed every 12 frames and held between."""
    count, step = len(values), _MEDIAN_WINDOW // 2
    if count <= _MEDIAN_WINDOW:
        return np.full(count, np.median(values))
    windows = np.lib.stride_tricks.sliding_window_view(values, _MEDIAN_WINDOW)[::step]
    medians = np.sort(windows, axis=1)[:, step]  # of so few, quicker than to part them
    # A window's middle lies half a step into its second half.
    held = np.repeat(medians, step)
    out = np.full(count, medians[-1])
    out[: step // 2] = medians[0]
    stop = min(count, step // 2 + len(held))
    out[step // 2 : stop] = held[: stop - step // 2]
    return out


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
    out = rotations.copy(order="K")
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
    return each_solved(normal, across @ vectors)[:, 1]
