"""What speaks for a jump of one sensor, and against an honest fast motion, of runs of frames that stick out.

Four ratios, each of how far a run sticks out to what else could be the reason: the fastest steps of the joint
itself around it, how badly its own good frames fit a smooth path, what the other joints do at the same
moment, and what the joints next to it do. A body that strikes moves many joints at once, and is quick before
and after; a sensor jumps alone.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ..base.checks import Array, Index, Mask
from ..maths import quat
from ..maths.blocks import each_solved
from ..maths.series import filled, runs

_SIDE_FRAMES = 3  # good frames on each side of a run, as in spikes.py
_MIN_ANGLE_RAD = 1e-3  # smaller angles count as this: 0.06 degrees, below the noise of a sensor
_MAX_LOG_RATIO = 4.0  # one reason alone proves nothing (chosen by eye)
_MAX_OTHERS = 24  # joints whose motion is looked at: enough for a median
# What each logarithm weighs, and the least sum. By trial: a logistic regression over what find_spikes gives
# on the 22 open motions at 24 to 120 frames a second, clean and with injected spikes; of clean runs the sum
# that comes nearest is 7.5. Fitted on half of the motions it calls up to 19 frames of the others spikes.
# Without `fit` recall falls by 0.02 at 60 frames a second and 0.10 at 30, without another one by 0.01.
_WEIGHTS = {"step": 1.8, "fit": 2.75, "others": 1.4, "beside": 0.45}
_MIN_EVIDENCE = 7.8
# What a body does in a few frames at up to 60 a second, it does not at 120, where no evidence is asked for:
# by trial as above, clean motions have no run at all there. Between the two less and less will do.
_COARSE_RATE, FINE_RATE, _SLACK_PER_OCTAVE = 60.0, 120.0, 6.0


@dataclass(frozen=True)
class Evidence:
    """Logarithms (N,) of what N runs of frames stick out by, over each reason there could be for it.

    Attributes:
        starts, stops: (N,) of the runs.
        step: the smaller of the steps into and out of the run, over the fastest step of its good neighbours.
        fit: the least that a frame of the run is off the path of its good neighbours, over what those are.
        others: the same over the median of what the take's other joints are off theirs in these frames.
        beside: the same over what the joints above and below do.
    """

    starts: Index
    stops: Index
    step: Array
    fit: Array
    others: Array
    beside: Array


def find_evidence(
    rotations: Array, joint: int, parents: tuple[int, ...], spikes: Mask, bad: Mask, noise: float = 0.0
) -> Evidence:
    """What speaks for each run of `spikes` (F,) of one joint.

    Args:
        rotations: (F, J, 4) hemisphere-continuous, of all joints.
        joint: whose.
        parents: (J,) the joint above each one, -1 for a root.
        spikes: (F,) in runs; a run that touches an end of the take has no step on that side, and none counts.
        bad: (F,) frames to look past, the spikes and all that is frozen.
        noise: of a sensor, standard deviation about one axis, radians: what neighbours are off by it is no
            reason.
    """
    frames = len(spikes)
    starts, stops = runs(spikes)
    good = np.flatnonzero(~bad)
    none = np.zeros(len(starts))
    if len(good) < 2 * _SIDE_FRAMES or not len(starts):
        return Evidence(starts, stops, none, none, none, none)
    first = np.clip(np.searchsorted(good, starts) - _SIDE_FRAMES, 0, len(good) - 2 * _SIDE_FRAMES)
    known = good[first[:, None] + np.arange(2 * _SIDE_FRAMES)]  # (N, 6)
    length = int((stops - starts).max())
    run = np.minimum(starts[:, None] + np.arange(length), stops[:, None] - 1)  # (N, L)
    window = np.concatenate([known, run], axis=1)
    fits = _cubics(known.astype(float), window.astype(float))
    own = rotations[window, joint]
    off = _off(fits, own)
    least, error = off[:, 2 * _SIDE_FRAMES :].min(axis=1), off[:, : 2 * _SIDE_FRAMES].sum(axis=1)
    # Six neighbours lie about one deviation off a cubic each; a run ends about three off its own.
    others, beside = (
        _beyond(off_path, 3 * noise, noise)
        for off_path in (
            _median_of_others(rotations, joint, window, fits),
            _largest_beside(rotations, joint, parents, window, fits),
        )
    )
    steps = 2 * quat.length(np.diff(own[:, : 2 * _SIDE_FRAMES], axis=1)) / np.diff(known, axis=1)
    adjacent = np.diff(known, axis=1) == 1
    fastest = np.where(adjacent, steps, 0.0).max(axis=1)
    edges = np.clip(np.stack([starts, stops], axis=1), 1, frames - 1)
    jumps = 2 * quat.length(rotations[edges, joint] - rotations[edges - 1, joint])
    inside = (starts > 0) & (stops < frames)
    jump = np.where(inside, jumps.min(axis=1), 0.0)
    return Evidence(
        starts,
        stops,
        _log_ratio(jump, fastest),
        _log_ratio(least, _beyond(error, 2 * _SIDE_FRAMES * noise, noise)),
        _log_ratio(least, others),
        _log_ratio(least, beside),
    )


def _beyond(off: Array, expected: float, least: float) -> Array:
    """What angles (N,) are beyond those that noise makes, `expected`; no less than `least`."""
    return np.maximum(np.sqrt(np.maximum(off**2 - expected**2, 0.0)), least)


def _log_ratio(large: Array, small: Array) -> Array:
    ratio = np.maximum(large, _MIN_ANGLE_RAD) / (small + _MIN_ANGLE_RAD)
    return np.clip(np.log(ratio), -_MAX_LOG_RATIO, _MAX_LOG_RATIO)


def _cubics(known: Array, window: Array) -> Array:
    """What values at six times (N, 6) weigh, in a cubic through them, at the times of a window (N, W)."""
    first, last = known[:, :1], known[:, -1:]
    scale = 2 / (last - first)
    powers = ((known - first) * scale - 1)[..., None] ** np.arange(4)
    wanted = ((window - first) * scale - 1)[..., None] ** np.arange(4)
    across = np.swapaxes(powers, 1, 2)
    return wanted @ each_solved(across @ powers, across)


def _off(fits: Array, values: Array) -> Array:
    """How far (N, ..., W) rotations (N, ..., W, 4) lie off the cubics through their first six, radians."""
    extra = (1,) * (values.ndim - 3)
    fits = fits.reshape(len(fits), *extra, *fits.shape[1:])
    return 2 * quat.length(values - fits @ values[..., : 2 * _SIDE_FRAMES, :])


def _median_of_others(rotations: Array, joint: int, window: Index, fits: Array) -> Array:
    """The median (N,) over the other joints that move of the largest that each is off its path in the run."""
    moving = np.flatnonzero(np.ptp(rotations[:: max(len(rotations) // 64, 1)], axis=0).max(axis=-1) > 1e-4)
    others = moving[moving != joint]
    if not len(others):
        return np.zeros(len(window))
    others = others[:: -(-len(others) // _MAX_OTHERS)]
    values = rotations[window[:, None], others[:, None]]  # (N, O, W, 4)
    return np.asarray(np.median(_off(fits, values)[..., 2 * _SIDE_FRAMES :].max(axis=-1), axis=1))


def _largest_beside(
    rotations: Array, joint: int, parents: tuple[int, ...], window: Index, fits: Array
) -> Array:
    """The most (N,) that the joints above and below are off their paths in the run, of the best reading.

    A sensor that jumps turns its own joint and, turned back, those below it: then the products of two joints
    are smooth although each of them jumps.
    """
    above = parents[joint]
    below = [child for child, parent in enumerate(parents) if parent == joint]

    def off(*chain: int) -> Array:
        values = rotations[window, chain[0]]
        for one in chain[1:]:
            values = quat.mul(values, rotations[window, one])
        return _off(fits, _same_side(values))[:, 2 * _SIDE_FRAMES :].max(axis=1)

    nothing = np.zeros(len(window))
    parent = off(above) if above >= 0 else nothing
    children = np.max([off(child) for child in below] or [nothing], axis=0)
    with_parent = off(above, joint) if above >= 0 else parent
    with_children = np.max([off(joint, child) for child in below] or [nothing], axis=0)
    return np.minimum(
        np.maximum(parent, children),
        np.minimum(np.maximum(parent, with_children), np.maximum(with_parent, children)),
    )


def _same_side(values: Array) -> Array:
    """Rotations (N, W, 4) all in the hemisphere of each row's first."""
    return np.where((values * values[:, :1]).sum(axis=-1, keepdims=True) < 0, -values, values)


def sure_frames(evidence: Evidence, frames: int, rate: float) -> Mask:
    """The frames (F,) of the runs that are jumps of a sensor, in a take of so many `frames` at `rate`."""
    total = sum(weight * getattr(evidence, name) for name, weight in _WEIGHTS.items())
    sure = total > _MIN_EVIDENCE - _SLACK_PER_OCTAVE * max(np.log2(rate / _COARSE_RATE), 0.0)
    return filled(frames, evidence.starts[sure], evidence.stops[sure])
