"""Undamaged takes at 120 frames a second, as truth for repairs."""

from __future__ import annotations

import numpy as np
from scipy.interpolate import CubicSpline

import open_data
from takemill.body.motion import Motion
from takemill.maths import quat

RATE = 120.0


def clean_take(name: str) -> Motion:
    """An open motion by name ("walk" and "run" five cycles long), splined to 120 frames a second."""
    motion, _ = open_data.humanoid3d(name)
    if name in ("walk", "run"):
        motion = open_data.repeated(motion, 5)
    return smooth(motion)


def smooth(motion: Motion) -> Motion:
    """A motion at 120 frames a second by cubic splines, since slerp would put a kink at every old frame."""
    old = np.arange(len(motion)) / motion.rate
    new = np.arange(int(old[-1] * RATE + 1e-6) + 1) / RATE
    rotations = quat.normalize(CubicSpline(old, motion.rotations, axis=0)(new))
    return Motion(motion.skeleton, RATE, rotations, CubicSpline(old, motion.root_translation, axis=0)(new))
