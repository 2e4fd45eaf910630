"""What a joint did while its sensor was wrong, estimated from noisy frames beside: arrays only.

The expected path of a Gaussian process, seen through white noise: a cubic smoothing spline. Its stiffness is
estimated from each gap's own neighbours, by restricted likelihood. So calm stretches are bridged by nearly
straight lines without the noise, quick ones by curves that turn with the strike.

Sources: Wahba, Journal of the Royal Statistical Society B 40, 1978 (smoothing splines as Gaussian
processes); Patterson and Thompson, Biometrika 58, 1971 (restricted likelihood).
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np

from ..base.checks import Array, Index, Mask
from ..maths import quat
from ..maths.blocks import each_solved
from ..maths.series import filled, runs

# Good frames on either side that a gap is estimated from. Trial: 4 make errors 0.5 % larger, 9 by 0.3 %
# smaller and the filter slower (sensitivity.py).
_MAX_SIDE_FRAMES = 6
# By how much a slope may change in a frame: variances, in squares of the noise, from rest to a
# strike (chosen by eye).
_SLOPE_VARIANCES = (1e-4, 1e-2, 1.0, 1e2, 1e4)


def fill(rotations: Array, bad: Mask, noise: float, max_gap: int) -> tuple[Array, Mask]:
    """Rotations (F, 4) whose bad frames get the path that their good neighbours make most likely.

    The neighbours keep their noise, so that the path need not meet them. Before the first and after the last
    good frame the nearest one is held.

    Args:
        rotations: (F, 4) hemisphere-continuous.
        bad: (F,) frames to replace.
        noise: standard deviation about one axis, radians; above 0.
        max_gap: frames; longer gaps are left as they are.

    Returns:
        Rotations (F, 4) and the frames (F,) that were replaced.
    """
    frames = len(bad)
    starts, stops = runs(bad)
    before = np.minimum(starts - np.concatenate([[0], stops[:-1]]), _MAX_SIDE_FRAMES)
    after = np.minimum(np.concatenate([starts[1:], [frames]]) - stops, _MAX_SIDE_FRAMES)
    able = (stops - starts <= max_gap) & (before + after > 0)
    starts, stops, before, after = (each[able] for each in (starts, stops, before, after))
    if len(starts) == 0:
        return rotations.copy(order="K"), np.zeros_like(bad)
    done = filled(frames, starts, stops)
    patterns, which = np.unique(
        np.stack([before, stops - starts, after], axis=1), axis=0, return_inverse=True
    )
    weights, misfits, constants = _stack_systems(patterns)
    which = which.reshape(-1)  # some versions of numpy keep the axis
    steps = np.arange(_MAX_SIDE_FRAMES)
    beside = np.concatenate([starts[:, None] - 1 - steps[::-1], stops[:, None] + steps], axis=1)
    base = rotations[np.where(before > 0, starts - 1, stops % frames)]
    vectors = quat.log(quat.mul(quat.inv(base)[:, None], rotations[np.clip(beside, 0, frames - 1)])) / noise
    likelihood = _weigh_stiffnesses(vectors, misfits[which], constants[which])
    owner = np.repeat(np.arange(len(starts)), stops - starts)
    frame = np.flatnonzero(done)
    rows = weights[which[owner], :, frame - starts[owner]]  # (N, S, 12)
    path = np.einsum(
        "ns,nsk,nki->ni", likelihood[owner], rows, vectors[owner], optimize=["einsum_path", (0, 1), (0, 1)]
    )
    out = rotations.copy(order="K")
    out[frame] = quat.mul(base[owner], quat.exp(noise * path))
    return out, done


def _weigh_stiffnesses(vectors: Array, misfits: Array, constants: Array) -> Array:
    """How likely (G, S) each stiffness is for gaps with neighbours (G, 12, 3), in units of the noise."""
    wide = vectors[:, None]
    log = -0.5 * (wide * (misfits @ wide)).sum(axis=(-1, -2)) - constants
    likelihood = np.exp(log - log.max(axis=1, keepdims=True))
    return likelihood / likelihood.sum(axis=1, keepdims=True)


def _stack_systems(patterns: Index) -> tuple[Array, Array, Array]:
    """`_build_system` of patterns (U, 3), for the longest gap: (U, S, N, 12), (U, S, 12, 12), (U, S)."""
    systems = [_build_system(*map(int, pattern)) for pattern in patterns]
    weights = np.zeros((len(systems), len(_SLOPE_VARIANCES), int(patterns[:, 1].max()), 2 * _MAX_SIDE_FRAMES))
    for row, (own, _, _) in zip(weights, systems, strict=True):
        row[:, : own.shape[1]] = own
    return weights, np.stack([s[1] for s in systems]), np.stack([s[2] for s in systems])


@lru_cache(maxsize=4096)
def _build_system(before: int, length: int, after: int) -> tuple[Array, Array, Array]:
    """Of a gap with so many frames beside it, for each of S stiffnesses.

    Returns:
        What twelve neighbours weigh in each frame of the gap (S, length, 12), 0 for those that are
        missing; their quadratic form (S, 12, 12) in the log-likelihood; and the rest of that (S,), for three
        axes.
    """
    weights = np.zeros((len(_SLOPE_VARIANCES), length, 2 * _MAX_SIDE_FRAMES))
    misfits = np.zeros((len(_SLOPE_VARIANCES), 2 * _MAX_SIDE_FRAMES, 2 * _MAX_SIDE_FRAMES))
    constants = np.zeros(len(_SLOPE_VARIANCES))
    here = np.arange(_MAX_SIDE_FRAMES - before, _MAX_SIDE_FRAMES + after)
    if not before or not after:
        weights[:, :, _MAX_SIDE_FRAMES - 1 if before else _MAX_SIDE_FRAMES] = 1.0
        return weights, misfits, constants
    time = np.where(here < _MAX_SIDE_FRAMES, here, here + length).astype(float) - here[0] + 1
    gap = np.arange(length) + before + 1.0
    line, line_gap = np.stack([np.ones_like(time), time], 1), np.stack([np.ones_like(gap), gap], 1)
    loose = np.array(_SLOPE_VARIANCES)[:, None, None]
    spread = loose * _wiener_covariance(time, time) + np.eye(len(time))
    inverse = each_solved(spread, np.broadcast_to(np.eye(len(time)), spread.shape))
    seen = line.T @ inverse
    fit = each_solved(seen @ line, seen)  # the straight line
    form = inverse - seen.swapaxes(1, 2) @ fit
    misfits[:, here[:, None], here] = form
    weights[:, :, here] = line_gap @ fit + loose * _wiener_covariance(gap, time) @ form
    constants = 1.5 * (np.linalg.slogdet(spread)[1] + np.linalg.slogdet(seen @ line)[1])
    return weights, misfits, constants


def _wiener_covariance(a: Array, b: Array) -> Array:
    """The covariance (N, M) at times a (N,) and b (M,), above 0, of an integrated Wiener process."""
    early: Array = np.minimum.outer(a, b)
    late: Array = np.maximum.outer(a, b)
    covariance: Array = early**2 * (late / 2 - early / 6)
    return covariance
