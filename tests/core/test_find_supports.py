"""Chairs, boxes and benches: found where a body could not keep still without them, and nowhere else."""

from __future__ import annotations

import numpy as np
import pytest

import forms
import hand_takes
import open_data
import resting_takes
import support_takes
from fit_bodies import Build, body
from fit_bodies import rolled as with_other_axes
from form_results import seen
from takemill.body.body_map import BodyMap, find_body_map
from takemill.body.motion import Motion
from takemill.goals.balance import centre_of_mass, mass_joints, off_balance, reaches
from takemill.goals.find_goals import find_goals
from takemill.goals.goal_figures import figures, posed
from takemill.goals.goal_pose import GoalPose
from takemill.goals.goals import Goal


def found_in(motion: Motion, parts: BodyMap, floor_m: float = 0.0) -> list[Goal]:
    figure = figures(motion.skeleton, parts, motion.skeleton, parts)[0]
    return [goal for goal in find_goals(posed(figure, motion), figure, floor_m) if goal.kind == "support"]


@pytest.mark.parametrize("name", support_takes.CARRIED)
def test_what_carries_is_found_and_nothing_else(name: str) -> None:
    take = support_takes.CARRIED[name](30.0)
    goals = found_in(take.motion, take.body)
    assert sorted(goal.part for goal in goals) == sorted(one.part for one in take.relations)
    for goal in goals:
        assert goal.on == "support"
        assert abs(goal.start - take.relations[0].start) < 12
        assert abs(goal.stop - take.relations[0].stop) < 12
    assert found_in(with_other_axes(take.motion, 5), take.body) == goals


@pytest.mark.parametrize(("pose", "writing"), [("crumpled", {}), ("sitting", {"unit": "mm", "up": "X"})])
def test_any_form_of_file_shows_the_same_chair(pose: str, writing: dict[str, str]) -> None:
    """Another rest pose, other axes and another unit."""
    take = support_takes.sit(30.0)
    plain = forms.plain(take.motion)
    motion, parts, _ = seen(forms.resting(plain, forms.POSES[pose](plain, take.body.joints)), **writing).read
    assert found_in(motion, parts) == found_in(take.motion, take.body)


@pytest.mark.parametrize("name", support_takes.ALONE)
def test_what_only_keeps_still_is_on_nothing(name: str) -> None:
    take = support_takes.ALONE[name](30.0)
    assert found_in(take.motion, take.body) == []


@pytest.mark.parametrize(
    "name", ["walk", "jump", "dance_a", "dance_b", "cartwheel", "crawl", "roll", "getup_faceup"]
)
def test_open_motion_on_a_floor_has_none(name: str) -> None:
    motion, _ = open_data.humanoid3d(name)
    assert found_in(motion, find_body_map(motion.skeleton), float(motion.model()[1][..., 2].min())) == []


@pytest.mark.parametrize("kind", ["sit", "kneel", "hands", "fours"])
def test_a_floor_is_no_chair_and_a_high_chair_is_one(kind: str) -> None:
    motion, _ = resting_takes.at_rest(kind, 30.0)
    parts = ["hips"] if kind == "sit" else []
    assert [goal.part for goal in found_in(motion, resting_takes.body_of(motion))] == parts


def test_hands_on_the_own_body_need_no_support() -> None:
    take = hand_takes.knees(30.0)
    assert found_in(take.motion, take.body) == []


def test_a_hand_that_stays_while_its_shoulder_goes_is_held_by_something() -> None:
    """One stands over both feet and sways by 14 cm; one hand keeps its place, the other sways along."""
    take = support_takes.rail(30.0)
    assert [goal.part for goal in found_in(take.motion, take.body)] == ["leftHand"]


def test_balance() -> None:
    """A body's centre lies on its middle plane; a point 3 beside a square's edge is 3 off."""
    skeleton, parts = body(Build())
    still = Motion(skeleton, 30.0, skeleton.rest_rotation[None], skeleton.rest_translation[:1])
    centre = centre_of_mass(GoalPose(still, mass_joints(parts), slice(None)), parts)[0]
    assert abs(centre[0]) < 1e-9
    hips = skeleton.rest_model[1][parts.require("hips"), 2]
    assert hips < centre[2] < hips + 0.2
    square = np.array([[0, 0, 0], [2, 0, 0], [2, 2, 5], [0, 2, 0]], float)
    at = np.array([[1, 1, 9], [5, 1, 0], [1, 1, 0], [3, 1, 0]], float)
    carries = np.array([[True] * 4, [True] * 4, [False] * 4, [True, False, False, True]])
    far = off_balance(reaches(at, np.tile(square, (4, 1, 1)), carries))
    np.testing.assert_allclose(far, [0, 3, np.inf, 3], rtol=0.01)
