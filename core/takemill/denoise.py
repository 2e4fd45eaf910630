"""Taking the jitter out of a track and leaving its strikes in: a Wiener filter local in time and frequency.

A track is cut into windows of about a quarter second that overlap by half, each window into cosines. A
cosine keeps the share of its power that noise does not explain: where the body rests only the slowest ones
stay, where it strikes nearly all do. So every joint has the cut-off that its own data ask for, opened where
it moves fast, and no setting.

Sources: Wiener, Extrapolation, Interpolation and Smoothing of Stationary Time Series, 1949; short-time
spectral subtraction with over-subtraction: Berouti, Schwartz and Makhoul, ICASSP 1979; windows whose squares
add up to one: Princen and Bradley, IEEE Trans. ASSP 34, 1986.
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np

from . import quat
from .checks import Array

_WINDOW_S = 0.27
_STACK = 64  # blocks in one product
_OVERSUBTRACTION = 1.5  # noise power varies from window to window; 1.3 to 2 serve equally
_CHI3_FIFTH = 1.0026  # the lower fifth of the chi distribution with 3 degrees of freedom


def noise_deviation(vectors: Array) -> float:
    """The standard deviation, along one axis, of noise in vectors (F, 3 or 4) that is new in every frame.

    From the lower fifth of the second and of the fourth differences, whichever says less: fast motion has
    large second differences, a path of straight pieces large fourth ones, noise both. Quaternions (F, 4)
    count as half their turn. 0 for fewer than 12 frames.
    """
    if len(vectors) < 12:
        return 0.0
    found = []
    for order, gain in ((2, 6.0), (4, 70.0)):  # the sums of the squared binomial coefficients
        change = np.diff(vectors, order, axis=0)
        size = np.einsum("fi,fi->f", change, change)
        rank = len(size) // 5
        found.append(float(np.sqrt(np.partition(size, rank)[rank])) / (_CHI3_FIFTH * np.sqrt(gain)))
    return min(found)


def denoise_rotations(rotations: Array, rate: float, noise: float) -> Array:
    """Unit quaternions (F, 4) without their noise, in a tangent space along a slow path.

    Args:
        rotations: (F, 4) hemisphere-continuous.
        rate: frames per second.
        noise: standard deviation about one axis, radians, as `2 * noise_deviation(rotations)` finds it.

    Returns:
        (F, 4), hemisphere-continuous.
    """
    if noise <= 0 or len(rotations) < 2:
        return rotations.copy()
    path = _slow_path(rotations, _hop(rate))
    vectors = quat.log(quat.mul(quat.inv(path), rotations))
    calm = quat.mul(path, quat.exp(denoise_vectors(vectors, rate, noise)))
    return quat.normalize(calm)


def denoise_vectors(vectors: Array, rate: float, noise: float) -> Array:
    """Vectors (F, C) without their noise of standard deviation `noise` along each axis, in their unit.

    All C axes share one gain, so the result does not depend on how the axes lie.
    """
    frames = len(vectors)
    hop = _hop(rate)
    if noise <= 0 or frames < 2:
        return vectors.copy()
    into, back = _windows(hop)
    # Products of a few blocks at a time: larger ones start threads of their own, and joints run in threads
    # already.
    blocks = -(-(-(-frames // hop) + 2) // _STACK) * _STACK
    channels = vectors.shape[1]
    x = _extended(vectors, hop, blocks * hop).T.reshape(-1, _STACK, hop)
    first, second = ((x @ half).reshape(channels, blocks, 2 * hop) for half in (into[:hop], into[hop:]))
    spectrum = np.zeros_like(first)  # the last window has no second half, and nothing in it
    np.add(first[:, :-1], second[:, 1:], out=spectrum[:, :-1])
    power = _neighbourhood(np.einsum("cwk,cwk->wk", spectrum, spectrum) / channels)
    # A window's squares add up to half its length, so the noise in every cosine has half its power.
    share = np.maximum(power - _OVERSUBTRACTION * noise**2 / 2, 0.0) / np.maximum(power, 1e-300)
    spectrum *= share
    y = (spectrum.reshape(-1, _STACK, 2 * hop) @ back).reshape(channels, blocks, 2 * hop)
    y = y[:, :-1, hop:] + y[:, 1:, :hop]
    return np.ascontiguousarray(y.reshape(channels, -1)[:, :frames].T)


def _hop(rate: float) -> int:
    return max(round(_WINDOW_S * rate / 2), 2)


@lru_cache(maxsize=8)
def _windows(hop: int) -> tuple[Array, Array]:
    """Into cosines (2 hop frames, 2 hop cosines) and back again, both with the sine window."""
    width = 2 * hop
    place = np.arange(width) + 0.5
    window = np.sin(np.pi * place / width)
    cosines = np.cos(np.pi * place[:, None] * np.arange(width) / width) * np.sqrt(2 / width)
    cosines[:, 0] /= np.sqrt(2)
    into = window[:, None] * cosines
    return into, np.ascontiguousarray(into.T)


def _extended(vectors: Array, before: int, length: int) -> Array:
    """(F, C) extended to `length` frames by point reflection in both ends, then by holding."""
    frames = len(vectors)
    after = length - before - frames
    left = 2 * vectors[:1] - vectors[1 : before + 1][::-1]
    right = 2 * vectors[-1:] - vectors[max(frames - 1 - after, 0) : -1][::-1]
    return np.concatenate(
        [
            left[:1].repeat(before - len(left), 0),
            left,
            vectors,
            right,
            right[-1:].repeat(after - len(right), 0),
        ]
    )


def _neighbourhood(power: Array) -> Array:
    """The mean of power (W, K) over three windows and three cosines; at the edges the edge counts twice."""
    tall = np.concatenate([power[:1], power, power[-1:]])
    power = tall[:-2] + tall[1:-1] + tall[2:]
    wide = np.concatenate([power[:, :1], power, power[:, -1:]], axis=1)
    return (wide[:, :-2] + wide[:, 1:-1] + wide[:, 2:]) / 9


def _slow_path(rotations: Array, hop: int) -> Array:
    """A cubic B-spline (F, 4), not quite of unit length, controlled by means of `hop` rotations each."""
    frames = len(rotations)
    blocks = -(-frames // hop)
    padded = np.concatenate([rotations, np.repeat(rotations[-1:], blocks * hop - frames, axis=0)])
    control = padded.reshape(blocks, hop, 4).mean(axis=1)
    control = np.concatenate([control[:1], control[:1], control, control[-1:], control[-1:]])
    weights = _spline_weights(hop)
    path = np.empty((blocks, hop, 4))
    for axis in range(4):
        picks = np.lib.stride_tricks.sliding_window_view(control[:, axis], 5)
        path[..., axis] = np.einsum("bk,hk->bh", picks, weights)
    return path.reshape(-1, 4)[:frames]


@lru_cache(maxsize=8)
def _spline_weights(hop: int) -> Array:
    """What five control points weigh (hop, 5) in the frames of the block about the middle one."""
    # A block's middle is its control point's place: the first half of the block leans on the one before.
    u = (np.arange(hop) + 0.5) / hop + 0.5
    late = (u >= 1)[:, None]
    u = (u % 1)[:, None]
    basis = [(1 - u) ** 3, 3 * u**3 - 6 * u**2 + 4, -3 * u**3 + 3 * u**2 + 3 * u + 1, u**3]
    cubic = np.concatenate(basis, axis=1) / 6
    weights = np.zeros((hop, 5))
    weights[:, :4] += np.where(late, 0, cubic)
    weights[:, 1:] += np.where(late, cubic, 0)
    return weights
