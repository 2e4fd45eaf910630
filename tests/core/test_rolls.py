"""What is kept in the axes of bones stays with the body, however bones are rolled since."""

from __future__ import annotations

import numpy as np

from takemill.maths import quat
from takemill.maths.rolls import turned_axes

RNG = np.random.default_rng(5)
THEN = quat.normalize(RNG.standard_normal((12, 4)))
PLACES = RNG.standard_normal((12, 3))
ROLL = quat.from_axis_angle(np.array([0.0, 1.0, 0.0]), RNG.uniform(-3, 3, 12))
WHOLE = quat.from_axis_angle(np.array([0.0, 0.0, 1.0]), np.pi)


def in_model(now: np.ndarray) -> np.ndarray:
    return quat.rotate(quat.mul(now, turned_axes(THEN, now)), PLACES)


def test_rolls_move_nothing_and_a_body_that_is_turned_takes_all_along():
    there = quat.rotate(THEN, PLACES)
    np.testing.assert_allclose(in_model(THEN), there, atol=1e-12)
    np.testing.assert_allclose(in_model(quat.mul(THEN, ROLL)), there, atol=1e-12)
    turned = quat.mul(WHOLE, quat.mul(THEN, ROLL))
    np.testing.assert_allclose(in_model(turned), quat.rotate(WHOLE, there), atol=1e-12)


def test_limbs_that_lead_elsewhere_take_their_ends_along_and_no_others():
    """By the shortest way, whatever their rolls."""
    bend = np.tile(quat.IDENTITY, (12, 1))
    for bone, angle in ((0, 0.8), (1, 0.8), (5, -1.2), (6, 0.3)):
        bend[bone] = quat.from_axis_angle(quat.rotate(THEN[bone], np.array([1.0, 0.0, 0.0])), angle)
    now = quat.mul(bend, quat.mul(THEN, ROLL))
    wanted = quat.rotate(quat.mul(bend, THEN), PLACES)
    np.testing.assert_allclose(in_model(now), wanted, atol=1e-9)
    turned = quat.mul(WHOLE, now)
    np.testing.assert_allclose(in_model(turned), quat.rotate(WHOLE, wanted), atol=1e-9)


def test_one_bone_tells_no_turn_of_the_body():
    one = turned_axes(THEN[:1], quat.mul(THEN[:1], ROLL[:1]))
    np.testing.assert_array_equal(one, [quat.IDENTITY])
