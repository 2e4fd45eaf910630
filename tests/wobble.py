"""Repeats of a known cycle, made uneven with a seed: noise on every joint and a wobbling tempo."""

from __future__ import annotations

import numpy as np

from takemill.base.checks import Array
from takemill.body.motion import Motion
from takemill.maths import quat


def noisy(motion: Motion, seed: int, noise_deg: float = 0.3) -> Motion:
    """White noise of `noise_deg` about each axis of every joint."""
    rng = np.random.default_rng(seed)
    turns = rng.normal(0.0, np.radians(noise_deg), (*motion.rotations.shape[:2], 3))
    return motion.with_rotations(quat.mul(motion.rotations, quat.exp(turns)))


def wobbled(motion: Motion, seed: int, rate: float, tempo: float = 0.02) -> tuple[Motion, Array]:
    """The motion at `rate`; its tempo drifts over about a second, by `tempo` (relative, standard deviation).

    Returns:
        The motion and, for each of its frames, the frame number (N,) of the even motion that it shows.
    """
    rng = np.random.default_rng([seed, 1])
    count = int(motion.duration_s * rate) + 1
    white = rng.normal(size=count + int(4 * rate))
    kernel = np.hanning(int(2 * rate))
    slow = np.convolve(white, kernel / np.sqrt((kernel**2).sum()), mode="valid")[:count]
    frames = np.cumsum(1 + tempo * slow) * motion.rate / rate
    frames = frames[frames <= len(motion) - 1]
    return motion.sampled(frames, rate), frames
