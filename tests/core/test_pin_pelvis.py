"""Legs that stand straight: what both would bend for, the pelvis takes."""

from __future__ import annotations

import numpy as np
import pytest

import corrupt
import resting_takes
from takemill.feet.pin_pelvis import pelvis_roll
from takemill.feet.soles import foot_points
from takemill.maths import quat
from takemill.repair.repair import RepairSettings, repair

SENSORS = RepairSettings("suit", heading=False, path=False, floor=False, pin=False)


@pytest.mark.parametrize("kind", ["bow", "squat", "tai-chi"])
def test_who_stands_on_both_feet_stands_still_though_the_suit_slides(kind: str) -> None:
    """By 10 cm/s, with 0.25 degrees of noise, legs stretched to 99.8 %: joints stay near their sensors'."""
    true = resting_takes.on_both_feet(kind)
    body, errors = resting_takes.body_of(true), []
    for seed in (1, 2):
        raw = resting_takes.slid(
            corrupt.corrupt(true, seed, corrupt.Damage(0.25, 0, 0.3, 0, 0, 0, 0, 0)).motion
        )
        repaired, sensed = (repair(raw, body, one)[0] for one in (RepairSettings("suit"), SENSORS))
        errors.append(
            [np.square(quat.angle_between(one.rotations, true.rotations)) for one in (repaired, sensed)]
        )
        points = foot_points(repaired, body)
        steps = np.linalg.norm(np.diff(points[..., :2], axis=0), axis=-1).min(axis=-1)
        assert 100 * steps.max() * true.rate < 0.05  # cm/s, to the first and the last frame
        assert np.abs(points[..., 2].min(axis=-1)).max() < 0.002
        away = (repaired.root_translation - true.root_translation)[:, :2]
        assert np.linalg.norm(away - away.mean(axis=0), axis=-1).max() < 0.01
    ours, sensors = np.mean(errors, axis=(0, 2, 3))
    assert np.sqrt(ours / sensors) < 1.15


def test_legs_stretched_to_99_94_percent_stand_no_worse() -> None:
    """A bow: three seeds, as in ground_table.py; with the reach of other legs (0.9995) it is 1.17."""
    true = resting_takes.on_both_feet("bow", straight=0.9994)
    body, ratios = resting_takes.body_of(true), []
    for seed in (1, 2, 3):
        raw = resting_takes.slid(
            corrupt.corrupt(true, seed, corrupt.Damage(0.25, 0, 0.3, 0, 0, 0, 0, 0.03)).motion
        )
        ours, sensed = (
            np.sqrt(np.mean(quat.angle_between(repair(raw, body, one)[0].rotations, true.rotations) ** 2))
            for one in (RepairSettings("suit"), SENSORS)
        )
        ratios.append(ours / sensed)
    assert np.mean(ratios) < 1.15


def test_a_pure_slide_is_taken_out_exactly_to_the_ends() -> None:
    true = resting_takes.on_both_feet("bow")
    body = resting_takes.body_of(true)
    repaired, _ = repair(resting_takes.slid(true), body, RepairSettings("suit"))
    away = repaired.root_translation - true.root_translation
    assert np.abs(away - away[0]).max() < 1e-5
    assert np.degrees(quat.angle_between(repaired.rotations, true.rotations)).max() < 0.01


def legs(bend_rad: float, frames: int = 60) -> np.ndarray:
    """Hips 0.2 m apart over two legs that are bent by so much (F, 2, 3, 3)."""
    half = bend_rad / 2
    leg = 0.4 * np.array([[0, 0, 0], [0, -np.sin(half), -np.cos(half)], [0, 0, -2 * np.cos(half)]])
    return np.tile(np.stack([np.add(leg, [side, 0, 1]) for side in (0.1, -0.1)]), (frames, 1, 1, 1))


def test_the_pelvis_rolls_for_straight_legs_alone() -> None:
    """One foot a millimetre too low: hips 0.2 m apart need 0.29 degrees."""
    rest = np.zeros((60, 2, 3))
    rest[:, 0, 2] = 0.001
    known = np.ones((60, 2), bool)
    for bend_deg, share in ((2.0, 0.98), (13.0, 0.5), (90.0, 0.05)):
        at = legs(np.radians(bend_deg))
        roll = pelvis_roll(at, rest, known, 60.0)
        lifted = quat.rotate(roll, at[:, 0, 0] - [0, 0, 1])[:, 2] * 2
        assert lifted == pytest.approx(share * 0.001, abs=3e-5)
    alone = pelvis_roll(legs(0.03), rest, known & [True, False], 60.0)
    assert np.allclose(alone, quat.IDENTITY)
    much = pelvis_roll(legs(0.03), 100 * rest, known, 60.0)
    assert np.degrees(quat.angle_between(much, quat.IDENTITY)).max() < 1.001


def test_the_pelvis_rolls_in_no_jump() -> None:
    rest = np.zeros((60, 2, 3))
    rest[30:, 0, 2] = 0.001
    turned = quat.angle_between(pelvis_roll(legs(0.03), rest, np.ones((60, 2), bool), 60.0), quat.IDENTITY)
    assert np.degrees(np.abs(np.diff(turned))).max() < 0.12
    assert np.degrees(turned[-1]) == pytest.approx(0.28, abs=0.02)
