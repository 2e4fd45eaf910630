"""The few frames in which a sensor jumps away and comes back: arrays only."""

from __future__ import annotations

from functools import lru_cache

import numpy as np

from ..base.checks import Array, Index, Mask
from ..maths import quat
from ..maths.blocks import each_solved

_SIDE_FRAMES = 3  # good frames on each side of a run, together two more than a cubic has parameters
MAX_SPIKE_FRAMES = 4  # longer excursions are motion, or a frozen sensor (common practice, no source)
# Of the local median; spikes fill less than half of it. Trial: 16 make errors 16 % larger, 36 change nothing
# (sensitivity.py).
_MEDIAN_FRAMES = 24
_CHI3_MEDIAN = 1.5382  # median of the chi distribution, 3 degrees of freedom
# Of a run's height, by which one of its frames leaves its neighbours' mean. Trial: 0.3 changes nothing, 0.675
# makes errors 21 % larger (sensitivity.py).
_MIN_BEND_SHARE = 0.45
_CACHED_FRAMES = 8192  # that are worked on at a time, so that they stay in the processor's cache
_RUN_LENGTHS = np.arange(1, MAX_SPIKE_FRAMES + 1)  # that are tried
_AFFECTED_OFFSETS = np.arange(
    -4 * _SIDE_FRAMES, 4 * _SIDE_FRAMES + 1
)  # frames around a spike that are looked at again
_FIT_FRAMES = 2 * _SIDE_FRAMES  # good frames that a run's cubic is fitted to


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
    if len(good) < 2 * _SIDE_FRAMES + MAX_SPIKE_FRAMES:
        return out
    bend = _bend_rad(rotations if len(good) == len(bad) else rotations[good])
    local = np.zeros(len(bad))
    local[good] = _local_median(bend)
    places = np.flatnonzero(bend > np.maximum(3.5 * local[good], min_turn / 3))
    sigma = local / (_CHI3_MEDIAN * np.sqrt(1.5))
    for _ in range(6):  # each round looks past the spikes of the one before: pairs, spikes beside a freeze
        starts = np.unique(np.clip(places[:, None] + np.array([0, 1]), 1, len(good) - 2))
        taken = _pick_spikes(rotations, good, starts, sigma, min_turn, limit)
        if len(taken) == 0:
            break
        out[good[taken]] = True
        # Only what lies near the spikes just found looks different without them.
        near = np.setdiff1d(taken[:, None] + _AFFECTED_OFFSETS, taken)
        near -= np.searchsorted(taken, near)
        good = np.delete(good, taken)
        if len(good) < 2 * _SIDE_FRAMES + MAX_SPIKE_FRAMES:
            break
        near = np.unique(np.clip(near, 1, len(good) - 2))
        middle, before, after = (rotations[good[near + step]] for step in (0, -1, 1))
        bend = _bends_rad(before, middle, after)
        places = near[bend > np.maximum(3.5 * local[good[near]], min_turn / 3)]
    return out


def _bend_rad(track: Array) -> Array:
    """How far (F,) a track (F, 4) turns off the middle of its neighbours, radians; the ends as theirs."""
    bend = np.empty(len(track))
    for start in range(1, len(track) - 1, _CACHED_FRAMES):
        stop = min(start + _CACHED_FRAMES, len(track) - 1)
        bend[start:stop] = _bends_rad(
            track[start - 1 : stop - 1], track[start:stop], track[start + 1 : stop + 1]
        )
    bend[0], bend[-1] = bend[1], bend[-2]
    return bend


def _bends_rad(before: Array, middle: Array, after: Array) -> Array:
    """How far (F,) rotations (F, 4) lie off the middle of those before and after them, radians."""
    change = before + after
    change -= 2 * middle
    return np.asarray(np.sqrt(np.einsum("fi,fi->f", change, change)))


