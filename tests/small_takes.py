"""Small takes as files, for tests of the command line and of sets."""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from pathlib import Path

import numpy as np

import synthetic
from takemill.body.motion import Motion
from takemill.files.bvh import write_bvh


@cache
def stand_and_walk(rate: float = 60.0) -> Motion:
    """Two seconds of standing, twelve steps, two seconds of standing; and a breath of noise."""
    motion = synthetic.walk(rate=rate, idle_s=2.0).motion
    noise = 1e-4 * np.random.default_rng(7).standard_normal(motion.rotations.shape)
    return motion.with_rotations(motion.rotations + noise)


def longer_arms() -> Motion:
    """The same on a body of other lengths."""
    motion = stand_and_walk()
    rest = motion.skeleton.rest_translation.copy()
    rest[motion.skeleton.index("left_hand")] *= 1.1
    return replace(motion, skeleton=replace(motion.skeleton, rest_translation=rest))


def write(folder: Path, name: str = "walk.bvh", motion: Motion | None = None) -> Path:
    """A BVH file in `folder`."""
    write_bvh(folder / name, motion or stand_and_walk())
    return folder / name
