"""Contacts of hands and body, found in takes whose contacts are known, and in open motion that has none."""

from __future__ import annotations

import numpy as np
import pytest

import hand_takes
import open_data
from fit_bodies import Build, body
from fit_bodies import rolled as with_other_axes
from takemill.body.body_map import find_body_map
from takemill.body.motion import Motion
from takemill.goals.find_goals import find_goals
from takemill.goals.goal_figures import figures, posed
from takemill.goals.goals import Goal, arm_weights, blend_frames, wanted_goals, window


def found_in(motion: Motion, floor_m: float = 0.0) -> tuple[Goal, ...]:
    parts = find_body_map(motion.skeleton)
    figure = figures(motion.skeleton, parts, motion.skeleton, parts)[0]
    return find_goals(posed(figure, motion), figure, floor_m)


@pytest.mark.parametrize("name", hand_takes.TAKES)
def test_every_known_contact_is_found_and_no_other(name: str) -> None:
    take = hand_takes.TAKES[name](60.0)
    bodies = figures(take.motion.skeleton, take.body, take.motion.skeleton, take.body)
    goals = find_goals(posed(bodies[0], take.motion), bodies[0], 0.0)
    trunk = {"hips", "spine", "chest"}
    for goal in goals:
        assert any(
            (one.kind, one.part) == (goal.kind, goal.part)
            and (one.on == goal.on or {one.on, goal.on} <= trunk)
            and goal.start < one.stop + 25
            and one.start < goal.stop + 25
            for one in take.relations
        ), goal
    assert len(goals) == len(take.relations)
    for one in take.relations:
        middle = (one.start + one.stop) // 2
        assert any(goal.part == one.part and goal.start <= middle < goal.stop for goal in goals), one


@pytest.mark.parametrize("rate", [30.0, 120.0])
def test_the_rate_does_not_decide_what_is_found(rate: float) -> None:
    for name in ("hilt", "hips", "floor"):
        slow, fast = (found_in(hand_takes.TAKES[name](one).motion) for one in (60.0, rate))
        assert [(one.kind, one.part) for one in slow] == [(one.kind, one.part) for one in fast]
        times = [np.array([(one.start, one.stop) for one in some]) for some in (slow, fast)]
        np.testing.assert_allclose(times[1] / rate, times[0] / 60.0, atol=0.08)


def test_the_axes_of_joints_and_the_size_do_not_matter() -> None:
    take = hand_takes.hips(60.0)
    assert found_in(with_other_axes(take.motion, 5)) == found_in(take.motion)


@pytest.mark.parametrize("name", ["walk", "run", "spinkick", "dance_a"])
def test_hands_that_only_swing_have_no_goals(name: str) -> None:
    motion, wraps = open_data.humanoid3d(name)
    motion = open_data.repeated(motion, 3) if wraps else motion
    low = motion.model()[1][..., 2].min()
    assert found_in(motion, float(low) - 0.05) == ()


def test_hands_that_hang_at_the_thighs_have_no_goals() -> None:
    skeleton, parts = body(Build(arms_down_deg=88.0))
    rotations = np.tile(skeleton.rest_rotation, (90, 1, 1))
    still = Motion(skeleton, 30.0, rotations, np.tile(skeleton.rest_translation[0], (90, 1)))
    figure = figures(skeleton, parts, skeleton, parts)[0]
    assert find_goals(posed(figure, still), figure, 0.0) == ()


def test_a_goal_sets_in_before_it_holds() -> None:
    goal = Goal("body", "leftHand", "head", 100, 130, 0.5, 0.0, "leftHand on head 1.67s")
    blend = blend_frames(60.0)
    first, weight = window(goal, 400, blend)
    assert (first, len(weight)) == (100 - blend, 30 + 2 * blend)
    assert (weight[blend : blend + 30] == 1).all()
    assert (np.diff(weight[: blend + 1]) > 0).all()
    assert weight[0] > 0
    weights = arm_weights([goal], 400, 60.0)
    np.testing.assert_allclose(weights["left"][first : first + len(weight)], weight)
    assert not weights["right"].any()


def test_kinds_and_names_choose() -> None:
    goals = found_in(hand_takes.floor(60.0).motion)
    assert wanted_goals(goals, ("body", "hands"), ()) == ()
    left = wanted_goals(goals, ("floor",), (goals[0].name,))
    assert left == goals[1:]
