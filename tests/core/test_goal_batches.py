"""Contacts that do not meet in time are solved apart, in batches of bounded length."""

from __future__ import annotations

import numpy as np

import hand_takes
from fit_bodies import TOON, body
from takemill.body.motion import Motion
from takemill.fit.fit import FitSettings, fit, fit_with_goals
from takemill.goals.goal_batches import goal_batches
from takemill.goals.goals import Goal, blend_frames, window

RATE, COUNT = 60.0, 40_000


def goal(part: str, start: int, on: str = "head", frames: int = 20) -> Goal:
    return Goal("body", part, on, start, start + frames, 0.5, 0.0, f"{part} on {on} {start}")


def some_goals() -> list[Goal]:
    rng = np.random.default_rng(4)
    starts = np.sort(rng.integers(0, COUNT - 100, 400)).tolist()
    return [
        goal(f"{rng.choice(['left', 'right'])}Hand", start, rng.choice(["head", "hips"])) for start in starts
    ]


def test_every_goal_is_in_one_batch_and_no_frame_in_two() -> None:
    goals, counted = some_goals(), np.zeros(COUNT, int)
    batches = list(goal_batches(goals, RATE))
    assert sorted(one.name for some in batches for one in some) == sorted(one.name for one in goals)
    for some in batches:
        assert list(some) == sorted(some, key=lambda one: one.start)
        mine = np.zeros(COUNT, bool)
        for one in some:
            first, weight = window(one, COUNT, blend_frames(RATE))
            mine[first : first + len(weight)] = True
        counted += mine
    assert counted.max() == 1


def test_stretches_of_the_same_parts_are_joined_up_to_a_length() -> None:
    apart = [goal("leftHand", start) for start in range(100, 30_000, 100)]
    sizes = [len(some) for some in goal_batches(apart, RATE)]
    assert len(sizes) == 3
    assert sum(sizes) == len(apart)
    two = [goal("leftHand", 100), goal("leftHand", 300, "hips"), goal("leftHand", 500)]
    assert [len(some) for some in goal_batches(two, RATE)] == [2, 1]
    assert list(goal_batches([], RATE)) == []


def test_contacts_do_not_change_others_far_from_them_in_time() -> None:
    """One after the other on one take, each is solved as in a take that has no other."""
    makes = [hand_takes.hips, hand_takes.cartwheel, hand_takes.hips]
    takes = [make(30.0) for make in makes]
    motion = Motion(
        takes[0].motion.skeleton,
        30.0,
        np.concatenate([one.motion.rotations for one in takes]),
        np.concatenate([one.motion.root_translation for one in takes]),
    )
    given = (motion, takes[0].body, *body(TOON))
    whole = fit_with_goals(*given)
    end = 0
    for take in takes:
        start, end = end, end + len(take.motion)
        others = [one.goal.name for one in whole.goals if not start <= one.goal.start < end]
        alone = fit(*given, FitSettings(without_goals=tuple(others)))
        assert len(others) < len(whole.goals)
        np.testing.assert_allclose(whole.motion.rotations[start:end], alone.rotations[start:end], atol=1e-12)
