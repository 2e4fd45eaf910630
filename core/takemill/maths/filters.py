"""Smoothing of arrays over time: zero-phase, without a loop over frames.

A recursive filter is run in blocks. Within a block the answer is one product with the (lower
triangular, Toeplitz) matrix of the impulse response; the filter's state at the starts of all blocks is a
linear recurrence, solved by doubling. Both are exact: no impulse response is cut off.
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np

from ..base.checks import Array, expect_finite, expect_positive
from ..base.errors import InputError

_BLOCK_FRAMES = 64  # a larger block costs more products, a smaller one more states (chosen by eye)
# Of the path that tangent spaces follow: slow beside noise, quick beside a turn of the body (chosen by eye).
_REFERENCE_HZ = 3.0


def butterworth(values: Array, rate: float, cutoff_hz: float, order: int = 4) -> Array:
    """A zero-phase low-pass of values (F, ...): a Butterworth filter run forward, then backward.

    The ends are extended by point reflection and the filter starts settled, as `scipy.signal.sosfiltfilt`
    does; a take shorter than the extension is extended by as much as it has.

    Args:
        values: (F, ...) any unit.
        rate: frames per second.
        cutoff_hz: where each of the two passes lets 1/sqrt(2) through; below half the rate.
        order: of one pass.

    Returns:
        (F, ...), a new array.

    Raises:
        InputError: no frames, a value is not finite, or the cut-off is outside (0, rate / 2).
    """
    values = np.asarray(values, np.float64)
    _check_series(values, rate)
    if not 0 < cutoff_hz < rate / 2:
        raise InputError(
            f"cutoff_hz: expected above 0 and below half the rate ({rate / 2:g}), got {cutoff_hz}"
        )
    if order < 1:
        raise InputError(f"order: expected 1 or more, got {order}")
    frames = len(values)
    if frames < 2:
        return values.copy()
    channels = np.ascontiguousarray(values.reshape(frames, -1).T)
    pad = min(3 * (order + 1), frames - 1)
    x = _odd_extension(channels, pad)
    system = _blocked_system(float(rate), float(cutoff_hz), order)
    for _ in range(2):
        x = _run(system, x)[:, ::-1]
    return np.ascontiguousarray(x[:, pad : pad + frames].T).reshape(values.shape)


def moving_mean(values: Array, half_width: int) -> Array:
    """The mean (F, ...) of 2 `half_width` + 1 frames around each frame; beyond the ends they are held."""
    frames = len(values)
    total = np.zeros((frames + 1, *values.shape[1:]))
    np.cumsum(values, axis=0, out=total[1:])
    inner, edge = max(frames - half_width, 0), min(half_width, frames)
    out = np.empty_like(total[1:])
    out[:inner] = total[frames - inner + 1 :]
    # The ends held: so many frames of each window lie before the first frame, or after the last.
    beyond = np.arange(half_width - edge + 1.0, half_width + 1).reshape(-1, *[1] * (values.ndim - 1))
    out[inner:] = total[-1] + beyond * values[-1]
    out[edge:] -= total[:inner]
    out[:edge] += beyond[::-1] * values[0]
    out /= 2 * half_width + 1
    return out


def moving_max(values: Array, half_width: int) -> Array:
    """The highest (F, ...) of 2 `half_width` + 1 frames around each frame; beyond the ends they are held."""
    out = np.pad(values, [(half_width, half_width)] + [(0, 0)] * (values.ndim - 1), mode="edge")
    size, width = 1, 2 * half_width + 1
    while size < width:  # each value holds the highest of `size` frames from its own on
        step = min(size, width - size)
        out = np.maximum(out[:-step], out[step:])
        size += step
    return out


def moving_median(values: Array, half_width: int) -> Array:
    """The median (F, ...) of 2 `half_width` + 1 frames around each frame; fewer at the ends."""
    padded = np.full((len(values) + 2 * half_width, *values.shape[1:]), np.nan)
    padded[half_width : half_width + len(values)] = values
    windows = np.lib.stride_tricks.sliding_window_view(padded, 2 * half_width + 1, axis=0)
    out = np.empty_like(values)
    inner = slice(half_width, max(len(values) - half_width, half_width))
    whole = windows[inner]
    if whole.size:
        out[inner] = np.partition(whole, half_width, axis=-1)[..., half_width]
    for part in (slice(0, half_width), slice(inner.stop, None)):
        if windows[part].size:
            out[part] = np.nanmedian(windows[part], axis=-1)
    return out


def _check_series(values: Array, rate: float) -> None:
    expect_positive(rate, "rate")
    if values.ndim < 1 or len(values) == 0:
        raise InputError("filter: there are no frames")
    expect_finite(values, "filter input")


def _odd_extension(x: Array, pad: int) -> Array:
    """(C, N) extended by `pad` frames at both ends, each a point reflection in the end value."""
    left = 2 * x[:, :1] - x[:, pad:0:-1]
    right = 2 * x[:, -1:] - x[:, -2 : -pad - 2 : -1]
    return np.concatenate([left, x, right], axis=1)


def butterworth_sections(rate: float, cutoff_hz: float, order: int) -> Array:
    """The filter as second-order sections (S, 6), each of unit gain at 0 Hz: b0 b1 b2 a0 a1 a2.

    Analogue poles on a circle, pre-warped, through the bilinear transform.
    Source: Oppenheim and Schafer, Discrete-Time Signal Processing, 3rd ed., section 7.2.
    """
    warped = 2 * rate * np.tan(np.pi * cutoff_hz / rate)
    analogue = warped * np.exp(0.5j * np.pi * (2 * np.arange((order + 1) // 2) + order + 1) / order)
    sections = []
    for pole in (2 * rate + analogue) / (2 * rate - analogue):
        if abs(pole.imag) < 1e-12:  # the real pole of an odd order
            a, b = [1.0, -pole.real, 0.0], np.array([1.0, 1.0, 0.0])
        else:
            a, b = [1.0, -2 * pole.real, abs(pole) ** 2], np.array([1.0, 2.0, 1.0])
        sections.append([*(b * sum(a) / b.sum()), *a])
    return np.array(sections)


@lru_cache
def _blocked_system(rate: float, cutoff_hz: float, order: int) -> tuple[Array, Array, Array, Array, Array]:
    """The cascade as matrices over one block of L frames, with state size n.

    Returns:
        inner (L, L): block in -> block out; outer (n, L): state -> block out; gather (L, n): block in ->
        change of the state; step (n, n): state -> state one block later; settled (n,): the state after a
        long input of ones. All act on row vectors.
    """
    sections = butterworth_sections(rate, cutoff_hz, order)
    size = 2 * len(sections)
    # One frame with the state's unit vectors and a unit input as rows.
    state = np.vstack([np.eye(size), np.zeros(size)])
    signal = np.zeros(size + 1)
    signal[-1] = 1.0
    after = np.empty_like(state)
    for k, (b0, b1, b2, _, a1, a2) in enumerate(sections):
        y = b0 * signal + state[:, 2 * k]
        after[:, 2 * k] = b1 * signal - a1 * y + state[:, 2 * k + 1]
        after[:, 2 * k + 1] = b2 * signal - a2 * y
        signal = y
    a, b = after[:-1], after[-1]  # row vectors: state' = state @ a + input * b
    c, d = signal[:-1], signal[-1]
    outer, gather = np.empty((size, _BLOCK_FRAMES)), np.empty((_BLOCK_FRAMES, size))
    response = np.empty(_BLOCK_FRAMES)
    column, row = c, b
    response[0] = d
    for i in range(_BLOCK_FRAMES):
        outer[:, i] = column
        gather[_BLOCK_FRAMES - 1 - i] = row
        if i + 1 < _BLOCK_FRAMES:
            response[i + 1] = row @ c
        column, row = a @ column, row @ a
    lag = np.arange(_BLOCK_FRAMES) - np.arange(_BLOCK_FRAMES)[:, None]
    inner = np.where(lag >= 0, response[np.clip(lag, 0, None)], 0.0)
    step = np.linalg.matrix_power(a, _BLOCK_FRAMES)
    steady = np.linalg.solve(np.eye(size) - a.T, b)
    return inner, outer, gather, step, steady


def _run(system: tuple[Array, Array, Array, Array, Array], x: Array) -> Array:
    """One pass over channels (C, N), started settled at each channel's first value."""
    inner, outer, gather, step, steady = system
    count, frames = x.shape
    blocks = -(-frames // _BLOCK_FRAMES)
    padded = np.zeros((count, blocks * _BLOCK_FRAMES))
    padded[:, :frames] = x
    cut = padded.reshape(count, blocks, _BLOCK_FRAMES)
    states = np.empty((count, blocks, len(steady)))
    states[:, 0] = x[:, :1] * steady
    states[:, 1:] = cut[:, :-1] @ gather
    power, reach = step, 1
    while reach < blocks and np.abs(power).max() > 1e-300:
        states[:, reach:] += states[:, :-reach] @ power
        power, reach = power @ power, 2 * reach
    return (cut @ inner + states @ outer).reshape(count, -1)[:, :frames]
