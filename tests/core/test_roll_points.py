"""Heel, ball and tip of the toes of each sole."""

from __future__ import annotations

import numpy as np

import open_data
import synthetic
from takemill.body.body_map import BodyMap, find_body_map, leg_length
from takemill.body.motion import Motion
from takemill.feet.roll_points import roll_points
from takemill.feet.soles import FOOT_AHEAD_LEGS, foot_points, sole_offsets

BODY = BodyMap.from_names(synthetic.skeleton(), synthetic.parts())
TIP_AHEAD_M = 0.20  # of the synthetic body, from the ankle: 0.13 to the toes joint and 0.07 to their tip


def resting(skeleton) -> Motion:
    return Motion(skeleton, 30.0, skeleton.rest_rotation[None], np.array([[0.0, 0.0, 0.93]]))


def test_heel_and_ball_are_those_of_the_sole_and_the_tip_lies_at_the_toes_end() -> None:
    motion = resting(synthetic.skeleton())
    points = roll_points(motion, BODY)
    np.testing.assert_array_equal(points[:, :, :2], foot_points(motion, BODY))
    ankle = motion.model()[1][0, motion.skeleton.index("left_foot")]
    np.testing.assert_allclose(points[0, 0, 2] - ankle, [0.0, -TIP_AHEAD_M, -0.08], atol=1e-9)


def test_the_tip_stays_where_toes_lie_flat_while_the_heel_rises() -> None:
    """In the synthetic walk both bend at the ball of the foot: ball and tip stand until the foot leaves.

    But for what the toes' joint turns: it lies 2 cm over the sole that the foot rolls on.
    """
    known = synthetic.walk(rate=120.0, steps=6)
    points = roll_points(known.motion, BODY)
    rising = known.toe & ~known.heel
    inner = rising[1:] & rising[:-1]
    moved = np.linalg.norm(np.diff(points[..., 2, :], axis=0), axis=-1)
    assert inner.sum() > 100
    assert moved[inner].max() < 2e-3
    assert moved[~(known.toe[1:] | known.toe[:-1])].max() > 1e-2


def test_a_foot_without_toes_is_as_long_as_peoples_are() -> None:
    """The boxes of the open motions end 0.16 leg lengths ahead of the ankle."""
    walk = open_data.humanoid3d("walk")[0]
    body = find_body_map(walk.skeleton)
    leg = leg_length(walk.skeleton, body)
    points = roll_points(walk, body)
    foot = points[:, :, 1] - points[:, :, 0]
    tip = points[:, :, 2] - points[:, :, 0]
    np.testing.assert_allclose(np.cross(foot, tip), 0.0, atol=1e-9)
    heel = sole_offsets(walk.skeleton, body)[0, 0]
    behind = float(np.hypot(heel[0], heel[1]))
    length = np.linalg.norm(tip, axis=-1)
    np.testing.assert_allclose(length, behind + FOOT_AHEAD_LEGS * leg, atol=1e-9)
    assert (length > 1.2 * np.linalg.norm(foot, axis=-1)).all()
