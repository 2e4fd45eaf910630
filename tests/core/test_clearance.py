"""Arms stay out of bodies, seen on skinned vertices (tests/skinned_depth.py), and move smoothly."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

import hand_takes
from fit_bodies import BROAD, TOON, Build
from hand_measures import least_bend_deg, off_m, peak_turn
from skinned_bodies import Girth, skinned
from skinned_depth import depths_mm
from takemill.body.motion import Motion
from takemill.fit import clearance, clearance_whole
from takemill.fit.clearance import Clearance, clear_arms
from takemill.fit.clearance_whole import VALUES
from takemill.fit.fit import FitSettings, fit, fit_with_goals
from takemill.goals.goal_results import GoalResult, after_moves
from takemill.goals.goals import Goal
from takemill.maths import quat
from takemill.shape.body_shape import body_shape
from takemill.shape.body_shape_outline import DIRECTIONS, solid_outline
from takemill.shape.capsules import Capsules

pytestmark = pytest.mark.once

HIGH = ("leftUpperArm", "rightUpperArm")
LOW = ("leftLowerArm", "rightLowerArm", "leftHand", "rightHand")
STOUT = (Build(arms_down_deg=20.0, roll_seed=4), Girth(trunk_wide=0.18, trunk_deep=0.15))
WIDE = (BROAD, Girth(trunk_wide=0.25, trunk_deep=0.15, thigh=0.11))
SHORT = (TOON, Girth(trunk_wide=0.18, trunk_deep=0.12, thigh=0.09, head=0.17))


def hanging(skeleton, parts, inwards_deg=0.0, swing_deg=25.0, frames=90, rate=30.0):
    """Arms that hang, swing forwards and back three times, and lean inwards in the middle of the take."""
    rotations = np.tile(skeleton.rest_rotation, (frames, 1, 1))
    at, turned = skeleton.rest_model[1], skeleton.rest_model[0]
    t = np.arange(frames) / (frames - 1)
    for side, sign in (("left", 1.0), ("right", -1.0)):
        upper, lower = (parts.require(side + part) for part in ("UpperArm", "LowerArm"))
        down = quat.between(at[lower] - at[upper], np.array([0.0, 0.0, -1.0]))
        inwards = np.radians(inwards_deg) * np.sin(np.pi * t) ** 2
        swing = np.radians(swing_deg) * np.sin(6 * np.pi * t)
        lean = quat.mul(
            quat.from_axis_angle(np.array([1.0, 0.0, 0.0]), sign * swing),
            quat.from_axis_angle(np.array([0.0, sign, 0.0]), inwards),
        )
        model = quat.mul(lean, quat.mul(down, turned[upper]))
        above = turned[skeleton.parents[upper]]
        rotations[:, upper] = quat.mul(quat.inv(above), model)
    return Motion(skeleton, rate, rotations, np.tile(skeleton.rest_translation[0], (frames, 1)))


@pytest.mark.parametrize(("build", "girth"), [STOUT, WIDE])
def test_hanging_arms_come_out_of_the_body_and_no_further_than_they_must(build, girth):
    skeleton, parts, skin = skinned(build, girth)
    motion = hanging(skeleton, parts, inwards_deg=6.0)
    shape = body_shape(skeleton, parts, skin)
    cleared, found = clear_arms(motion, parts, shape)
    frames = np.arange(0, 90, 6)
    before, after = (depths_mm(skin, one, parts, frames, LOW) for one in (motion, cleared))
    assert before.max() > 25.0
    assert after.max() <= 5.0
    assert found.before_m > 0.02
    assert found.after_m < 0.002
    assert peak_turn(cleared, parts) <= 1.2 * peak_turn(motion, parts)
    upper = parts.require("leftUpperArm")
    turned = np.degrees(quat.angle_between(motion.rotations[:, upper], cleared.rotations[:, upper]))
    assert turned.max() < 40.0
    moved = quat.angle_between(motion.rotations, cleared.rotations).max(axis=0)
    changed = set(np.flatnonzero(moved > 1e-7).tolist())
    assert changed <= {parts.require("leftUpperArm"), parts.require("rightUpperArm")}


def test_arms_that_are_clear_are_left_to_the_bit():
    skeleton, parts, skin = skinned(Build(arms_down_deg=40.0))
    shape = body_shape(skeleton, parts, skin)
    still = Motion(
        skeleton,
        30.0,
        np.tile(skeleton.rest_rotation, (40, 1, 1)),
        np.tile(skeleton.rest_translation[0], (40, 1)),
    )
    cleared, found = clear_arms(still, parts, shape)
    np.testing.assert_array_equal(cleared.rotations, still.rotations)
    assert (found.before_m, found.shares) == (0.0, (0.0, 0.0))


def test_an_upper_arm_may_lie_at_the_chest_above_its_last_third_but_where_its_hand_is_held():
    """As arms of people do: a bar across the chest beside their middles holds no hanging arm out."""
    skeleton, parts, skin = skinned(*STOUT)
    shape, chest = body_shape(skeleton, parts, skin), parts.require("chest")
    turned, at = skeleton.rest_model[0][chest], skeleton.rest_model[1][chest]
    ahead = skeleton.rest_model[1][parts.require("leftUpperArm")][1]
    places = (np.array([x, ahead, 1.36]) for x in (-0.16, 0.16))
    ends = [quat.rotate(quat.inv(turned), place - at) for place in places]
    bar = Capsules(("chest",), (chest,), np.array(ends[:1]), np.array(ends[1:]), np.array([0.03]), (True,))
    barred = shape.without(set(shape.parts) - {*HIGH, *LOW}).joined([bar])
    motion = hanging(skeleton, parts, swing_deg=0.0)
    free, _ = clear_arms(motion, parts, barred)
    assert np.array_equal(free.rotations, motion.rotations)
    held = dict.fromkeys(("left", "right"), np.ones(len(motion)))
    _, deep = clear_arms(motion, parts, barred, held, held)
    assert deep.before_m > 0.01


def test_what_touches_in_the_characters_own_rest_may_stay():
    """Arms that rest 3 cm inside the trunk are that character's way; deeper they come back to it."""
    skeleton, parts, skin = skinned(Build(arms_down_deg=86.0), Girth(trunk_wide=0.185, upper_arm=0.03))
    shape = body_shape(skeleton, parts, skin)
    rest = Motion(
        skeleton,
        30.0,
        np.tile(skeleton.rest_rotation, (40, 1, 1)),
        np.tile(skeleton.rest_translation[0], (40, 1)),
    )
    assert depths_mm(skin, rest, parts, np.array([0]), LOW).max() > 5.0
    cleared, _ = clear_arms(rest, parts, shape)
    np.testing.assert_array_equal(cleared.rotations, rest.rotations)


