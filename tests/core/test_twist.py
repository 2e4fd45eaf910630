"""Twist joints share the turn about a limb by their place along it."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pytest

from fit_bodies import TOON, Build, body, moved
from reference import twist
from takemill.base.checks import Array
from takemill.body.body_map import BodyMap
from takemill.body.motion import Motion
from takemill.body.skeleton import Skeleton
from takemill.fit.fit import FitSettings, fit
from takemill.fit.twist import find_twist_joints, share_twist
from takemill.maths import kinematics, quat

PLACES = (0.0, 0.25, 0.5, 1.0)


def with_joints_along(
    skeleton: Skeleton,
    parts: BodyMap,
    limb: str,
    end: str,
    places: Sequence[float],
    inline: bool,
    beside_m: float = 0.0,
) -> tuple[Skeleton, BodyMap]:
    """The skeleton with joints "twist0" ... along a limb bone, by its side or in its chain; any axes."""
    turned, at = skeleton.rest_model
    joint, stop = parts.require(limb), parts.require(end)
    order: list[tuple[str, str, Array, Array]] = []
    rng = np.random.default_rng(8)
    for k, name in enumerate(skeleton.names):
        parent = skeleton.names[skeleton.parents[k]] if skeleton.parents[k] >= 0 else ""
        if inline and k == stop:
            parent = f"twist{len(places) - 1}"
        order.append((name, parent, turned[k], at[k]))
        if k != joint:
            continue
        for n, place in enumerate(places):
            above = f"twist{n - 1}" if inline and n else name
            point = at[joint] + place * (at[stop] - at[joint]) + np.array([0.0, beside_m, 0.0])
            order.append((f"twist{n}", above, quat.normalize(rng.normal(size=4)), point))
    names = [name for name, *_ in order]
    parents = tuple(names.index(parent) if parent else -1 for _, parent, *_ in order)
    rotations, translations = kinematics.local_from_model(
        parents, np.array([turn for *_, turn, _ in order]), np.array([point for *_, point in order])
    )
    tips = tuple(names.index(skeleton.names[j]) for j in skeleton.tip_joints)
    made = Skeleton(tuple(names), parents, translations, rotations, tips, skeleton.tip_offsets)
    return made, BodyMap({part: names.index(skeleton.names[j]) for part, j in parts.joints.items()})


def turned_by(skeleton: Skeleton, joint: int, axis: Array, degrees: float) -> Motion:
    """One frame at rest, one with a joint turned about an axis in model space."""
    turn = quat.from_axis_angle(axis, np.radians([0.0, degrees]))
    rotations = np.tile(skeleton.rest_rotation, (2, 1, 1))
    above = skeleton.rest_model[0][skeleton.parents[joint]]
    rotations[:, joint] = quat.mul(quat.inv(above), quat.mul(turn, skeleton.rest_model[0][joint]))
    return Motion(skeleton, 30.0, rotations, np.tile(skeleton.rest_translation[0], (2, 1)))


def turns_about(motion: Motion, names: Sequence[str], axis: Array) -> list[float]:
    """How far joints are turned about an axis in the second frame, away from rest, in model space."""
    out = []
    for name in names:
        joint = motion.skeleton.names.index(name)
        away = quat.mul(motion.model()[0][1, joint], quat.inv(motion.skeleton.rest_model[0][joint]))
        out.append(float(np.degrees(quat.angle(twist(away, axis))) * np.sign(away[1:] @ axis * away[0])))
    return out


def bone_axis(skeleton: Skeleton, parts: BodyMap, limb: str, end: str) -> Array:
    at = skeleton.rest_model[1]
    axis = at[parts.require(end)] - at[parts.require(limb)]
    return axis / np.linalg.norm(axis)


NAMES = [f"twist{k}" for k in range(len(PLACES))]


@pytest.mark.parametrize(("limb", "end"), [("leftLowerArm", "leftHand"), ("rightLowerLeg", "rightFoot")])
@pytest.mark.parametrize("inline", [False, True])
def test_a_lower_bones_joints_turn_with_its_end_by_their_place(limb: str, end: str, inline: bool) -> None:
    skeleton, parts = with_joints_along(*body(Build(arms_down_deg=30.0)), limb, end, PLACES, inline)
    axis = bone_axis(skeleton, parts, limb, end)
    motion = turned_by(skeleton, parts.require(end), axis, 70.0)
    shared = share_twist(motion, parts)
    np.testing.assert_allclose(turns_about(shared, NAMES, axis), 70.0 * np.array(PLACES), atol=1e-6)
    kept = [*parts.joints.values()]
    assert quat.angle_between(shared.model()[0][:, kept], motion.model()[0][:, kept]).max() < 1e-9
    np.testing.assert_allclose(shared.model()[1][:, kept], motion.model()[1][:, kept], atol=1e-9)


@pytest.mark.parametrize(
    ("limb", "end"), [("rightUpperArm", "rightLowerArm"), ("leftUpperLeg", "leftLowerLeg")]
)
@pytest.mark.parametrize("inline", [False, True])
def test_an_upper_bones_joints_turn_against_what_carries_it_by_their_place(
    limb: str, end: str, inline: bool
) -> None:
    skeleton, parts = with_joints_along(*body(Build(arms_down_deg=40.0)), limb, end, PLACES, inline)
    axis = bone_axis(skeleton, parts, limb, end)
    motion = turned_by(skeleton, parts.require(limb), axis, -50.0)
    shared = share_twist(motion, parts)
    np.testing.assert_allclose(turns_about(shared, NAMES, axis), -50.0 * np.array(PLACES), atol=1e-6)
    (own,) = turns_about(shared, [limb], axis)
    assert own == pytest.approx(0.0 if inline else -50.0, abs=1e-6)
    kept = [joint for part, joint in parts.joints.items() if part != limb]
    assert quat.angle_between(shared.model()[0][:, kept], motion.model()[0][:, kept]).max() < 1e-9
    np.testing.assert_allclose(shared.model()[1][:, kept], motion.model()[1][:, kept], atol=1e-9)


def test_what_swings_is_not_wrung() -> None:
    """An arm that goes from a T pose to hanging, or to the front, turns no joint of its own about it."""
    skeleton, parts = with_joints_along(*body(), "leftUpperArm", "leftLowerArm", PLACES, False)
    for axis in ([0.0, 1.0, 0.0], [0.0, 0.0, 1.0], [0.0, 0.6, -0.8]):
        motion = turned_by(skeleton, parts.require("leftUpperArm"), np.array(axis), 80.0)
        shared = share_twist(motion, parts)
        np.testing.assert_allclose(shared.rotations, motion.rotations, atol=1e-9)


def test_only_joints_in_line_are_twist_joints_and_others_are_left_alone() -> None:
    plain, parts = body(Build(fingers=True))
    assert find_twist_joints(plain, parts) == ()
    motion = moved(plain, 3)
    assert share_twist(motion, parts) is motion
    beside, beside_parts = with_joints_along(
        plain, parts, "leftUpperArm", "leftLowerArm", PLACES, False, beside_m=0.1
    )
    assert find_twist_joints(beside, beside_parts) == ()


@pytest.mark.parametrize("inline", [False, True])
def test_a_fit_moves_twist_joints_and_no_part(inline: bool) -> None:
    """The same fit as without them, but for the rotation of an upper bone with twist joints in its chain."""
    plain, parts = body(TOON)
    performer, own = body(Build())
    motion = moved(performer, 6)
    fitted = fit(motion, own, plain, parts, FitSettings(goals=()))
    for limb, end in (
        ("leftUpperArm", "leftLowerArm"),
        ("leftLowerArm", "leftHand"),
        ("rightUpperLeg", "rightLowerLeg"),
    ):
        skeleton, other = with_joints_along(plain, parts, limb, end, (0.3, 0.7), inline)
        twisted = fit(motion, own, skeleton, other, FitSettings(goals=()))
        order = [other.require(part) for part in parts.joints]
        ours = [parts.require(part) for part in parts.joints]
        np.testing.assert_allclose(twisted.model()[1][:, order], fitted.model()[1][:, ours], atol=1e-7)
        rest = skeleton.rest_rotation[skeleton.names.index("twist0")]
        assert (
            np.degrees(quat.angle_between(twisted.rotations[:, skeleton.names.index("twist0")], rest)).max()
            > 2.0
        )
