"""Which vertices of a mesh can touch the floor, by bodies whose shape is known."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

import fit_bodies
from takemill.base.checks import Array
from takemill.body.body_map import BodyMap, leg_length
from takemill.body.motion import Motion
from takemill.feet.sole_mesh import SoleVertices, find_sole_vertices
from takemill.feet.soles import foot_points, sole_offsets
from takemill.maths import quat

UP = np.array([0.0, 0.0, 1.0])


def found(points: Array, holders: Array, weights: Array, positions: Array) -> SoleVertices:
    """The soles of vertices (V, 3) of a mesh 1 m high; joints stand unturned."""
    stands = np.repeat(points[:, None], holders.shape[1], axis=1)
    turned = np.tile(quat.IDENTITY, (len(positions), 1))
    return find_sole_vertices(holders, weights, stands, turned, positions, UP, 1.0)


@pytest.mark.parametrize(("foot", "is_sole"), [(0.4, True), (0.3, False)])
def test_a_heel_that_hangs_on_the_foot_nearly_as_much_as_on_the_shin_is_a_sole(
    foot: float, is_sole: bool
) -> None:
    """Of the shin's weight two thirds are enough, 0.43 are not; the shin's own joint lies too high."""
    positions = np.array([[0.0, 0.0, 0.5], [0.0, 0.0, 0.1]])
    points = np.array([[0.0, 0.05, 0.0], [0.0, -0.1, 0.0]])
    soles = found(points, np.array([[0, 1], [1, -1]]), np.array([[1 - foot, foot], [1.0, 0.0]]), positions)
    assert (0 in soles.joints) == is_sole
    assert 1 in soles.joints


@pytest.mark.parametrize(("lowest", "joint", "is_sole"), [
    (0.012, 0.1, True), (0.03, 0.1, False), (0.0, 0.13, True), (0.0, 0.2, False),
])  # fmt: skip
def test_a_sole_lies_low_below_a_low_joint(lowest: float, joint: float, is_sole: bool) -> None:
    """In a mesh 1 m high, beside another one that stands on the floor."""
    positions = np.array([[0.0, 0.0, 0.1], [0.3, 0.0, joint]])
    points = np.array([[0.0, 0.0, 0.0], [0.3, 0.0, lowest]])
    soles = found(points, np.array([[0], [1]]), np.ones((2, 1)), positions)
    assert (1 in soles.joints) == is_sole


def test_a_round_sole_is_kept_as_far_as_a_foot_rolls() -> None:
    """A half ball of 9,000 vertices: those on which it stands when it leans by up to 50 degrees, any way."""
    lean, around = np.meshgrid(np.linspace(0, np.pi / 2, 91), np.linspace(0, 2 * np.pi, 100))
    out = np.stack([np.sin(lean) * np.cos(around), np.sin(lean) * np.sin(around), -np.cos(lean)], axis=-1)
    points = 0.05 * out.reshape(-1, 3) + 0.05 * UP
    soles = found(points, np.zeros((len(points), 1), int), np.ones((len(points), 1)), np.array([[0, 0, 0.1]]))
    kept = (soles.points + 0.05 * UP) / 0.05
    leans = np.degrees(np.arccos(np.clip(-kept[:, 2], -1, 1)))
    assert leans.min() == pytest.approx(0.0, abs=1e-6)
    assert leans.max() == pytest.approx(50.0, abs=1.0)
    assert len(leans) < 40
    ways = np.arctan2(kept[leans > 45, 1], kept[leans > 45, 0])
    assert np.diff(np.sort(ways)).max() < np.radians(50)


def shod(profile: Array) -> tuple[Motion, BodyMap]:
    """One who stands on a left shoe with this side view (N, 2): ahead of the ankle, over the floor."""
    skeleton, parts = fit_bodies.body(fit_bodies.Build())
    foot = parts.require("leftFoot")
    rotations, positions = skeleton.reference_model
    places = np.stack([np.full(len(profile), positions[foot, 0]), -profile[:, 0], profile[:, 1]], axis=-1)
    places[:, 1] += positions[foot, 1]
    places[:, 2] += skeleton.reference_tips[:, 2].min()
    inside = quat.rotate(quat.inv(rotations[foot]), places - positions[foot])
    skeleton = replace(skeleton, sole_joints=(foot,) * len(places), sole_points=inside)
    turned = np.tile(skeleton.rest_rotation, (2, 1, 1))
    return Motion(skeleton, 30.0, turned, np.tile(skeleton.rest_translation[0], (2, 1))), parts


def test_a_round_heel_touches_where_a_foot_lands_with_its_toes_up_by_20_degrees() -> None:
    """Exact: level floor and one that leans by 20 degrees meet r tan 10 behind its lowest point."""
    turn = np.radians(np.arange(0, 90.01, 0.05))
    heel = np.stack([-0.03 - 0.05 * np.sin(turn), 0.05 * (1 - np.cos(turn))], axis=-1)
    motion, parts = shod(np.concatenate([heel, [[0.1, 0.0], [0.16, 0.0]]]))
    ankle = motion.skeleton.reference_model[1][parts.require("leftFoot")]
    behind = foot_points(motion, parts)[0, parts.feet.index("leftFoot"), 0, 1] - ankle[1]
    assert behind == pytest.approx(0.03 + 0.05 * np.tan(np.radians(10.0)), abs=1e-4)


def test_a_foot_that_nothing_shows_is_as_long_as_people_s() -> None:
    """Of ANSUR II 98 of 100 have feet of 0.29 to 0.36 leg lengths; about a quarter lies behind the ankle."""
    skeleton, parts = fit_bodies.body(fit_bodies.Build(without=("leftToes", "rightToes")))
    bare = replace(skeleton, tip_joints=(), tip_offsets=np.zeros((0, 3)))
    parts = BodyMap({part: joint for part, joint in parts.joints.items() if "Toes" not in part})
    below = [joint for foot in parts.feet for joint in bare.subtree(parts.require(foot))[1:]]
    kept = [joint for joint in range(len(bare)) if joint not in below]
    parts = BodyMap({part: kept.index(joint) for part, joint in parts.joints.items()})
    bare = bare.part(kept)
    heel, ball = np.moveaxis(sole_offsets(bare, parts), 1, 0)
    leg = leg_length(bare, parts)
    length = np.linalg.norm(ball - heel, axis=-1) / leg
    assert (length > 0.29).all()
    assert (length < 0.36).all()
    for k, foot in enumerate(parts.feet):
        back = quat.rotate(bare.reference_model[0][parts.require(foot)], heel[k])[1] / leg
        assert 0.2 < back / length[k] < 0.3
