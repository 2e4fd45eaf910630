"""Sensors that slip: found where the body repeats itself and at hinges, dated wherever the slip is known."""

from __future__ import annotations

import numpy as np
import pytest

import suit_faults
from suit_takes import NAMES, suit_take
from takemill.base.checks import Array
from takemill.maths import quat
from takemill.sensors.segments import Segments, find_segments, world_from_local
from takemill.sensors.slips import Slip, date_slip, find_slips, remove_slips

DAMAGE = suit_faults.ALONE["all but lag"]


def slipped(name: str, seed: int) -> tuple[Array, Segments, Slip]:
    """World orientations of a damaged take between its poses, and the truth about its slip."""
    take = suit_take(name)
    segments = find_segments(take.motion.skeleton, take.body)
    fault = suit_faults.with_faults(take.motion, take.body, seed, DAMAGE, take.inner)
    assert fault.slip is not None
    joint, frame, turn = fault.slip
    world = quat.continuous(world_from_local(take.motion.skeleton, segments, fault.motion.rotations))
    true = Slip(segments.joints.tolist().index(joint), frame - take.start, turn)
    return world[take.inner], segments, true


def test_slips_in_a_walk_are_found_with_their_size_and_moment() -> None:
    """All of eight, of trunk, thighs, arms and feet, under drift, a dropout and noise; 10 degrees to 1.5."""
    for seed in range(1, 9):
        world, segments, true = slipped("walk", seed)
        before = world.copy()
        (found,) = find_slips(world, segments, 60.0)
        assert np.array_equal(world, before)
        assert found.place == true.place
        assert abs(found.frame - true.frame) <= 6
        assert np.degrees(quat.angle_between(found.turn, true.turn)) < 1.5


def test_no_other_sensor_is_ever_blamed() -> None:
    for name in NAMES:
        for seed in (1, 2, 5):
            world, segments, true = slipped(name, seed)
            assert {one.place for one in find_slips(world, segments, 60.0)} <= {true.place}, (name, seed)


@pytest.mark.parametrize("name", NAMES)
@pytest.mark.parametrize("rate", [30.0, 60.0])
def test_nothing_slips_in_a_clean_take(name: str, rate: float) -> None:
    take = suit_take(name)
    motion = take.motion.resampled(rate)
    segments = find_segments(motion.skeleton, take.body)
    world = quat.continuous(world_from_local(motion.skeleton, segments, motion.rotations))
    assert find_slips(world, segments, rate) == ()


def test_a_slip_that_is_known_is_dated_in_any_motion() -> None:
    """Of 30, at least 25 within a tenth of a second."""
    off = []
    for name in NAMES:
        for seed in range(1, 6):
            world, segments, true = slipped(name, seed)
            found = date_slip(world, segments, true.place, true.turn, 60.0)
            off.append(abs(found.frame - true.frame) / 60)
    assert np.sum(np.array(off) <= 0.1) >= 25


def test_a_slip_is_taken_out_from_its_moment_on() -> None:
    world, _, true = slipped("walk", 1)
    out = remove_slips(world, (true,))
    assert np.array_equal(out[: true.frame], world[: true.frame])
    others = np.arange(world.shape[1]) != true.place
    assert np.array_equal(out[:, others], world[:, others])
    back = quat.mul(out[true.frame :, true.place], true.turn)
    assert quat.angle_between(back, world[true.frame :, true.place]).max() < 1e-7


def test_short_takes_tell_nothing() -> None:
    """Nine seconds about a slip show it; the middle seven and a half do not."""
    world, segments, true = slipped("walk", 2)
    around = world[true.frame - 270 : true.frame + 270]
    assert [one.place for one in find_slips(around, segments, 60.0)] == [true.place]
    assert find_slips(around[45:-45], segments, 60.0) == ()