def _pick_spikes(
    rotations: Array, good: Index, starts: Index, sigma: Array, min_turn: float, limit: float
) -> Index:
    """The places (N,) in `good` of spikes: runs of 1 to 4 good frames from `starts`, the clearest first."""
    starts, lengths = _find_jump_runs(rotations, good, starts, min_turn / 3)
    # Near an end of the take there are fewer neighbours on one side, and more on the other.
    first = np.clip(starts - _SIDE_FRAMES, 0, len(good) - _FIT_FRAMES - lengths)
    ahead = starts - first
    window = good[first[:, None] + _fit_places(ahead, lengths)]  # (N, 10)
    even_fits, even_reach = (part[lengths - 1] for part in _even_cubic_fits())
    fits, reach = even_fits.copy(), even_reach.copy()
    odd = (ahead != _SIDE_FRAMES) | (
        good[first + _FIT_FRAMES + lengths - 1] - good[first] >= _FIT_FRAMES + lengths
    )
    fits[odd], reach[odd] = _cubic_fits(window[odd].astype(float))
    values = rotations[window]
    off = values - fits @ values[:, :_FIT_FRAMES]
    miss = 2 * quat.length(off)
    error = np.sqrt((miss[:, :_FIT_FRAMES] ** 2).sum(axis=-1) / 6)  # 6 points less 4 parameters, 3 axes
    least, most = miss[:, _FIT_FRAMES:].min(axis=-1), miss[:, _FIT_FRAMES:].max(axis=-1)
    # The good frames' own steps, and the mean step across the run: a path this quick bends as far by itself.
    steps = (
        2 * quat.length(np.diff(values[:, :_FIT_FRAMES], axis=1)) / np.diff(window[:, :_FIT_FRAMES], axis=1)
    )
    spread = sigma[good[starts]]
    bar = reach / even_reach * np.maximum(limit * spread, 5 * error)
    bar = np.maximum(bar, np.maximum(0.8 * steps.max(axis=-1), min_turn))
    sharp = _largest_bend(off[:, _FIT_FRAMES:], lengths) > _MIN_BEND_SHARE * most
    score = np.where(sharp & (least > bar), least / (error + spread + 1e-9), 0.0)
    taken: set[int] = set()
    for k in np.argsort(-score, kind="stable")[: np.count_nonzero(score)].tolist():
        start, length = int(starts[k]), int(lengths[k])
        if taken.isdisjoint(range(start - 1, start + length + 1)):
            taken.update(range(start, start + length))
    return np.array(sorted(taken), dtype=np.intp)


def _find_jump_runs(rotations: Array, good: Index, starts: Index, jump: float) -> tuple[Index, Index]:
    """Starts (N,) and lengths (N,), 1 to 4, of runs of good frames entered and left by a step of a `jump`."""
    there = np.minimum(starts[:, None] + np.arange(MAX_SPIKE_FRAMES + 1), len(good) - 1)
    jumps = 2 * quat.length(rotations[good[there]] - rotations[good[there - 1]]) > jump
    ends = starts[:, None] + _RUN_LENGTHS
    leaves = (jumps[:, 1:] & (ends < len(good))) | (ends == len(good))
    which, length = np.nonzero(jumps[:, :1] & leaves)
    return starts[which], length + 1


def _fit_places(ahead: Index, lengths: Index) -> Index:
    """The places (N, 10) of six neighbours, of which `ahead` (N,) lie before a run, and of the run's frames.

    Counted from the first neighbour; a run of fewer than four `lengths` (N,) names its last frame again.
    """
    first, length, around = ahead[:, None], lengths[:, None], np.arange(_FIT_FRAMES)
    run = first + np.minimum(np.arange(MAX_SPIKE_FRAMES), length - 1)
    out: Index = np.concatenate([around + np.where(around >= first, length, 0), run], axis=1)
    return out


@lru_cache(maxsize=1)
def _even_cubic_fits() -> tuple[Array, Array]:
    """`_cubic_fits` for runs of 1 to 4 frames amid good ones, three on each side: (4, 10, 6) and (4,)."""
    return _cubic_fits(_fit_places(np.full(MAX_SPIKE_FRAMES, _SIDE_FRAMES), _RUN_LENGTHS).astype(float))


def _cubic_fits(t: Array) -> tuple[Array, Array]:
    """Cubics through the first six of times t (N, 10): what those six weigh at all ten, (N, 10, 6).

    Also the largest deviation (N,) of the last four from their cubic where all ten have noise of 1.
    """
    first, last = t.min(axis=1, keepdims=True), t.max(axis=1, keepdims=True)
    powers = ((t - first) / (last - first) * 2 - 1)[..., None] ** np.arange(4)
    known = powers[:, :_FIT_FRAMES]
    across = np.swapaxes(known, 1, 2)
    fits = powers @ each_solved(across @ known, across)
    return fits, np.sqrt(1 + np.square(fits[:, _FIT_FRAMES:]).sum(axis=-1).max(axis=-1))


def _largest_bend(off: Array, lengths: Index) -> Array:
    """The largest bend (N,), radians, within runs of `lengths` (N,) that lie `off` (N, 4, 4) their fits."""
    over = lengths[:, None] > np.arange(MAX_SPIKE_FRAMES)
    off = off * over[..., None]
    bend = off.copy()
    bend[:, 1:] -= off[:, :-1] / 2
    bend[:, :-1] -= off[:, 1:] / 2
    largest: Array = 2 * (quat.length(bend) * over).max(axis=1)
    return largest


def _local_median(values: Array) -> Array:
    """The median (F,) of 24 frames about each frame, computed every 12 frames and held between."""
    count, step = len(values), _MEDIAN_FRAMES // 2
    if count <= _MEDIAN_FRAMES:
        return np.full(count, np.median(values))
    windows = np.lib.stride_tricks.sliding_window_view(values, _MEDIAN_FRAMES)[::step]
    medians = np.sort(windows, axis=1)[:, step]  # of so few, quicker than to part them
    # A window's middle lies half a step into its second half.
    held = np.repeat(medians, step)
    out = np.full(count, medians[-1])
    out[: step // 2] = medians[0]
    stop = min(count, step // 2 + len(held))
    out[step // 2 : stop] = held[: stop - step // 2]
    return out
