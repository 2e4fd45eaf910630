"""Parts of calm stretches as one loop: what fits stays, what does not is spread, and joins are measured."""

from __future__ import annotations

import numpy as np
import pytest

import synthetic
from idle_takes import known_idle
from takemill.body.motion import Motion
from takemill.clip.clouds import main_joints, positions_at
from takemill.idle.idle_join import join_frames, join_parts, measure_joins
from takemill.maths import quat


def periodic(seconds: float = 12.0) -> Motion:
    """A body that nods and sways with a period of just two seconds."""
    motion = synthetic.idle(rate=60.0, duration_s=seconds).motion
    t = np.arange(len(motion)) / 60.0
    rotations = np.repeat(motion.rotations[:1], len(motion), axis=0)
    rotations[:, 1] = quat.mul(rotations[:, 1], quat.exp(0.05 * np.sin(np.pi * t)[:, None] * [1.0, 0.4, 0.0]))
    path = motion.root_translation[:1] + 0.01 * np.cos(np.pi * t)[:, None] * [1.0, 0.0, 0.3]
    return Motion(motion.skeleton, 60.0, rotations, path)


def test_parts_that_go_on_in_each_other_stay_as_they_are() -> None:
    motion = periodic()
    stretch = np.zeros(len(motion), int)
    parts = ((60, 300), (180, 300), (420, 660))  # whole periods from one to the next
    loop = join_parts(motion, stretch, parts)
    frames = np.concatenate([np.arange(a, b) for a, b in parts] + [[60]])
    assert np.abs(loop.root_translation - motion.root_translation[frames]).max() < 1e-9
    assert quat.angle_between(loop.rotations, motion.rotations[frames]).max() < 1e-7


def test_a_stretch_that_lies_elsewhere_is_brought_over() -> None:
    """Half of it is turned and shifted: pose and speed go over, and the ends are one pose."""
    motion = periodic()
    half = len(motion) // 2
    rotations, path = motion.rotations.copy(), motion.root_translation.copy()
    rotations[half:, 1] = quat.mul(rotations[half:, 1], quat.exp(np.array([0.03, 0.0, 0.02])))
    path[half:] += [0.004, 0.0, 0.0]
    moved = Motion(motion.skeleton, 60.0, rotations, path)
    stretch = (np.arange(len(motion)) >= half).astype(int)
    parts = ((60, 300), (half + 60, half + 300))
    loop = join_parts(moved, stretch, parts)
    assert len(loop) == 481
    assert np.array_equal(loop.rotations[0], loop.rotations[-1])
    frames = np.concatenate([np.arange(a, b) for a, b in parts])
    positions = loop.model()[1]
    assert max(measure_joins(positions, join_frames(parts))) < 1.0
    plain = moved.sampled(np.append(frames, frames[0]).astype(float), 60.0).model()[1]
    assert min(measure_joins(plain, join_frames(parts))) > 20.0
    # Far from the joins it is the take's own.
    away = np.abs(positions - plain).max(axis=(1, 2))
    assert away[[120, 360]].max() < 0.2 * away.max()


def test_a_kick_at_a_join_is_measured() -> None:
    known = known_idle(2, 10.0)
    joints = main_joints(known.body)
    positions = positions_at(known.motion, np.arange(len(known.motion)), joints)
    positions[-1] = positions[0]
    quiet = measure_joins(positions, np.array([200]))
    kicked = positions.copy()
    kicked[200] += 0.01
    assert min(measure_joins(kicked, np.array([200]))) > 4 * max(quiet)
    assert measure_joins(np.zeros((50, 3, 3)), np.array([0, 20])) == (0.0, 0.0)


@pytest.mark.parametrize("at", [0, 5, 199])
def test_the_measure_is_that_of_plain_differences(at: int) -> None:
    rng = np.random.default_rng(at)
    positions = np.cumsum(rng.standard_normal((201, 4, 3)), axis=0)
    positions[-1] = positions[0]
    found = measure_joins(positions, np.array([at]))
    for order, ours in zip((2, 3), found, strict=True):
        sizes, near = [], []
        for frame in range(200):
            held = [(frame + k) % 200 for k in range(order + 1)]
            step = positions[held]
            for _ in range(order):
                step = step[1:] - step[:-1]
            sizes.append(np.linalg.norm(step[0], axis=-1).mean())
            near.append(at in held)
        usual = np.percentile([one for one, here in zip(sizes, near, strict=True) if not here], 95)
        assert ours == pytest.approx(max(one for one, here in zip(sizes, near, strict=True) if here) / usual)