def test_the_turns_are_smooth_at_any_rate():
    """At 30 and at 120 frames a second the same turns, and no corner where frames are filled in between."""
    skeleton, parts, skin = skinned(*STOUT)
    shape = body_shape(skeleton, parts, skin)
    slow = hanging(skeleton, parts, 15.0, frames=91)
    fast = slow.resampled(120.0)
    results = [clear_arms(one, parts, shape)[0] for one in (slow, fast)]
    upper = parts.require("leftUpperArm")
    apart = quat.angle_between(results[0].rotations[:, upper], results[1].rotations[::4, upper])
    assert np.degrees(apart.max()) < 1.5
    assert peak_turn(results[1], parts) < 1.2 * peak_turn(fast, parts)


@pytest.mark.parametrize(("name", "goal_mm"), [("hips", 10.0), ("knees", 11.0)])
@pytest.mark.parametrize(("build", "girth"), [(Build(arms_down_deg=40.0, roll_seed=3), Girth()), STOUT])
def test_hands_that_have_goals_reach_the_body_and_do_not_enter_it(name, goal_mm, build, girth):
    take = hand_takes.TAKES[name](30.0)
    skeleton, parts, skin = skinned(build, girth)
    shape = body_shape(skeleton, parts, skin)
    frames = np.arange(0, len(take.motion), 8)
    deep, off = [], []
    for settings in (FitSettings(clear_arms=False, goals=()), FitSettings()):
        fitted = fit(take.motion, take.body, skeleton, parts, settings, shape=shape)
        deep.append(depths_mm(skin, fitted, parts, frames, LOW).max())
        shapes = body_shape(take.motion.skeleton, take.body), shape
        off.append(1000 * max(off_m(take, one, fitted, parts, shapes) for one in take.relations))
    assert max(off[0], deep[0]) > 7.0  # off the hips, or inside them
    assert deep[1] <= 5.0
    assert off[1] < goal_mm
    assert peak_turn(fitted, parts) <= 1.2 * peak_turn(take.motion, take.body)


