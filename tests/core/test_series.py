"""Derivatives, resampling and runs: exact answers, SciPy, and a loop that says the same slowly."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.interpolate import interp1d
from scipy.spatial.transform import Rotation, Slerp

from takemill.maths import quat, series

RNG = np.random.default_rng(21)


def random_walk(frames: int, *shape: int) -> np.ndarray:
    return quat.exp(np.cumsum(RNG.normal(scale=0.1, size=(frames, *shape, 3)), axis=0))


def test_the_derivative_of_a_parabola_is_exact_to_its_ends():
    t = np.arange(40) / 60
    values = np.stack([3 * t**2 - t + 2, -0.5 * t], axis=-1)
    np.testing.assert_allclose(
        series.derivative(values, 60.0), np.stack([6 * t - 1, np.full_like(t, -0.5)], -1), atol=1e-11
    )


def test_the_derivative_of_few_frames():
    np.testing.assert_array_equal(series.derivative(np.ones((1, 3)), 60.0), np.zeros((1, 3)))
    np.testing.assert_allclose(series.derivative(np.array([[1.0], [1.5]]), 60.0), [[30.0], [30.0]])


def test_a_still_pose_has_no_speed():
    assert np.abs(series.derivative(np.full((9, 2, 3), 0.7), 30.0)).max() < 1e-13
    still = np.tile(quat.normalize(RNG.normal(size=4)), (9, 1))
    assert np.abs(series.angular_velocity(still, 30.0)).max() < 1e-13


def test_angular_velocity_of_an_even_turn_is_exact_and_in_the_outer_frame():
    """A body already turned elsewhere spins about the world's axis; the quaternions' signs do not matter."""
    spin = np.array([0.3, -1.2, 2.0])
    t = np.arange(50)[:, None] / 120
    rotations = quat.mul(quat.exp(spin * t), quat.exp(np.array([1.0, 0.5, -0.2])))
    rotations *= RNG.choice([-1.0, 1.0], size=(50, 1))
    np.testing.assert_allclose(series.angular_velocity(rotations, 120.0), np.tile(spin, (50, 1)), atol=1e-9)


def test_angular_velocity_of_few_frames():
    q = random_walk(2, 5)
    assert series.angular_velocity(q[:1], 60.0).shape == (1, 5, 3)
    both = series.angular_velocity(q, 60.0)
    np.testing.assert_array_equal(both[0], both[1])


@pytest.mark.parametrize(
    ("duration_s", "rate", "count"),
    [
        (0.0, 60, 1),
        (1.0, 60, 61),
        (1.0, 29.97, 30),
        (10 / 120, 60, 6),
        (0.99999 / 60, 60, 1),
        (7 / 30, 30, 8),
        (98 / 24, 60, 246),
    ],
)
def test_frames_that_fit_a_duration(duration_s, rate, count):
    assert series.frame_count(duration_s, rate) == count


def test_frames_at_another_rate_keep_their_time():
    for count, rate, new in ((121, 120.0, 60.0), (100, 100.0, 60.0), (31, 30 / 1.001, 60.0), (5, 60.0, 24.0)):
        frames = series.frames_at(count, rate, new)
        np.testing.assert_allclose(frames / rate, np.arange(len(frames)) / new, atol=1e-12)
        assert frames[-1] <= count - 1 + 1e-3
        assert frames[-1] + rate / new > count - 1 - 1e-3


@pytest.mark.parametrize(
    ("count", "rate", "new"), [(67, 60.0, 30.0), (68, 60.0, 30.0), (2, 120.0, 24.0), (1, 60, 30)]
)
def test_a_loop_keeps_both_its_ends(count, rate, new):
    frames = series.frames_at(count, rate, new, loop=True)
    assert frames[0] == 0
    assert frames[-1] == count - 1
    assert len(frames) == 1 or np.ptp(np.diff(frames)) < 1e-9
    assert abs((len(frames) - 1) / new - (count - 1) / rate) <= 0.5 / new or count == 2


def test_vectors_between_frames_are_scipys():
    values = RNG.normal(size=(30, 4, 3))
    frames = RNG.uniform(0, 29, 50)
    np.testing.assert_allclose(
        series.sample_vectors(values, frames), interp1d(np.arange(30), values, axis=0)(frames), atol=1e-12
    )


def test_rotations_between_frames_are_scipys():
    rotations, frames = random_walk(30), RNG.uniform(0, 29, 50)
    theirs = Slerp(np.arange(30), Rotation.from_quat(np.roll(rotations, -1, axis=-1)))(frames)
    ours = series.sample_rotations(rotations, frames)
    assert quat.angle_between(ours, np.roll(theirs.as_quat(), 1, axis=-1)).max() < 1e-12


def test_whole_frames_come_back_unchanged_and_outside_is_clamped():
    values, rotations = RNG.normal(size=(8, 3)), random_walk(8, 2)
    whole = np.arange(8.0)
    np.testing.assert_array_equal(series.sample_vectors(values, whole), values)
    assert quat.angle_between(series.sample_rotations(rotations, whole), rotations).max() < 1e-15
    outside = np.array([-3.0, 7.0, 99.5])
    np.testing.assert_array_equal(series.sample_vectors(values, outside), values[[0, 7, 7]])
    assert quat.angle_between(series.sample_rotations(rotations, outside), rotations[[0, 7, 7]]).max() < 1e-15


def test_one_frame_can_be_sampled():
    frames = np.array([0.0, 0.4, 5.0])
    np.testing.assert_array_equal(series.sample_vectors(np.array([[1.0, 2.0]]), frames), [[1.0, 2.0]] * 3)
    assert series.sample_rotations(random_walk(1, 3), frames).shape == (3, 3, 4)


@given(st.lists(st.booleans(), max_size=40))
def test_runs_are_what_a_walk_along_the_mask_finds(bits):
    slow, open_at = [], None
    for frame, on in enumerate([*bits, False]):
        if on and open_at is None:
            open_at = frame
        if not on and open_at is not None:
            slow.append((open_at, frame))
            open_at = None
    starts, stops = series.runs(np.array(bits, bool))
    assert list(zip(starts, stops, strict=True)) == slow
    np.testing.assert_array_equal(series.filled(len(bits), starts, stops), np.array(bits, bool))


def test_runs_may_overlap_when_filled():
    mask = series.filled(10, np.array([1, 2, 8]), np.array([4, 3, 10]))
    np.testing.assert_array_equal(np.flatnonzero(mask), [1, 2, 3, 8, 9])
