"""Legs that reach without a snap, and hips that help them."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

import open_data
import synthetic
from fit_bodies import BROAD, TOON, Build, body
from hand_measures import least_bend_deg, peak_turn
from shoes import shod
from sliding import stillest_m_s
from takemill.base.checks import Array
from takemill.body.body_map import BodyMap, find_body_map, leg_length
from takemill.body.motion import Motion
from takemill.feet.contacts import find_contacts
from takemill.feet.leg_ik import place_ankles
from takemill.feet.soles import foot_points
from takemill.fit.fit import FitSettings, fit
from takemill.fit.fit_hips import Leg, fade, hips_shift
from takemill.maths import quat

LONG = Build(thigh=0.55, shin=0.53, back=0.45, roll_seed=3)
LONG_WITH_BIG_FEET = Build(thigh=0.55, shin=0.53, foot=0.25, ankle=0.1, hip_width=0.16)
LEGS = [side + part for side in ("left", "right") for part in ("UpperLeg", "LowerLeg", "Foot")]
NO_SHIFT = np.zeros((1, 3))


def a_leg(bend_deg: float, down_m: float = 0.0, pitch_deg: float = 0.0) -> Leg:
    """A planted leg of 0.4 m each, bent by so much, whose foot should stand so much lower."""
    half = np.radians(bend_deg) / 2
    knee = 0.4 * np.array([[0.0, -np.sin(half), -np.cos(half)]])
    ankle = np.array([[0.0, 0.0, -0.8 * np.cos(half)]])
    sole = quat.rotate(
        quat.from_axis_angle(np.array([1.0, 0, 0]), np.radians(pitch_deg)), np.array([[0, -1.0, 0]])
    )
    wanted, still = ankle - [0.0, 0.0, down_m], np.zeros((1, 2))
    stands, level = np.ones(1), quat.IDENTITY[None]
    return Leg(
        np.zeros((1, 3)), knee, ankle, wanted, still, stands > 0, 0 * stands, stands, ankle[:, 2],
        level, sole, np.array([[1.0, 0.0, 0.0]]),
    )  # fmt: skip


def peaks(motion: Motion, parts: BodyMap) -> dict[str, float]:
    """Part of a leg -> its largest angular acceleration, rad/s^2."""
    out = {}
    for part in LEGS:
        turns = motion.rotations[:, parts.require(part)]
        speed = quat.log(quat.mul(quat.inv(turns[:-1]), turns[1:])) * motion.rate
        out[part] = float(quat.length(np.diff(speed, axis=0)).max() * motion.rate)
    return out


@pytest.mark.parametrize("build", [LONG, LONG_WITH_BIG_FEET], ids=["long", "big feet"])
@pytest.mark.parametrize("name", ["walk", "jump", "punch", "walker/turn_left0"])
def test_long_legs_turn_no_more_suddenly_than_the_performers(name: str, build: Build) -> None:
    """Peak angular acceleration of each joint of the legs at most 1.2 of the source's."""
    motion, _ = open_data.humanoid3d(name)
    parts = find_body_map(motion.skeleton)
    other, other_parts = body(build)
    theirs, ours = peaks(motion, parts), peaks(fit(motion, parts, other, other_parts), other_parts)
    ratios = {part: ours[part] / theirs[part] for part in LEGS}
    assert max(ratios.values()) < 1.2, ratios


@pytest.mark.parametrize("name", ["walk", "run", "kick", "dance_a", "roll"])
def test_toes_that_the_take_lacks_turn_no_more_suddenly_than_the_performers_joints(name: str) -> None:
    """They turned about a level line square to the sole, which an upright sole has not: 1.3 to 2.2 times."""
    motion, _ = open_data.humanoid3d(name)
    parts = find_body_map(motion.skeleton)
    other, other_parts = body(TOON)
    fitted = fit(motion, parts, other, other_parts, FitSettings(goals=()))
    assert peak_turn(fitted, other_parts) < 1.2 * peak_turn(motion, parts)