@pytest.mark.parametrize(
    ("build", "girth"), [(Build(arms_down_deg=40.0, roll_seed=3), Girth()), STOUT, WIDE, SHORT]
)
def test_hands_on_one_thing_move_out_together_until_their_arms_are_out(build, girth):
    """On a thick chest a hilt is held further away: arms and hands are out, and stay as far apart.

    By turns and steps alone the arms of the short body, which only just reach, stayed 17 and 25 mm deep.
    """
    take = hand_takes.TAKES["hilt"](30.0)
    skeleton, parts, skin = skinned(build, girth)
    shape, frames = body_shape(skeleton, parts, skin), np.arange(0, len(take.motion), 8)
    given = (take.motion, take.body, skeleton, parts)
    kept, out = (fit(*given, FitSettings(clear_arms=clear), shape=shape) for clear in (False, True))
    before, after = (depths_mm(skin, one, parts, frames, LOW).max() for one in (kept, out))
    assert before > 25.0
    assert after <= 5.0
    assert depths_mm(skin, out, parts, frames, HIGH).max() <= 5.0
    shapes = body_shape(take.motion.skeleton, take.body), shape
    assert off_m(take, take.relations[0], out, parts, shapes) < 0.003
    assert peak_turn(out, parts) <= 1.2 * peak_turn(take.motion, take.body)
    hands = [parts.require(f"{side}Hand") for side in ("left", "right")]
    assert least_bend_deg(out, parts, "Arm") > -1e-6
    turned = quat.angle_between(kept.model()[0][:, hands], out.model()[0][:, hands])
    held = slice(take.relations[0].start, take.relations[0].stop)
    assert np.degrees(turned[held].max()) < 0.1


def test_what_would_jerk_is_priced_as_a_dense_system_has_it():
    """Squared second differences of values that are 0 beyond a closed end: solved densely, frame by frame."""
    rng, count, size = np.random.default_rng(5), 9, VALUES
    half = rng.normal(size=(count, size, size))
    matrix, right = half @ half.swapaxes(1, 2) + np.eye(size), rng.normal(size=(count, size))
    prices = np.repeat([clearance_whole._STEP, clearance_whole._COLLAR, clearance_whole._ELBOW], [3, 3, 1])
    prices[3:] *= clearance_whole._LEVER_M**2
    for open_ends in ((True, True), (False, True), (False, False)):
        padded = np.eye(count + 4)
        second = padded[:-2] - 2 * padded[1:-1] + padded[2:]
        first, last = (0 if one else 2 for one in open_ends)
        second = second[2 - first : len(second) - 2 + last, 2:-2]
        weight = (clearance_whole._SMOOTH_S * 30.0) ** 4 * prices
        dense = np.kron(second.T @ second, np.diag(weight))
        for n in range(count):
            dense[n * size : (n + 1) * size, n * size : (n + 1) * size] += matrix[n]
        wanted = np.linalg.solve(dense, right.ravel()).reshape(count, size)
        band = clearance_whole._differences([count], open_ends)
        found = clearance_whole._smooth(matrix, right, 30.0, band)
        np.testing.assert_allclose(found, wanted, atol=1e-9)
        # Two stretches at once are each as alone, but that between them moves come and go.
        if not any(open_ends):
            band = clearance_whole._differences([count, count], open_ends)
            twice = np.concatenate([matrix, matrix]), np.concatenate([right, right])
            found = clearance_whole._smooth(*twice, 30.0, band)
            np.testing.assert_allclose(found, np.concatenate([wanted, wanted]), atol=1e-9)


def test_stretches_in_which_hands_are_together_are_solved_apart_from_the_others():
    stretches = [(0, 10), (20, 30), (40, 50), (60, 60 + clearance._SOLVED)]
    paired = np.zeros(stretches[-1][1], bool)
    paired[25] = True
    assert list(clearance._batches(stretches, paired)) == [
        [(20, 30)],
        [(0, 10), (40, 50)],
        [(60, 60 + clearance._SOLVED)],
    ]


def test_a_hand_that_must_give_way_says_how_far():
    """A contact that arms in the body cannot keep is further off by as much as its hand was moved."""
    skeleton, parts, _ = skinned(Build())
    before = hanging(skeleton, parts)
    after = before.with_translation(0, before.root_translation + np.array([0.0, 0.03, 0.0]))
    goals = [
        Goal(kind, "leftHand", on, 10, 20, 0.5, 0.5, kind)
        for kind, on in (("body", "hips"), ("prop", "rightHand"))
    ]
    on_body, on_prop = after_moves([GoalResult(one, 0.001, 0.001) for one in goals], before, after, parts)
    np.testing.assert_allclose([on_body.worst_m, on_body.mean_m], 0.031, atol=1e-9)
    assert on_body.reached is False  # a list of clips takes no truth of numpy's
    np.testing.assert_allclose(on_prop.worst_m, 0.001, atol=1e-9)


