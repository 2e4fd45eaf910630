"""Flights of a body without a height of its own, by throws whose answer is known."""

from __future__ import annotations

import numpy as np
import pytest

from takemill.base.checks import Array
from takemill.feet import flights
from takemill.feet.flights import GRAVITY_M_S2, find_flights, height_in_flight

LEG = 0.85


def leap(rate: float, rise_m_s: float = 1.5, swing_m: float = 0.4) -> tuple[Array, Array, Array, int, int]:
    """Two feet that push a body off, swing and catch it: true height, that over the lowest, feet, both ends.

    The legs extend evenly before, and give way as fast afterwards; in the air they are drawn up by 20 cm.
    """
    flight_s = 2 * rise_m_s / GRAVITY_M_S2
    time = np.arange(round((1.0 + flight_s) * rate)) / rate
    start, end = 0.5, 0.5 + flight_s
    air = (time > start) & (time < end)
    part = np.clip((time - start) / flight_s, 0, 1)
    height = 0.7 + rise_m_s * np.clip(0.15 - np.maximum(start - time, time - end), 0, 0.15)
    top = 0.7 + 0.15 * rise_m_s
    thrown = top + GRAVITY_M_S2 / 2 * (time - start) * (end - time)
    true = np.where(air, thrown, height)
    legs = np.where(air, top - 0.2 * np.sin(np.pi * part), height)
    feet = np.zeros((len(time), 2, 3))
    feet[..., 2] = -legs[:, None]
    feet[:, :, 0] = -swing_m * np.sin(2 * np.pi * part)[:, None] * air[:, None]
    first, last = np.flatnonzero(air)[[0, -1]]
    return true, legs, feet, int(first) - 1, int(last) + 1


@pytest.mark.parametrize("rate", [30.0, 60.0, 120.0])
def test_a_leap_is_found_and_follows_its_throw(rate: float) -> None:
    true, legs, feet, first, last = leap(rate)
    ((start, stop),) = find_flights(legs, feet, rate, LEG)
    assert abs(start - first) <= 1
    assert abs(stop - last) <= 1
    found = height_in_flight(legs, feet, rate, LEG)
    assert np.abs(found - true).max() < 1.5 / rate, "a frame sooner or later at 1.5 m/s"
    assert (found - legs).max() > 0.25, "the lowest point hangs so far over the floor at the top"
    outside = np.r_[0:start, stop + 1 : len(true)]
    np.testing.assert_array_equal(found[outside], legs[outside])


def test_feet_that_move_evenly_carry_the_body_and_no_flight_is_there() -> None:
    """The same heights; but the feet do not swing: the body stands and bends its knees."""
    _, legs, feet, _, _ = leap(60.0, swing_m=0.0)
    assert find_flights(legs, feet, 60.0, LEG) == []
    np.testing.assert_array_equal(height_in_flight(legs, feet, 60.0, LEG), legs)


def test_a_squat_is_no_flight_though_its_feet_slide() -> None:
    """What goes down and up more slowly than a fall is carried all along."""
    time = np.arange(240) / 60
    legs = 0.8 - 0.15 * np.sin(np.pi * time) ** 2
    feet = np.zeros((240, 2, 3))
    feet[..., 2] = -legs[:, None]
    feet[:, :, 0] = 0.4 * np.sin(7 * time)[:, None]
    assert find_flights(legs, feet, 60.0, LEG) == []


def test_a_body_that_bounces_and_never_falls_is_carried_though_its_feet_slide() -> None:
    """It sinks with nine tenths of gravity at most: what stands under it gives way, and is there."""
    time = np.arange(240) / 120
    turning = 2 * np.pi * 5.0
    legs = 0.8 + 0.9 * GRAVITY_M_S2 / turning**2 * np.sin(turning * time)
    feet = np.zeros((240, 2, 3))
    feet[..., 2] = -legs[:, None]
    feet[:, :, 0] = 0.2 * np.sin(turning * time)[:, None]
    assert find_flights(legs, feet, 120.0, LEG) == []


