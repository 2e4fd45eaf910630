"""Taking the jitter out of a track and leaving its strikes in: a Wiener filter local in time and frequency.

A track is cut into windows of a third of a second that overlap by half, each window into frequencies. A
frequency keeps the share of its power that noise does not explain, and never more than the frequencies below
it, since a body moves with all of them at once: where it rests only the slowest ones stay, where it strikes
nearly all do. So every joint has, about each of its own axes, the cut-off that its data ask for; it is higher
where the joint moves fast. There is nothing to set.

Sources: Wiener, Extrapolation, Interpolation and Smoothing of Stationary Time Series, 1949; short-time
spectral subtraction with over-subtraction: Berouti, Schwartz and Makhoul, ICASSP 1979; windows whose squares
add up to one: Princen and Bradley, IEEE Trans. ASSP 34, 1986.

What else was tried on the motions of tests/benchmarks/repair_table.py, and what it does to their mean error:
windows of 0.25 to 0.67 s +0.1 to +2 %, several lengths averaged -1 %, the best length in each place chosen
with the truth in sight -3 %, twice or four times the overlap -0.5 %, gains from a first pass's result -0.2 %,
bands of octaves instead of windows +0.5 %, shrunk singular values of all joints' windows (Gavish and
Donoho, IEEE Trans. Information Theory 63, 2017) +3 %. Gains that know the truth's spectrum: -4 %.

Within this file arrays lie component by component, (C, F): one pass over a component runs through memory in
order.
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np

from ..base.checks import Array

_WINDOW_S = 0.33  # trial: see the table above
# Windows in one matrix product: larger ones start threads in numpy's BLAS, while each joint has one already.
_MAX_PRODUCT_WINDOWS = 96
# Noise power varies from window to window. Trial: 1.07 makes errors 2 % larger, 2.4 0.1 % (sensitivity.py).
_OVERSUBTRACTION = 1.6
_CHI3_LOWER_FIFTH = 1.0026  # of the chi distribution with 3 degrees of freedom: chi(3).ppf(0.2) of SciPy
_MAX_SAMPLES = 8192  # so many differences give the noise to a hundredth
# Of a component that are worked on at a time, so that they stay in the processor's cache.
_CACHED_FRAMES = 8192
_CACHED_WINDOWS = 192  # the same for windows; a multiple of _MAX_PRODUCT_WINDOWS


def noise_deviation(vectors: Array) -> float:
    """The standard deviation, along one axis, of noise in vectors (F, 3 or 4) that is new in every frame.

    From the lower fifth of the second and of the fourth differences, whichever says less: fast motion has
    large second differences, a path of straight pieces large fourth ones, noise both. Quaternions (F, 4)
    count as half their turn. 0 for fewer than 12 frames.
    """
    if len(vectors) < 12:
        return 0.0
    found = []
    every = max(len(vectors) // _MAX_SAMPLES, 1)
    for weights in ([1, -2, 1], [1, -4, 6, -4, 1]):
        count = len(vectors) - len(weights) + 1
        change = sum(w * vectors[k : k + count : every] for k, w in enumerate(weights))
        size = np.einsum("fi,fi->f", change, change)
        rank = len(size) // 5
        gain = np.sqrt(np.square(weights).sum())
        found.append(float(np.sqrt(np.partition(size, rank)[rank]) / (_CHI3_LOWER_FIFTH * gain)))
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
    hop = _hop_frames(rate)
    q = np.array(rotations.T, order="C")
    path = _slow_path(q, hop)
    vectors = np.empty((3, q.shape[1]))
    parts = [slice(k, k + _CACHED_FRAMES) for k in range(0, q.shape[1], _CACHED_FRAMES)]
    for part in parts:
        _to_tangent(path[:, part], q[:, part], vectors[:, part])
    vectors = _denoise_channels(vectors, hop, noise / 2)
    for part in parts:
        _from_tangent(path[:, part], vectors[:, part], q[:, part])
    return q.T


def _to_tangent(path: Array, q: Array, out: Array) -> None:
    """Writes the tangent of half the turn from path (4, F) to rotations (4, F), along its axis, to (3, F).

    It needs neither a path of unit length nor a sine, and small ones add up as rotation vectors do.
    """
    pw, px, py, pz = path
    w, x, y, z = q
    along = pw * w + px * x + py * y + pz * z
    # Half a turn off the path has no tangent; what comes near it is only kept finite.
    along = np.where(np.abs(along) < 1e-3, np.copysign(1e-3, along), along)
    out[0] = pw * x - px * w - py * z + pz * y
    out[1] = pw * y - py * w - pz * x + px * z
    out[2] = pw * z - pz * w - px * y + py * x
    out /= along


def _from_tangent(path: Array, vectors: Array, out: Array) -> None:
    """The inverse of `_to_tangent`, to `out` (4, F), with the signs of what is in there."""
    pw, px, py, pz = path
    a, b, c = vectors
    calm = np.empty_like(out)
    calm[0] = pw - px * a - py * b - pz * c
    calm[1] = px + pw * a + py * c - pz * b
    calm[2] = py + pw * b + pz * a - px * c
    calm[3] = pz + pw * c + px * b - py * a
    size = np.sqrt(np.einsum("if,if->f", calm, calm))
    np.divide(calm, np.copysign(size, np.einsum("if,if->f", calm, out)), out=out)


def denoise_vectors(vectors: Array, rate: float, noise: float) -> Array:
    """Vectors (F, C) without their noise of standard deviation `noise` along each axis, in their unit.

    The gains belong to the principal axes of the vectors' motion, so the result does not depend on how the
    axes lie.
    """
    if noise <= 0 or len(vectors) < 2:
        return vectors.copy()
    return np.ascontiguousarray(
        _denoise_channels(np.ascontiguousarray(vectors.T), _hop_frames(rate), noise).T
    )


def _denoise_channels(vectors: Array, hop: int, noise: float) -> Array:
    """Vectors (C, F) without their noise."""
    channels, frames = vectors.shape
    # A hinge moves about one axis, and what the others show is noise alone.
    some = vectors[:, :: max(frames // _MAX_SAMPLES, 1)]
    _, axes = np.linalg.eigh(np.einsum("if,jf->ij", some, some))
    out = np.empty_like(vectors)
    blocks = np.empty((channels, _CACHED_WINDOWS + 1, hop))
    halves = np.empty((2, channels, _CACHED_WINDOWS, hop))
    spectrum = np.empty((2, hop, channels * _CACHED_WINDOWS))
    # Windows in a part of the take that stays in the cache: the outermost ones have one neighbour only, so
    # those within count, and a block of frames lies in two of them.
    length = (_CACHED_WINDOWS - 3) * hop
    for start in range(0, frames, length):
        _copy_extended(vectors, start - 2 * hop, blocks.reshape(channels, -1))
        turned = (axes.T @ blocks.reshape(channels, -1)).reshape(blocks.shape)
        # Folded about its middle a window falls into cosines and sines, at half the work.
        first, second = turned[:, :-1], turned[:, 1:, ::-1]
        np.add(first, second, out=halves[0])
        np.subtract(first, second, out=halves[1])
        _filter(halves, spectrum, noise)
        calm = (halves[0] + halves[1])[:, 2:-1]
        calm += (halves[0] - halves[1])[:, 1:-2, ::-1]
        part = out[:, start : start + length]
        part[:] = axes @ calm.reshape(channels, -1)[:, : part.shape[1]]
    return out


def _filter(halves: Array, spectrum: Array, noise: float) -> None:
    """Takes the noise out of folded windows (2, C, W, N), by way of their spectrum (2, N, C * W)."""
    hop = halves.shape[-1]
    into, back = _window_transform(hop)
    # Frequencies lead, so that neighbours in time and in frequency are reached by whole rows.
    pieces = spectrum.reshape(2, hop, -1, _MAX_PRODUCT_WINDOWS).swapaxes(1, 2)
    flat = halves.reshape(2, -1, _MAX_PRODUCT_WINDOWS, hop)
    np.matmul(into[:, None], flat.swapaxes(2, 3), out=pieces)
    gain = np.zeros((hop + 1, spectrum.shape[-1]))
    np.square(spectrum[0], out=gain[:-1])
    gain[1:] += np.square(spectrum[1])
    _average_neighbours(gain)
    # A window's squares add up to half its length, so the noise in every frequency has half its power.
    np.maximum(gain, 1e-300, out=gain)
    np.divide(-_OVERSUBTRACTION * noise**2 / 2, gain, out=gain)
    gain += 1.0
    np.maximum(gain, 0.0, out=gain)
    for k in range(1, hop + 1):
        np.minimum(gain[k], gain[k - 1], out=gain[k])
    spectrum[0] *= gain[:-1]
    spectrum[1] *= gain[1:]
    np.matmul(pieces.swapaxes(2, 3), back[:, None], out=flat)


def _hop_frames(rate: float) -> int:
    return max(round(_WINDOW_S * rate / 2), 2)


@lru_cache(maxsize=8)
def _window_transform(hop: int) -> tuple[Array, Array]:
    """Into cosines 0 to hop - 1 and sines 1 to hop (2, hop, hop frames) and back (2, hop, hop frames).

    Both take the first half of a window of 2 hop frames, folded, and hold the sine window. Phases count from
    the window's middle.
    """
    width = 2 * hop
    frame, wave = np.arange(hop), np.arange(hop)[:, None]
    turn = 2 * np.pi * (frame - (width - 1) / 2) / width
    waves = np.stack([np.cos(turn * wave), np.sin(turn * (wave + 1))]) / np.sqrt(width)
    into = waves * np.sin(np.pi * (frame + 0.5) / width)
    # All but the slowest and the fastest occur twice, as cosine and sine.
    twice = np.full((2, hop, 1), 2.0)
    twice[0, 0] = twice[1, -1] = 1.0
    return into, twice * into


def _copy_extended(vectors: Array, start: int, out: Array) -> None:
    """Fills `out` (C, N) with vectors (C, F) from frame `start` on.

    Beyond both ends they are reflected in the point at the end, then held.
    """
    frames, stop = vectors.shape[1], start + out.shape[1]
    inside = slice(max(start, 0), min(stop, frames))
    out[:, inside.start - start : inside.stop - start] = vectors[:, inside]
    if start < 0:
        left = min(-start, frames - 1)
        out[:, -start - left : -start] = 2 * vectors[:, :1] - vectors[:, left:0:-1]
        out[:, : -start - left] = out[:, -start - left, None]
    if stop > frames:
        right = min(stop - frames, frames - 1)
        end = frames - start
        out[:, end : end + right] = 2 * vectors[:, -1:] - vectors[:, frames - 1 - right : frames - 1][:, ::-1]
        out[:, end + right :] = out[:, end + right - 1, None]


def _average_neighbours(power: Array) -> None:
    """Sets power (K, N) to its mean over three neighbours each way; at an edge the edge counts twice.

    Where the last window of a channel meets the first of the next one, the mean is of no use, and not used:
    see `_denoise_channels`.
    """
    wide = power.copy()
    wide[:, 1:] += power[:, :-1]
    wide[:, :-1] += power[:, 1:]
    np.copyto(power, wide)
    power[1:] += wide[:-1]
    power[:-1] += wide[1:]
    power[0] += wide[0]
    power[-1] += wide[-1]
    power /= 9


def _slow_path(rotations: Array, hop: int) -> Array:
    """A cubic B-spline (4, F), not of unit length, controlled by means of `hop` rotations (4, F) each."""
    frames = rotations.shape[1]
    whole = frames // hop
    blocks = -(-frames // hop)
    control = np.empty((4, blocks + 4))
    control[:, 2 : 2 + whole] = rotations[:, : whole * hop].reshape(4, whole, hop).mean(axis=-1)
    if blocks > whole:
        rest = frames - whole * hop
        # As if the last rotation were held to the end of the block.
        control[:, -3] = (rotations[:, -rest:].sum(axis=1) + (hop - rest) * rotations[:, -1]) / hop
    control[:, :2], control[:, -2:] = control[:, 2:3], control[:, -3:-2]
    picks = np.lib.stride_tricks.sliding_window_view(control, 5, axis=1)
    path = np.empty((4, blocks, hop))
    for axis in range(4):
        np.matmul(picks[axis], _spline_weights(hop).T, out=path[axis])
    return path.reshape(4, -1)[:, :frames]


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
