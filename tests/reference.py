"""Slow, obvious twins of the numerics, for comparison on random input."""

from __future__ import annotations

import numpy as np

from takemill.checks import Array


def savitzky_golay(values: Array, half_width: int, degree: int, derivative: int) -> Array:
    """One polynomial fit per frame: of (F,) values, the window moved inwards at the ends."""
    frames, width = len(values), min(2 * half_width + 1, len(values))
    out = np.zeros(frames)
    for frame in range(frames):
        first = min(max(frame - width // 2, 0), frames - width)
        window = np.arange(first, first + width)
        coefficients = np.polyfit(window - frame, values[window], min(degree, width - 1))
        out[frame] = np.polyval(np.polyder(coefficients, derivative), 0.0)
    return out


def hampel(values: Array, half_width: int, limit: float) -> list[bool]:
    """Each of (F,) values against the median and MAD of its window, cut off at the ends."""
    out = []
    for frame in range(len(values)):
        window = values[max(frame - half_width, 0) : frame + half_width + 1]
        middle = np.median(window)
        spread = 1.4826 * np.median(np.abs(window - middle))
        out.append(bool(abs(values[frame] - middle) > limit * spread))
    return out


def hysteresis(surely: list[bool], maybe: list[bool]) -> list[bool]:
    """Frames of `maybe` that a walk in either direction reaches from a frame of `surely`."""
    frames = len(surely)
    out = [False] * frames
    for order in (range(frames), reversed(range(frames))):
        on = False
        for frame in order:
            on = surely[frame] or (on and maybe[frame])
            out[frame] = out[frame] or on
    return out
