"""The frame rate of an animation of which only the times of its keys are told."""

from __future__ import annotations

import numpy as np

from ..base.checks import Array

USUAL_RATES = (24, 25, 30, 48, 50, 60, 72, 90, 100, 120, 144, 150, 180, 200, 240)
"""Frames a second of films, screens and suits; common practice, no source."""

_TELEVISION_RATES = tuple(rate / 1.001 for rate in (30, 60, 24, 120, 240))  # NTSC's (SMPTE 12)
_SAME_S = 1e-5  # apart, at most, two times that are meant to be one: a float32 tells as much up to 100 s
_WHOLE = 0.02  # frames by which a time may miss a whole frame: float32 seconds of some minutes
_EVEN = 0.01  # by which steps between keys on each frame differ, relative: likewise
_USUAL = 2e-4  # by which a rate may miss a usual one, relative: 29.97 is not 30
_HIGHEST = 1000.0  # frames a second; keys that lie closer are no frames


def rate_of_keys(times: Array) -> float:
    """The lowest usual rate of which the keys at some seconds (N,) lie on whole frames, from the first on.

    Keys at even steps are taken for one on each frame, whatever their rate. Where no rate fits, the smallest
    step is a frame.
    """
    times = np.sort(np.asarray(times, np.float64))
    times = times[np.concatenate([[True], np.diff(times) > _SAME_S])] if len(times) else times
    steps = np.diff(times)
    if not len(steps):
        return 30.0
    even = (len(times) - 1) / (times[-1] - times[0])
    if len(steps) > 1 and np.ptp(steps) < max(_EVEN / even, 2 * _SAME_S):
        return _usual(even)
    from_first = times - times[0]
    for rate in (*map(float, USUAL_RATES), *_TELEVISION_RATES):
        frames = from_first * rate
        if np.abs(frames - frames.round()).max() < _WHOLE:
            return rate
    return _usual(min(1 / float(steps.min()), _HIGHEST))


def _usual(rate: float) -> float:
    """The usual or whole rate that a measured one stands for, or itself."""
    known = (*map(float, USUAL_RATES), *_TELEVISION_RATES, float(max(round(rate), 1)))
    return min(
        (one for one in known if abs(rate / one - 1) < _USUAL), key=lambda one: abs(rate - one), default=rate
    )