def test_a_fall_longer_than_a_second_is_none() -> None:
    _, legs, feet, _, _ = leap(60.0, rise_m_s=5.5)
    assert find_flights(legs, feet, 60.0, LEG) == []
    _, legs, feet, _, _ = leap(60.0, rise_m_s=4.5)
    assert len(find_flights(legs, feet, 60.0, LEG)) == 1
    (_, low, near, *_), (_, high, far, *_) = leap(60.0), leap(60.0, rise_m_s=5.5)
    assert len(find_flights(np.concatenate([low, high]), np.concatenate([near, far]), 60.0, LEG)) == 1


@pytest.mark.parametrize("frames", [1, 2, 4])
def test_few_frames_hold_no_flight(frames: int) -> None:
    legs, feet = np.full(frames, 0.8), np.zeros((frames, 2, 3))
    before = legs.copy()
    assert find_flights(legs, feet, 60.0, LEG) == []
    np.testing.assert_array_equal(height_in_flight(legs, feet, 60.0, LEG), before)


def test_the_arrays_stay_as_they_were() -> None:
    _, legs, feet, _, _ = leap(60.0)
    kept = legs.copy(), feet.copy()
    height_in_flight(legs, feet, 60.0, LEG)
    np.testing.assert_array_equal(legs, kept[0])
    np.testing.assert_array_equal(feet, kept[1])


@pytest.mark.parametrize("rate", [30.0, 60.0, 240.0])
def test_a_bend_is_sharp_from_1_3_times_gravity_on(rate: float) -> None:
    """A height that rises and falls evenly, with an edge between them; over 35 ms to both sides."""
    reach = max(round(0.035 * rate), 1)
    for gravities, sharp in ((1.27, False), (1.33, True)):
        speed = gravities * GRAVITY_M_S2 * reach / rate / 2
        height = 2.0 - speed * np.abs(np.arange(80) - 40) / rate
        assert flights._sharp_bends(height, rate).tolist() == ([40] if sharp else [])


@pytest.mark.parametrize(
    ("frames", "off_m_s", "joined"),
    [
        (12, 0.0, True),  # 0.05 to 1 s, at 240 frames a second
        (11, 0.0, False),
        (240, 0.0, True),
        (241, 0.0, False),
        (100, 1.58 * LEG, True),  # faster by 1.6 leg lengths a second before it
        (100, 1.62 * LEG, False),
        (100, -1.58 * LEG, True),
        (100, -1.62 * LEG, False),
    ],
)
def test_a_throw_joins_two_bends_whose_speeds_fit_it(frames: int, off_m_s: float, joined: bool) -> None:
    """A body that rises evenly, is thrown and falls evenly on."""
    rate, start = 240.0, 40
    stop = start + frames
    time = (np.arange(frames + 80) - start) / rate
    seconds = frames / rate
    speed = GRAVITY_M_S2 * seconds / 2
    height = 5 + np.where(
        time < 0, (speed + off_m_s) * time, np.where(time > seconds, -speed * (time - seconds), 0.0)
    )
    pairs = flights._joined_pairs(height, np.array([start, stop]), rate, LEG)
    assert pairs == ([(start, stop)] if joined else [])


@pytest.mark.parametrize("axis", [0, 1])
def test_the_swing_of_feet_is_the_root_mean_square_of_what_leaves_an_even_course(axis: int) -> None:
    """The lowest of two feet goes 1 m/s faster or slower, in turn, than an even 2 m/s."""
    rate, count = 50.0, 60
    speed = np.full(count, 2.0)
    speed[20:40] += np.tile([1.0, -1.0], 10)
    feet = np.zeros((count + 1, 2, 3))
    feet[1:, 0, axis] = np.cumsum(speed) / rate
    feet[:, 1] = [9.0, 9.0, 0.1]
    assert flights._foot_swing(feet, 20, 40, rate) == pytest.approx(np.sqrt(20 / 22))
