"""A sensor that dies during a take repeats one value to the end."""

from __future__ import annotations

import numpy as np
import pytest

import clean_takes
import corrupt
import open_data
from takemill.maths import quat
from takemill.sensors.death import find_death


def living(seed: int = 1, frames: int = 300, noise_deg: float = 0.1) -> np.ndarray:
    """A joint that sways at 60 frames a second, with noise."""
    rng = np.random.default_rng(seed)
    swings = np.zeros((frames, 3))
    swings[:, 0] = 0.4 * np.sin(np.arange(frames) / 20)
    return quat.exp((swings + np.radians(noise_deg) * rng.normal(size=(frames, 3))) / 2)


@pytest.mark.parametrize("start", [60, 150, 230])
def test_it_is_found_where_it_happens(start):
    track = living()
    track[start:] = track[start]
    before = track.copy()
    assert find_death(track, 60.0) == start
    np.testing.assert_array_equal(track, before)


@pytest.mark.parametrize(
    ("start", "stop"),
    [(0, 300), (0, 150), (100, 200), (270, 300), (10, 300)],
    ids=["all of it", "until it wakes", "a pause", "half a second", "never seen alive"],
)
def test_other_stretches_of_equal_values_are_no_death(start, stop):
    track = living()
    track[start:stop] = track[start]
    assert find_death(track, 60.0) is None


@pytest.mark.parametrize(
    ("start", "pause", "dies"),
    [
        (29, 0, False),  # half a second alive, at the least
        (30, 0, True),
        (239, 0, True),  # a second dead, at the least
        (240, 0, False),
        (179, 30, True),  # an earlier pause, of a quarter of the last one at the most
        (179, 31, False),
    ],
)
def test_how_long_a_sensor_lives_rests_and_is_dead(start, pause, dies):
    track = living()
    track[start:] = track[start]
    track[50 : 50 + pause] = track[50 + pause] if pause else track[50:50]
    assert find_death(track, 60.0) == (start if dies else None)


def test_a_track_without_noise_may_rest():
    track = living(noise_deg=0.0)
    track[150:] = track[150]
    assert find_death(track, 60.0) is None


def test_a_coarsely_rounded_track_may_rest():
    """Angles rounded to half a degree repeat themselves all over."""
    swing = np.concatenate([40 * np.sin(np.arange(240) / 60) ** 3, np.full(90, 40 * np.sin(4) ** 3)])
    swing += np.random.default_rng(2).normal(size=330) * np.where(np.arange(330) < 240, 0.05, 0.0)
    track = quat.from_axis_angle(np.array([1.0, 0, 0]), np.radians(np.round(2 * swing) / 2))
    assert find_death(track, 60.0) is None


@pytest.mark.parametrize("name", ["walk", "run", "punch", "kick"])
def test_none_is_found_in_open_motions_with_and_without_noise(name):
    clean = clean_takes.clean_take(name)
    for motion in (clean, corrupt.corrupt(clean, 5).motion, open_data.humanoid3d(name)[0]):
        for joint in range(len(motion.skeleton)):
            assert find_death(quat.continuous(motion.rotations[:, joint]), motion.rate) is None
