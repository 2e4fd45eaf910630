"""What of a sole touches the floor: heels that roll, toes that lie flat, and feet without a mesh."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

import fit_bodies
from takemill.body.motion import Motion
from takemill.body.posed import Posed
from takemill.body.skeleton import Skeleton
from takemill.feet.sole_patches import SolePatches, sole_patches
from takemill.feet.soles import foot_points
from takemill.maths import quat

SKELETON, BODY = fit_bodies.body(fit_bodies.Build())
FOOT = BODY.require("leftFoot")
ANKLE = SKELETON.reference_model[1][FOOT]


def with_vertices(points: np.ndarray) -> Skeleton:
    """The body with vertices (V, 3) in model space, all on its left foot."""
    rotation = quat.inv(SKELETON.reference_model[0][FOOT])
    return replace(
        SKELETON,
        sole_joints=(FOOT,) * len(points),
        sole_points=quat.rotate(rotation, points - ANKLE),
        sole_vertices=tuple(range(len(points))),
        sole_weights=np.ones(len(points)),
    )


def pitched(skeleton: Skeleton, pitch: np.ndarray, path: np.ndarray) -> Motion:
    """The body, moved by (F, 3), with its left foot pitched by (F,) radians; above 0 the toes are up."""
    frames = len(pitch)
    rotations = np.tile(skeleton.rest_rotation, (frames, 1, 1))
    turn = quat.from_axis_angle(np.array([1.0, 0.0, 0.0]), -pitch)
    above = skeleton.reference_model[0][skeleton.parents[FOOT]]
    turned = quat.mul(turn, skeleton.reference_model[0][FOOT])
    rotations[:, FOOT] = quat.mul(quat.inv(above), turned)
    return Motion(skeleton, 60.0, rotations, skeleton.rest_translation[0] + path)


def left(motion: Motion) -> SolePatches:
    return sole_patches(Posed(motion), BODY, "leftFoot")


def test_a_round_heel_that_rolls_does_not_slide() -> None:
    """Exact: a wheel of radius r that turns by an angle a goes r a ahead, and its lowest point stands."""
    radius, angles = 0.05, np.radians(np.linspace(-120, 60, 1801))
    middle = np.array([ANKLE[0], ANKLE[1] + 0.06, radius])
    wheel = middle + radius * np.stack([0 * angles, np.sin(angles), -np.cos(angles)], axis=-1)
    skeleton = with_vertices(np.concatenate([wheel, [[ANKLE[0], ANKLE[1] - 0.2, 0.0]]]))
    pitch = np.radians(np.linspace(5, 30, 26))
    turned = quat.rotate(quat.from_axis_angle(np.array([1.0, 0.0, 0.0]), -pitch), middle - ANKLE)
    path = (middle - ANKLE) - turned  # the wheel's middle stays,
    path[:, 1] += radius * (pitch - pitch[0])  # and rolls backwards as the toes come up
    rolls = left(pitched(skeleton, pitch, path))
    assert np.abs(rolls.steps[:, 0]).max() < 2e-5, "of steps of 0.9 mm"
    assert np.abs(rolls.height[:, 0]).max() < 1e-6
    slides = left(pitched(skeleton, pitch, path + np.arange(26)[:, None] * [0.001, 0.0, 0.0]))
    np.testing.assert_allclose(slides.steps[:, 0] - rolls.steps[:, 0], [[0.001, 0.0]] * 25, atol=1e-9)


def test_a_foot_without_a_mesh_touches_with_heel_and_ball() -> None:
    motion = pitched(SKELETON, np.linspace(-0.3, 0.3, 10), np.zeros((10, 3)))
    points = foot_points(motion, BODY)[:, BODY.feet.index("leftFoot")]
    found = left(motion)
    np.testing.assert_allclose(found.steps, np.diff(points[..., :2], axis=0), atol=1e-12)
    np.testing.assert_allclose(found.height, points[..., 2], atol=1e-12)
    assert found.share[0].tolist() == [0.0, 1.0]


@pytest.mark.parametrize("behind", [True, False])
def test_an_end_that_a_mesh_does_not_show_is_heel_or_ball(behind: bool) -> None:
    points = ANKLE + np.array([[0.0, 0.05 if behind else -0.14, -ANKLE[2]]])
    motion = pitched(with_vertices(points), np.linspace(-0.1, 0.1, 5), np.zeros((5, 3)))
    found = left(motion)
    assert np.isfinite(found.height).all()
    assert found.share[0, int(behind)] == float(behind)


def test_a_body_twice_as_large_goes_twice_as_far() -> None:
    found = left(pitched(SKELETON, np.linspace(-0.3, 0.3, 10), np.zeros((10, 3))))
    large = found.scaled(2.0, 3.0)
    np.testing.assert_array_equal(large.steps, 2 * found.steps)
    np.testing.assert_array_equal(large.height, 3 * found.height)
