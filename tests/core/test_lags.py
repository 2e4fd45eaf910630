"""Sensors that come late: told by neighbours that turn along."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

import suit_faults
from suit_takes import suit_take
from takemill.base.checks import Array
from takemill.maths import quat, series
from takemill.sensors import lags
from takemill.sensors.lags import Lag, find_lags, remove_lags
from takemill.sensors.segments import Segments, find_segments, world_from_local


def late(name: str, part: str, frames: int) -> tuple[Array, Array, Segments, int]:
    """A take in which one part comes late, as it was, its segments, and the part's place."""
    take = suit_take(name)
    segments = find_segments(take.motion.skeleton, take.body)
    rng = np.random.default_rng(4)
    true = quat.continuous(world_from_local(take.motion.skeleton, segments, take.motion.rotations))
    noise = quat.exp(np.radians(0.25) * rng.normal(size=(*true.shape[:2], 3)))
    raw, place = quat.mul(true, noise), segments.parts.index(part)
    raw[:, place] = raw[np.maximum(np.arange(len(raw)) - frames, 0), place]
    return raw, true, segments, place


@pytest.mark.parametrize("part", ["leftLowerLeg", "rightUpperArm", "rightLowerArm", "rightUpperLeg"])
@pytest.mark.parametrize("name", ["walk", "fight", "mixed"])
@pytest.mark.parametrize("frames", [2, 3, 5])
def test_late_limbs_are_found_by_whole_frames(name: str, part: str, frames: int) -> None:
    raw, true, segments, place = late(name, part, frames)
    before = raw.copy()
    (found,) = find_lags(raw, segments, 60.0)
    assert found.place == place
    assert abs(found.frames - frames) <= (1 if frames == 5 else 0)
    out = remove_lags(raw, (Lag(place, frames),))
    assert np.array_equal(raw, before)
    off = np.degrees(quat.angle_between(out, true))
    assert np.sqrt(np.mean(off[: -2 * frames] ** 2)) < 0.5  # the noise of 0.25 about each axis


@pytest.mark.parametrize("name", ["walk", "run", "dance", "fight", "mixed", "bank"])
@pytest.mark.parametrize("rate", [30.0, 60.0, 120.0])
def test_nothing_is_late_in_a_clean_take(name: str, rate: float) -> None:
    motion = suit_take(name).motion.resampled(rate)
    segments = find_segments(motion.skeleton, suit_take(name).body)
    world = quat.continuous(world_from_local(motion.skeleton, segments, motion.rotations))
    assert find_lags(world, segments, rate) == ()


@pytest.mark.parametrize("seed", range(8))
def test_where_all_turn_about_one_axis_rounding_calls_nobody_late(seed: int) -> None:
    """Of the other two axes there is nothing to be seen: what is left there is rounding."""
    segments = late("walk", "leftLowerLeg", 2)[2]
    rng, seconds = np.random.default_rng(seed), np.arange(600) / 60.0
    waves = rng.uniform(0.3, 2.0, (3, len(segments), 1)) * seconds
    angles = np.sin(2 * np.pi * waves + rng.uniform(0, 6, (3, len(segments), 1))).sum(axis=0).T
    turns = quat.exp(angles[..., None] * np.array([1.0, 0.0, 0.0]))
    sits = quat.normalize(rng.normal(size=(len(segments), 4)))
    assert find_lags(quat.continuous(quat.mul(turns, sits)), segments, 60.0) == ()


def test_a_lag_is_found_under_all_other_faults() -> None:
    """Of the arms and shins of eight damaged runs, all; and nothing else is called late."""
    take = suit_take("run")
    segments = find_segments(take.motion.skeleton, take.body)
    for seed in range(1, 9):
        fault = suit_faults.with_faults(
            take.motion, take.body, seed, replace(suit_faults.ALL, dropout_s=0.0), take.inner
        )
        assert fault.lag is not None
        world = quat.continuous(world_from_local(take.motion.skeleton, segments, fault.motion.rotations))
        found = {int(segments.joints[one.place]) for one in find_lags(world, segments, 60.0)}
        assert found <= {fault.lag[0]}, seed
        part = take.body.part_of(fault.lag[0])
        assert part is not None
        if part.endswith(("Arm", "LowerLeg")):
            assert found == {fault.lag[0]}, seed


@pytest.mark.parametrize("rate", [60.0, 120.0])
def test_a_take_so_long_that_stretches_of_it_are_looked_at_tells_the_same(rate: float) -> None:
    """The walk forwards and backwards, again and again, to 9,000 frames; late by 50 ms."""
    _, true, segments, place = late("walk", "leftLowerLeg", 0)
    every = round(rate / 60)
    true = series.sample_rotations(true, np.arange(every * (len(true) - 1) + 1) / every)
    there = np.concatenate([true, true[-2:0:-1]])
    long = quat.continuous(np.tile(there, (-(-9000 // len(there)), 1, 1)))
    assert find_lags(long, segments, rate) == ()
    frames = round(0.05 * rate)
    long[frames:, place] = long[:-frames, place].copy()
    assert find_lags(long, segments, rate) == (Lag(place, frames),)


def test_two_late_neighbours_are_not_taken_for_one() -> None:
    """Forearm and hand on one cable are late together: the elbow says so, the wrist does not."""
    raw, _, segments, place = late("walk", "leftLowerArm", 3)
    hand = segments.parts.index("leftHand")
    raw[:, hand] = raw[np.maximum(np.arange(len(raw)) - 3, 0), hand]
    assert find_lags(raw, segments, 60.0) == ()
    assert place != hand


def test_the_lowest_place_is_that_of_the_parabola_and_its_depth_is_against_the_mean_of_the_ends() -> None:
    """Values (k - 3.2)^2 + 1 of k = 0 to 9; at an end nothing is known."""
    values = (np.arange(10) - 3.2) ** 2 + 1.0
    lowest, depth = lags._lowest(values)
    assert lowest == pytest.approx(3.2)
    assert depth == pytest.approx((0.2**2 + 1) / ((3.2**2 + 1 + 5.8**2 + 1) / 2))
    for falling in (values[:4], values[3:]):
        assert lags._lowest(falling) == (0.0, 1.0)


def test_neighbours_that_are_late_by_different_times_are_not_taken_for_one() -> None:
    """Forearm and hand on cables of their own, 6 and 4 frames late: elbow and wrist do not agree."""
    raw, true, segments, place = late("walk", "leftLowerArm", 6)
    assert find_lags(raw, segments, 60.0) == (Lag(place, 6),)
    hand = segments.parts.index("leftHand")
    raw[4:, hand] = true[:-4, hand]
    assert find_lags(raw, segments, 60.0) == ()


def test_of_eight_times_the_largest_shift_a_late_sensor_is_told_and_of_less_it_is_not() -> None:
    """At 60 frames a second the largest shift is 8 frames."""
    raw, _, segments, place = late("walk", "leftLowerLeg", 3)
    for start in (100, 200, 300):
        assert find_lags(raw[start : start + 64], segments, 60.0) == (Lag(place, 3),)
        assert find_lags(raw[start : start + 63], segments, 60.0) == ()


def test_a_still_or_short_take_tells_nothing() -> None:
    raw, _, segments, place = late("walk", "leftLowerLeg", 3)
    assert find_lags(raw[200:300], segments, 60.0) == (Lag(place, 3),)
    assert find_lags(raw[200:260], segments, 60.0) == ()
    still = np.tile(raw[:1], (600, 1, 1))
    assert find_lags(still, segments, 60.0) == ()
