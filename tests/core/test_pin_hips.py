"""The way of the hips under planted feet, and how corrections come and go."""

from __future__ import annotations

import numpy as np

import reference
from takemill.feet import pin_course
from takemill.feet.pin_hips import hips_course

RATE = 120.0


def equal_feet(frames: int, feet: int = 1) -> np.ndarray:
    """A cost (F, K, 3, 3) that is the same in each direction."""
    return np.tile(np.eye(3), (frames, feet, 1, 1))


def test_hips_course_against_its_slow_twin() -> None:
    """The same least squares, written out as one dense matrix."""
    rng = np.random.default_rng(3)
    frames = 90
    wanted = np.cumsum(rng.normal(size=(frames, 2, 3)), axis=0) / 100
    root = rng.normal(size=(frames, 2, 3, 3))
    down = rng.random(size=(frames // 10, 2)).repeat(10, axis=0) > 0.4
    cost = np.where(down[..., None, None], root @ root.swapaxes(2, 3), 0.0)
    for rate in (RATE, 30.0):
        found = hips_course(wanted, cost, rate)
        np.testing.assert_allclose(found, reference.hips_course(wanted, cost, rate), atol=1e-7)


def test_hips_follow_what_is_slow_and_leave_what_trembles() -> None:
    t = np.arange(600) / RATE
    for hz, least, most in ((0.5, 0.995, 1.0), (5.0, 0.4, 0.6), (15.0, 0.0, 0.03)):
        wanted = np.sin(2 * np.pi * hz * t)[:, None, None] * [1.0, 0.0, 0.5]
        found = hips_course(wanted, equal_feet(len(t)), RATE)
        assert np.abs(found[:, 1]).max() < 1e-12
        size = np.abs(found[200:400, 0]).max()
        assert least <= size <= most, hz
        np.testing.assert_allclose(found[:, 2], 0.5 * found[:, 0], atol=1e-12)


def test_hips_give_way_to_the_leg_that_bends_dearly() -> None:
    """Two feet that disagree by 2 cm: the leg that costs nine times as much is spared nine tenths of it."""
    wanted = np.zeros((240, 2, 3))
    wanted[:, 1, 2] = 0.02
    cost = equal_feet(240, 2)
    cost[:, 1] *= 9
    found = hips_course(wanted, cost, RATE)
    np.testing.assert_allclose(found[:, 2], 0.018, atol=1e-6)


def test_hips_between_two_contacts_go_evenly() -> None:
    """Nothing is known between them: the way neither swings out nor waits."""
    wanted = np.zeros((360, 1, 3))
    wanted[180:, 0, 0] = 0.02
    cost = equal_feet(360)
    cost[100:260] = 0
    found = hips_course(wanted, cost, RATE)[:, 0]
    assert np.diff(found[100:260]).min() > -1e-6
    assert found.min() > -0.001
    assert found.max() < 0.021


def test_a_small_correction_fades_sooner_than_a_large_one() -> None:
    known = np.zeros(120, bool)
    known[:40] = True
    lengths = []
    for size in (0.001, 0.01, 0.05):
        values = np.full((120, 3), [size, 0.0, 0.0])
        out = pin_course.fade(values, known, RATE, 18)
        assert (out[:40] == values[:40]).all()
        lengths.append(int(np.count_nonzero(out[40:, 0])))
        push = np.abs(np.diff(out[:, 0], 2)).max() * RATE**2
        assert push < 1.1 * max(20.0, 6 * size / 0.15**2), "m/s^2"
    assert lengths == [4, 7, 15]


def test_legs_do_not_follow_a_trembling_floor_but_a_real_step() -> None:
    """Half a millimetre at 15 Hz is no height; two centimetres are."""
    t = np.arange(240) / RATE
    known = np.ones((240, 1), bool)
    step, cost = np.zeros((239, 1, 2)), equal_feet(240)
    heights = []
    for height in (0.0005 * np.sin(2 * np.pi * 15 * t), np.where(t < 1, 0.0, 0.02)):
        slid, beyond = pin_course.pinned_course(step, height[:, None], known, cost, RATE)
        heights.append(height - slid[:, 2] - beyond[:, 0, 2])
        assert np.abs(slid[20:100, 2] + beyond[20:100, 0, 2]).max() < 0.0003
    assert np.abs(heights[1]).max() < 0.0015 + 1e-9


def test_hips_do_not_run_off_where_no_foot_is_down() -> None:
    """A foot that asks for a slope in its last frames, then none for five seconds: the hips end near by."""
    rate, frames = 60.0, 420
    wanted, cost = np.zeros((frames, 1, 3)), np.zeros((frames, 1, 3, 3))
    cost[:60] = np.eye(3)
    wanted[55:60, 0, 2] = 0.002 * np.arange(1, 6)  # 12 cm a second
    course = hips_course(wanted, cost, rate)[:, 2]
    assert course[59] > 0.004
    assert np.abs(course[60:]).max() < 0.025