def knee_bends(motion: Motion, parts: BodyMap) -> Array:
    at = motion.model()[1]
    bends = []
    for side in ("left", "right"):
        hip, knee, ankle = (at[:, parts.require(side + part)] for part in ("UpperLeg", "LowerLeg", "Foot"))
        bends.append(quat.angle(quat.between(knee - hip, ankle - knee)))
    return np.stack(bends, axis=-1)


@pytest.mark.parametrize("build", [TOON, BROAD, LONG, LONG_WITH_BIG_FEET])
@pytest.mark.parametrize("name", ["walk", "run", "kick", "dance_a"])
def test_knees_straighten_no_further_than_the_performers_or_a_little_bend(name: str, build: Build) -> None:
    motion, _ = open_data.humanoid3d(name)
    parts = find_body_map(motion.skeleton)
    other, other_parts = body(build)
    theirs = np.degrees(knee_bends(motion, parts)).min(axis=0)
    ours = np.degrees(knee_bends(fit(motion, parts, other, other_parts), other_parts)).min(axis=0)
    assert (ours > np.minimum(theirs, 3.0) - 0.5).all(), (ours, theirs)


@pytest.mark.parametrize("build", [TOON, BROAD, Build(arms_down_deg=90.0)])
def test_knees_that_pass_the_straight_leg_neither_snap_nor_go_further(build: Build) -> None:
    """A dancer's knees go 6 degrees backwards: a short leg's went from 29 to -29 in one frame."""
    motion, _ = open_data.humanoid3d("dance_b")
    parts = find_body_map(motion.skeleton)
    other, other_parts = body(build)
    fitted = fit(motion, parts, other, other_parts, FitSettings(goals=()))
    theirs, ours = peaks(motion, parts), peaks(fitted, other_parts)
    assert max(ours.values()) < 1.2 * max(theirs.values()), (ours, theirs)
    least = [least_bend_deg(one, map_, "Leg") for one, map_ in ((motion, parts), (fitted, other_parts))]
    assert least[0] < -5.0
    assert least[1] > least[0] - 0.5


@pytest.mark.parametrize("build", [TOON, LONG_WITH_BIG_FEET])
@pytest.mark.parametrize("name", ["walk", "run", "kick", "spinkick", "dance_a"])
def test_feet_that_roll_and_turn_slide_no_more_than_the_performers(name: str, build: Build) -> None:
    """Heels that strike and balls that turn were up to 23 cm/s faster than the performer's, scaled."""
    motion, _ = open_data.humanoid3d(name)
    parts = find_body_map(motion.skeleton)
    other, other_parts = body(build)
    contacts = find_contacts(motion, parts)
    fitted = fit(motion, parts, other, other_parts, FitSettings(goals=()), contacts)
    scale = leg_length(other, other_parts) / leg_length(motion.skeleton, parts)
    points = scale * foot_points(motion, parts), foot_points(fitted, other_parts)
    theirs, ours = (stillest_m_s(one, motion.rate, 0.005 * scale) for one in points)
    stands = contacts.planted[1:] & contacts.planted[:-1]
    assert ours[stands].max() < theirs[stands].max() + 0.003
    more = (ours - theirs)[stands]
    assert np.quantile(more, 0.98) < 0.003
    assert more.max() < 0.05, "a foot that swings goes over from one end to the other in a step or two"


def test_long_feet_swing_over_the_floor() -> None:
    """Feet half as long as their legs went 64 mm through it; the performer's own go 6 mm, scaled."""
    motion, _ = open_data.humanoid3d("walk")
    parts = find_body_map(motion.skeleton)
    motion = motion.with_translation(
        0, motion.root_translation - [0, 0, find_contacts(motion, parts).floor_m]
    )
    other, other_parts = body(TOON)
    fitted = fit(motion, parts, shod(other, other_parts)[0], other_parts, FitSettings(goals=()))
    assert foot_points(fitted, other_parts)[..., 2].min() > -0.012


