"""How far slight errors of a pose move what hangs on the joints, against points moved one by one."""

from __future__ import annotations

import numpy as np

from odd_motion import NAMES, odd_skeleton
from takemill.body.skeleton import Skeleton
from takemill.keys.displacement import ball_displacement, displacements, levers, reaches
from takemill.maths import quat


def chain(*lengths: float, tip: float = 0.0) -> Skeleton:
    count = len(lengths)
    tips = ((count - 1,), [[0, 0, tip]]) if tip else ((), np.zeros((0, 3)))
    offsets = np.array([[0, 0, length] for length in lengths])
    names = tuple(f"joint {i}" for i in range(count))
    return Skeleton(names, tuple(range(-1, count - 1)), offsets, np.tile(quat.IDENTITY, (count, 1)), *tips)


def test_a_ball_is_displaced_as_its_farthest_point():
    rng = np.random.default_rng(0)
    shifts, turns = rng.normal(scale=1e-3, size=(2, 40, 3))
    points = rng.normal(size=(20000, 1, 3))
    points *= 0.1 / np.linalg.norm(points, axis=-1, keepdims=True)
    brute = np.linalg.norm(shifts + np.cross(turns, points), axis=-1).max(axis=0)
    found = ball_displacement(shifts, turns, np.full(40, 0.1))
    assert (found >= brute - 1e-15).all()
    np.testing.assert_allclose(found, brute, rtol=2e-3)


def test_a_ball_that_only_shifts_or_only_turns():
    still = np.zeros(3)
    assert ball_displacement(np.array([3e-3, 0, 4e-3]), still, np.array(0.1)) == 5e-3
    np.testing.assert_allclose(
        ball_displacement(still, np.array([0, 2e-3, 0]), np.array(0.1)), 2e-4, rtol=1e-12
    )


def test_a_joint_reaches_as_far_as_its_bones_up_to_the_probe():
    np.testing.assert_allclose(reaches(chain(0, 0.4, 0.05, 0.005), 0.1), [0.1, 0.05, 0.02, 0.1])
    np.testing.assert_allclose(reaches(chain(0, 0.4, 0.05, tip=0.03), 0.1), [0.1, 0.05, 0.03])


def test_a_turn_is_felt_down_to_the_next_joint_that_makes_up_for_it():
    skeleton = chain(0, 0.4, 0.3, 0.2)
    reach = np.full(4, 0.1)
    everyone, nobody = np.ones(4, bool), np.zeros(4, bool)
    np.testing.assert_allclose(levers(skeleton, reach, everyone), [0.4, 0.3, 0.2, 0.1])
    np.testing.assert_allclose(levers(skeleton, reach, nobody), [1.0, 0.6, 0.3, 0.1])
    np.testing.assert_allclose(levers(skeleton, reach, np.array([1, 1, 0, 1], bool)), [0.4, 0.5, 0.2, 0.1])


def test_tips_count_where_they_move_farther_than_the_ball():
    skeleton = odd_skeleton()
    rng = np.random.default_rng(1)
    rotations = quat.normalize(rng.normal(size=(5, len(NAMES), 4)))
    shifts, turns = rng.normal(scale=1e-3, size=(2, 5, len(NAMES), 3))
    found = displacements(skeleton, np.zeros(len(NAMES)), rotations, shifts, turns)
    for joint, offset in zip(skeleton.tip_joints, skeleton.tip_offsets, strict=True):
        before = quat.rotate(rotations[:, joint], offset)
        after = shifts[:, joint] + quat.rotate(
            quat.mul(quat.exp(turns[:, joint]), rotations[:, joint]), offset
        )
        want = np.maximum(np.linalg.norm(after - before, axis=-1), np.linalg.norm(shifts[:, joint], axis=-1))
        np.testing.assert_allclose(found[:, joint], want, rtol=5e-3)
