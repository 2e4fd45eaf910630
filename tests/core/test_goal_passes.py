"""Passes over arms go on where goals are not met yet, and there alone."""

from __future__ import annotations

import numpy as np
import pytest

import hand_takes
from fit_bodies import BROAD, Build, body
from skinned_bodies import Girth, skinned
from takemill.body.body_map import BodyMap
from takemill.body.skeleton import Skeleton
from takemill.fit.fit import FitSettings, fit, fit_with_goals
from takemill.goals import goal_passes
from takemill.goals.goal_arms import Arms
from takemill.shape.body_shape import body_shape
from takemill.shape.capsules import Capsules

LONG = Build(upper_arm=0.34, fore_arm=0.31, thigh=0.5, shin=0.46, shoulder_width=0.4, roll_seed=9)


def _meshed() -> tuple[Skeleton, BodyMap, Capsules]:
    skeleton, parts, skin = skinned(BROAD, Girth(trunk_wide=0.25, trunk_deep=0.15, thigh=0.11))
    return skeleton, parts, body_shape(skeleton, parts, skin)


@pytest.mark.parametrize("name", ["staff", "hips"])
def test_parts_are_solved_as_all_frames_are(name: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """With frames that still move cut out, joints and what is told of goals are the same within 0.3 mm."""
    take, (skeleton, parts, shape) = hand_takes.TAKES[name](30.0), _meshed()
    given = (take.motion, take.body, skeleton, parts, FitSettings(clear_arms=False))
    in_parts = fit_with_goals(*given, shape=shape)
    monkeypatch.setattr(goal_passes, "_PART_SHARE", 0.0)
    whole = fit_with_goals(*given, shape=shape)
    away = np.linalg.norm(in_parts.motion.model()[1] - whole.motion.model()[1], axis=-1)
    assert 0 < away.max() < 0.0003
    for one, other in zip(in_parts.goals, whole.goals, strict=True):
        assert one.goal == other.goal
        assert one.worst_m == pytest.approx(other.worst_m, abs=0.0003)


def test_frames_that_are_still_are_not_solved_again(monkeypatch: pytest.MonkeyPatch) -> None:
    """A staff asks long arms for the trunk in few frames; hands on the floor ask for no second pass."""
    solved: list[int] = []
    once = Arms.once

    def counted(arms: Arms, again: bool) -> None:
        solved.append(len(arms.pose))
        once(arms, again)

    monkeypatch.setattr(Arms, "once", counted)
    for name, later in (("staff", 0.25), ("floor", 0.0)):
        take = hand_takes.TAKES[name](30.0)
        solved.clear()
        fit(take.motion, take.body, *body(LONG))
        assert sum(solved[1:]) <= later * 2 * solved[0]
