"""Legs that reach: exact where the goal can be reached, sensible where it cannot."""

from __future__ import annotations

import numpy as np

from fit_bodies import Build, body, moved
from takemill.base.checks import Array
from takemill.body.motion import Motion
from takemill.feet.leg_ik import place_ankles, reach
from takemill.maths import quat


def standing(build: Build, frames: int = 1) -> tuple[Motion, dict[str, int]]:
    skeleton, parts = body(build)
    rotations = np.tile(skeleton.rest_rotation, (frames, 1, 1))
    path = np.tile(skeleton.rest_translation[0], (frames, 1))
    return Motion(skeleton, 30.0, rotations, path), dict(parts.joints)


def random_legs(count: int, seed: int) -> tuple[Array, Array, Array, Array]:
    rng = np.random.default_rng(seed)
    hip, knee = rng.normal(size=(2, count, 3))
    shin = rng.normal(size=(count, 3))
    axis = np.cross(knee - hip, shin) + 0.3 * rng.normal(size=(count, 3))
    return hip, knee, knee + shin, axis / np.linalg.norm(axis, axis=-1, keepdims=True)


def test_the_ankle_meets_a_goal_within_reach() -> None:
    hip, knee, ankle, axis = random_legs(400, 1)
    lengths = np.linalg.norm(knee - hip, axis=-1), np.linalg.norm(ankle - knee, axis=-1)
    rng = np.random.default_rng(2)
    line = rng.normal(size=(400, 3))
    low, high = np.abs(lengths[0] - lengths[1]) * 1.6, sum(lengths) * 0.95
    keep = high > low
    line *= (np.minimum(low, high) + rng.uniform(0, 1, 400) * np.abs(high - low))[:, None] / np.linalg.norm(
        line, axis=-1, keepdims=True
    )
    swing, bend = reach(hip, knee, ankle, hip + line, axis)
    new_knee = hip + quat.rotate(swing, knee - hip)
    new_ankle = new_knee + quat.rotate(quat.mul(swing, bend), ankle - knee)
    miss = np.linalg.norm(new_ankle - hip - line, axis=-1)[keep]
    assert np.quantile(miss, 0.9) < 1e-9, "the knee's hinge may leave a few deep bends out of reach"
    np.testing.assert_allclose(np.linalg.norm(new_knee - hip, axis=-1), lengths[0])


def test_goals_where_the_ankles_are_change_nothing() -> None:
    skeleton, parts = body(Build(roll_seed=1, helpers=1))
    motion = moved(skeleton, 3)
    at = motion.model()[1]
    # The random knees also bend backwards, which the hinge undoes; only those that bend forward stay.
    goals = {foot: at[:, parts.require(foot)] for foot in parts.feet}
    placed = place_ankles(motion, parts, goals)
    np.testing.assert_allclose(placed.model()[1][:, parts.require("leftFoot")], goals["leftFoot"], atol=1e-9)
    again = place_ankles(placed, parts, goals)
    np.testing.assert_allclose(again.model()[1], placed.model()[1], atol=1e-6)


def test_a_straight_leg_bends_its_knee_forward_and_keeps_the_foot() -> None:
    for build in (Build(), Build(facing_deg=130.0, roll_seed=4)):
        motion, parts = standing(build)
        turned, at = motion.model()
        goal = at[:, parts["rightFoot"]] + [0, 0, 0.1]
        placed = place_ankles(motion, body(build)[1], {"rightFoot": goal})
        new_turned, new = placed.model()
        np.testing.assert_allclose(new[:, parts["rightFoot"]], goal, atol=1e-9)
        np.testing.assert_allclose(
            quat.angle_between(new_turned[:, parts["rightToes"]], turned[:, parts["rightToes"]]), 0, atol=1e-9
        )
        front = quat.rotate(quat.from_yaw(np.radians(build.facing_deg)), np.array([0.0, -1.0, 0.0]))
        forward = (new[0, parts["rightLowerLeg"]] - at[0, parts["rightLowerLeg"]]) @ front
        assert forward > 0.15
        np.testing.assert_allclose(new[:, parts["leftFoot"]], at[:, parts["leftFoot"]], atol=1e-12)


def test_a_leg_is_stretched_to_the_share_that_is_asked_for() -> None:
    hip, knee, ankle = np.zeros((1, 3)), np.array([[0.0, -0.2, -0.4]]), np.array([[0.0, 0.0, -0.8]])
    length = 2 * np.hypot(0.2, 0.4)
    for share in (0.97, 0.9998):
        swing, bend = reach(hip, knee, ankle, np.array([[0, 0, -2.0]]), np.array([[1.0, 0, 0]]), share)
        new = quat.rotate(swing, knee + quat.rotate(bend, ankle - knee))
        np.testing.assert_allclose(np.linalg.norm(new) / length, share, atol=1e-9)


def test_a_goal_out_of_reach_straightens_the_leg_towards_it() -> None:
    motion, parts = standing(Build(roll_seed=2))
    hip = motion.model()[1][:, parts["leftUpperLeg"]]
    away = np.array([0.6, -0.8, 0.0])
    placed = place_ankles(motion, body(Build(roll_seed=2))[1], {"leftFoot": hip + 5 * away})
    leg = placed.model()[1][:, parts["leftFoot"]] - hip
    np.testing.assert_allclose(leg, [0.82 * away], atol=1e-6)