def test_the_fit_reports_depth_and_changes_nothing_without_a_mesh_or_when_told_so():
    take = hand_takes.TAKES["hips"](30.0)
    skeleton, parts, skin = skinned(*STOUT)
    shape = body_shape(skeleton, parts, skin)
    plain = fit_with_goals(take.motion, take.body, skeleton, parts)
    off = fit_with_goals(
        take.motion, take.body, skeleton, parts, FitSettings(clear_arms=False, goals=()), shape=shape
    )
    bare = fit_with_goals(take.motion, take.body, skeleton, parts, FitSettings(goals=()))
    hilt = hand_takes.TAKES["hilt"](30.0)
    on = fit_with_goals(hilt.motion, hilt.body, skeleton, parts, FitSettings(), shape=shape)
    assert plain.clearance is None
    assert off.clearance is None
    np.testing.assert_array_equal(off.motion.rotations, bare.motion.rotations)
    assert on.clearance is not None
    assert on.clearance.before_m > on.clearance.after_m


def test_an_outline_ends_where_the_body_does_and_not_where_a_cape_does():
    skeleton, _, skin = skinned(Build(), Girth(trunk_wide=0.16, trunk_deep=0.11))
    inner = skin.points[skin.triangles]
    out = np.array([1.5, 1.5, 1.0])
    cape = np.concatenate([out * inner, (out * [0.98, 0.98, 1.0] * inner)[:, ::-1]])
    middle = np.array([0.0, 0.0, 1.2])
    u, v, _ = np.eye(3)
    alone, worn = (solid_outline(one, middle, u, v) for one in (inner, np.concatenate([inner, cape])))
    np.testing.assert_allclose(worn, alone, atol=1e-9)
    reach = DIRECTIONS / [0.16, 0.11]
    wanted = 1 / np.linalg.norm(reach, axis=1)
    np.testing.assert_allclose(alone, wanted, atol=0.022)  # its middle lies 2 cm behind
    assert np.isnan(solid_outline(inner, np.array([0.5, 0.0, 0.3]), u, v)).all()
    assert skeleton.height > 1.0


def test_a_cape_that_arms_rest_under_does_not_hold_them_out():
    skeleton, parts, skin = skinned(Build(arms_down_deg=80.0), Girth(trunk_wide=0.12, trunk_deep=0.10))
    trunk = np.isin(skin.joints[:, 0], [parts.require(part) for part in ("hips", "spine", "chest")])
    faces = skin.triangles[trunk[skin.triangles].all(axis=1)]
    wide = skin.points * [2.6, 2.2, 1.0]
    count = len(skin.points)
    worn = replace(
        skin,
        points=np.concatenate([skin.points, wide, wide * [0.97, 0.97, 1.0]]),
        joints=np.tile(skin.joints, (3, 1)),
        weights=np.tile(skin.weights, (3, 1)),
        triangles=np.concatenate([skin.triangles, faces + count, faces[:, ::-1] + 2 * count]),
    )
    radius = [
        np.max(
            [shape.radius[k] + np.abs(shape.a[k] - shape.b[k]).max() / 2 for k in shape.of("spine", "chest")]
        )
        for shape in (body_shape(skeleton, parts, one) for one in (skin, worn))
    ]
    assert radius[1] < 1.25 * radius[0]


def test_each_clip_has_the_depth_of_its_own_frames_and_people_are_told():
    skeleton, parts, skin = skinned(*STOUT)
    motion = hanging(skeleton, parts, inwards_deg=6.0)
    _, found = clear_arms(motion, parts, body_shape(skeleton, parts, skin))
    deepest = int(found.frames[found.before.argmax()])
    near, far = (found.within([span]) for span in ((deepest - 2, deepest + 3), (0, 5)))
    assert near.before_m == found.before_m > far.before_m
    assert len(far.frames) == 5
    assert found.within([(500, 600)]).before_m == 0.0
    assert found.note().startswith(f"arms lay up to {1000 * found.before_m:.0f} mm deep in the body, in ")
    assert found.note().endswith("now clear")
    undone = Clearance(found.frames, found.before, found.before)
    assert undone.note().endswith(f"up to {1000 * found.before_m:.0f} mm are left")
    assert found.within([(500, 600)]).note() == ""
