"""Curves over time that a body can follow: no corner in position, speed or acceleration."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from itertools import pairwise

import numpy as np

from takemill.base.checks import Array


def ease(part: Array) -> Array:
    """The least jerky way (...) from 0 to 1 while `part` (...) runs from 0 to 1; flat outside.

    Source: Flash and Hogan, Journal of Neuroscience 5, 1985 (minimum-jerk reaching).
    """
    u = np.clip(part, 0.0, 1.0)
    return u**3 * (10 - 15 * u + 6 * u**2)


def glide(part: Array) -> Array:
    """From 0 to 1 (...) the way a swinging foot goes: off briskly, an even middle, a long slowing down.

    The speed is a flat top with raised-cosine flanks (a Tukey window with unequal tapers).
    """
    u, off, down = np.clip(part, 0.0, 1.0), 0.28, 0.46

    def rise(v: Array, flank: float) -> Array:
        return (v - np.sin(np.pi * v / flank) * flank / np.pi) / 2

    whole = 1 - (off + down) / 2
    late = np.where(u > 1 - down, whole - rise(1 - u, down), u - off / 2)
    return np.where(u < off, rise(u, off), late) / whole


def bump(part: Array) -> Array:
    """A rise from 0 to 1 and back (...), highest before the middle of `part` (...)."""
    u, top = np.clip(part, 0.0, 1.0), 3 / 7
    return u**3 * (1 - u) ** 4 / (top**3 * (1 - top) ** 4)


def ramps(
    times: Array,
    keys: Sequence[tuple[float, Sequence[float]]],
    way: Callable[[Array], Array] = ease,
) -> Array:
    """Values (F, C) at `times` (F,), seconds, that rest at each key (second, C values), `way` between."""
    start, first = keys[0]
    values = np.tile(np.asarray(first, np.float64), (len(times), 1))
    for (t0, v0), (t1, v1) in pairwise(keys):
        if t1 < t0:
            raise ValueError(
                f"curve keys run backwards at {t1} s, after {t0} s (the first key is at {start} s)"
            )
        step = np.asarray(v1, np.float64) - np.asarray(v0, np.float64)
        if step.any():
            values += way((times - t0) / max(t1 - t0, 1e-9))[:, None] * step
    return values


def softened(values: Array, rate: float, sigma_s: float) -> Array:
    """`values` (F, ...) under a Gaussian of `sigma_s` seconds; the ends are held."""
    reach = int(np.ceil(4 * sigma_s * rate))
    kernel = np.exp(-0.5 * (np.arange(-reach, reach + 1) / (sigma_s * rate)) ** 2)
    kernel /= kernel.sum()
    flat = np.pad(values.reshape(len(values), -1), [(reach, reach), (0, 0)], mode="edge")
    columns = [np.convolve(column, kernel, mode="valid") for column in flat.T]
    return np.stack(columns, axis=-1).reshape(values.shape)


def lowest_near(values: Array, rate: float, reach_s: float) -> Array:
    """The least of `values` (F,) within `reach_s` seconds of each frame."""
    reach = round(reach_s * rate)
    padded = np.pad(values, reach, mode="edge")
    return np.lib.stride_tricks.sliding_window_view(padded, 2 * reach + 1).min(axis=-1)


def wander(times: Array, rng: np.random.Generator, longest_s: float, shortest_s: float) -> Array:
    """A slow seeded wave (F,) of about unit size, made of eight sines with periods in the given range."""
    periods = np.exp(rng.uniform(np.log(shortest_s), np.log(longest_s), 8))
    phases = rng.uniform(0, 2 * np.pi, 8)
    return np.sin(2 * np.pi * times[:, None] / periods + phases).sum(axis=-1) / 2


class Curve:
    """Keys of one value (C components) that the script of the take sets one after the other."""

    def __init__(self, *start: float) -> None:
        self.keys: list[tuple[float, tuple[float, ...]]] = [(0.0, start)]

    def to(self, start_s: float, stop_s: float, *value: float) -> None:
        """Ease from the present value at `start_s` to `value` at `stop_s`."""
        self.keys += [(start_s, self.keys[-1][1]), (stop_s, value)]

    def at(self, times: Array) -> Array:
        """The values (F, C) at `times` (F,), seconds."""
        return ramps(times, self.keys)
