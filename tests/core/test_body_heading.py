"""Where a body faces, where it heads, and how long its legs are."""

from __future__ import annotations

import numpy as np
import pytest

import open_data
from takemill.body.body_map import find_body_map, heading, leg_length, rest_facing
from takemill.body.motion import Motion
from takemill.body.skeleton import Skeleton
from takemill.maths import quat
from truth_bodies import REAL


@pytest.fixture(params=list(REAL))
def real(request: pytest.FixtureRequest) -> tuple[Skeleton, dict[str, str], float]:
    """A skeleton, its truth by hand, and where it faces at rest in degrees."""
    build, truth, facing_deg = REAL[request.param]
    return build(), truth, facing_deg


def test_facing_is_that_of_the_feet(real):
    skeleton, _, facing_deg = real
    body = find_body_map(skeleton)
    assert np.degrees(rest_facing(skeleton, body)) == pytest.approx(facing_deg, abs=2.0)


def spun(skeleton: Skeleton, headings, tilt=None) -> Motion:
    rotations = np.tile(skeleton.rest_rotation, (len(headings), 1, 1))
    turn = quat.from_yaw(headings)
    turn = turn if tilt is None else quat.mul(turn, tilt)
    rotations[:, 0] = quat.mul(turn, rotations[:, 0])
    return Motion(skeleton, 60.0, rotations, np.zeros((len(headings), 3)))


def test_heading_follows_the_hips_over_several_turns(real):
    skeleton, _, _ = real
    body = find_body_map(skeleton)
    turns = np.linspace(0.0, 5 * np.pi, 400)
    found = heading(spun(skeleton, turns), body)
    np.testing.assert_allclose(found - rest_facing(skeleton, body), turns, atol=1e-12)


def test_heading_does_not_see_a_bow():
    """A bow of 80 degrees about the body's own left changes no heading."""
    skeleton = REAL["free"][0]()
    bow = quat.from_axis_angle(np.array([1.0, 0.0, 0.0]), np.radians(np.linspace(0, 80, 50)))
    turns = np.full(50, 0.7)
    np.testing.assert_allclose(heading(spun(skeleton, turns, bow), find_body_map(skeleton)), 0.7, atol=1e-9)


def test_heading_holds_through_a_backflip():
    """The hips pass upside down at once: there the heading has no value of its own, and must not jump."""
    for name in ("backflip", "roll"):
        motion, _ = open_data.humanoid3d(name)
        found = heading(motion, find_body_map(motion.skeleton))
        assert np.abs(np.diff(found)).max() < np.radians(40)
        assert abs(found[-1] - found[0]) < np.radians(60)


def test_heading_of_real_walks_is_the_way_they_go():
    for name in ("walk", "run"):
        motion, _ = open_data.humanoid3d(name)
        found = heading(motion, find_body_map(motion.skeleton))
        assert np.abs(found - np.pi / 2).max() < np.radians(25)  # they go along +X


def test_heading_of_nothing_but_upside_down_is_that_of_rest():
    skeleton = REAL["free"][0]()
    over = quat.from_axis_angle(np.array([1.0, 0.0, 0.0]), np.full(4, np.pi))
    np.testing.assert_allclose(heading(spun(skeleton, np.zeros(4), over), find_body_map(skeleton)), 0.0)


def test_leg_length_of_the_urdf():
    """humanoid.urdf: knee at 1.686184 and ankle at 1.63948 below the joint above, scaled by 0.25."""
    built = REAL["pybullet"][0]()
    expected = 0.25 * (1.686184 + 1.63948)
    assert leg_length(built, find_body_map(built)) == pytest.approx(expected, abs=1e-9)
