"""Undamaged takes, as truth for repairs: at 120 frames a second, and at any rate."""

from __future__ import annotations

import numpy as np
from scipy.interpolate import CubicSpline

import open_data
from takemill.body.motion import Motion
from takemill.files.bvh import read_bvh
from takemill.maths import quat

RATE = 120.0
CYCLES = 5  # of motions that wrap, so that what an animator would call a take is judged


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


def open_motions() -> dict[str, Motion]:
    """Every open motion by a short name; short cycles repeated."""
    out = {}
    for name in open_data.HUMANOID3D:
        motion, wraps = open_data.humanoid3d(name)
        out[name] = open_data.repeated(motion, CYCLES) if wraps and motion.duration_s < 2 else motion
    for k, path in enumerate(open_data.bvh_files()):
        out[f"bvh {k}"] = read_bvh(path)[0]
    return out


def at_rate(motion: Motion, rate: float) -> Motion:
    """A motion at another rate, by cubic splines; 0 for its own."""
    if not rate or abs(rate - motion.rate) < 1e-9:
        return motion
    old = np.arange(len(motion)) / motion.rate
    new = np.arange(int(old[-1] * rate + 1e-6) + 1) / rate
    rotations = quat.normalize(CubicSpline(old, motion.rotations, axis=0)(new))
    tracks = {joint: CubicSpline(old, track, axis=0)(new) for joint, track in motion.translations.items()}
    path = CubicSpline(old, motion.root_translation, axis=0)(new)
    return Motion(motion.skeleton, rate, rotations, path, tracks)