@pytest.mark.parametrize("bend_deg", [5.0, 20.0, 60.0])
def test_a_leg_reaches_its_goal_and_approaches_one_beyond_its_length(bend_deg: float) -> None:
    leg = a_leg(bend_deg, down_m=-0.01)
    np.testing.assert_allclose(leg.goal(NO_SHIFT, 30.0)[0], leg.wanted, atol=1e-12)
    lengths = [
        float(quat.length(a_leg(bend_deg, down_m=down).goal(NO_SHIFT, 30.0)[0])[0])
        for down in np.linspace(0, 0.3, 31)
    ]
    assert max(lengths) <= 0.8
    assert np.all(np.diff(lengths) >= -1e-12), "further goals, longer legs"
    bends = 2 * np.arccos(np.clip(np.array(lengths) / 0.8, -1.0, 1.0))
    assert np.all(np.diff(np.degrees(bends), 2)[bends[1:-1] < np.radians(8.0)] > -1e-6), "ever slower"


def test_hips_follow_the_straighter_leg_and_flat_feet_more_than_pitched_ones() -> None:
    def rise(*legs: Leg) -> float:
        return float(hips_shift(legs, 30.0)[0, 2])

    assert rise(a_leg(40.0, down_m=-0.01)) == pytest.approx(0.01 / 1.1, rel=0.02)
    both = rise(a_leg(8.0, down_m=-0.01), a_leg(60.0, down_m=0.01))
    assert 0.008 < both < 0.01
    for pitch_deg in (5.0, 15.0, 30.0):
        up, down = (rise(a_leg(40.0, -0.01, sign * pitch_deg)) for sign in (1, -1))
        assert up == pytest.approx(down)
        assert up < rise(a_leg(40.0, -0.01, pitch_deg - 5.0))


def test_hips_sink_as_far_as_a_leg_does_not_reach() -> None:
    leg = a_leg(10.0, down_m=0.05, pitch_deg=80.0)  # so far pitched that it does not lead the hips
    shift = hips_shift([leg], 30.0)
    left = leg.wanted - shift
    assert float(quat.length(left)[0]) == pytest.approx(0.8 * np.cos(np.radians(4.0)), abs=1e-6)


def test_what_a_contact_takes_fades_without_a_jump() -> None:
    planted = np.zeros(120, bool)
    planted[30:60] = planted[80:] = True
    values = np.where(planted, np.arange(120) * 0.1 + 3.0, 99.0)[:, None]
    out = fade(values, planted, 60.0)[:, 0]
    np.testing.assert_array_equal(out[planted], values[planted, 0])
    np.testing.assert_array_equal(out[:15], 0.0)
    assert np.abs(np.diff(out[14:])).max() < 1.5
    assert abs(out[60] - out[59]) < 0.1, "it goes on as it changed"


@pytest.mark.parametrize("build", [BROAD, Build(hip_width=0.3), Build(hip_width=0.12)])
def test_weight_shifts_go_with_the_width_of_the_stance(build: Build) -> None:
    """Over a foot, or so far between both, as the performer's hips are."""
    known = synthetic.idle()
    parts = BodyMap.from_names(known.motion.skeleton, synthetic.parts())
    sway = 0.04 * np.sin(np.linspace(0, 4 * np.pi, len(known.motion)))[:, None] * np.array([1.0, 0.0, 0.0])
    feet = {foot: known.motion.model()[1][:, parts.require(foot)] for foot in parts.feet}
    swaying = place_ankles(
        replace(known.motion, root_translation=known.motion.root_translation + sway), parts, feet
    )
    other, other_parts = body(build)
    fitted = fit(swaying, parts, other, other_parts, contacts=find_contacts(known.motion, parts))

    def share(motion: Motion, b: BodyMap) -> Array:
        at = motion.model()[1]
        left, right = (at[:, b.require(f"{side}Foot")] for side in ("left", "right"))
        middle = at[:, [b.require(f"{side}UpperLeg") for side in ("left", "right")]].mean(axis=1)
        across = left - right
        return np.einsum("fi,fi->f", middle - right, across) / np.einsum("fi,fi->f", across, across)

    theirs, ours = share(swaying, parts), share(fitted, other_parts)
    assert np.ptp(theirs) > 0.3
    np.testing.assert_allclose(ours, theirs, atol=0.02)
