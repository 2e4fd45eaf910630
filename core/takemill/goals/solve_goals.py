"""Goals kept: hips, trunk, shoulders and arms moved so that hands and body meet as the performer's.

The order: what lies on the floor moves the hips, and legs make up for it; an arm that a goal would straighten
takes shoulder and trunk along; then two bones reach, and the hand keeps its direction. Each step works on all
frames of a batch at once, is weighted in and out with its goals, and has soft limits, so that nothing snaps.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence

import numpy as np

from ..base.checks import Array
from ..body.body_parts import SIDES
from ..body.motion import Motion
from ..feet.contacts import Contacts
from ..maths import filters
from ..shape.scale import Scale
from .goal_arms import Arms
from .goal_asked import Asked
from .goal_batches import goal_batches
from .goal_figures import Figure
from .goal_floor import OnFloor
from .goal_passes import reach_goals
from .goal_pose import Draft, GoalPose
from .goal_results import GoalResult, goal_results
from .goal_targets import Course, courses
from .goals import SURROUNDINGS, Goal

_LIFT_S = 0.1  # a foot is free so long after it was planted, and not at once


def keep_goals(
    fitted: Motion,
    goals: Iterable[Goal],
    source: GoalPose,
    bodies: tuple[Figure, Figure],
    scale: Scale,
    contacts: Contacts | None = None,
) -> tuple[Motion, tuple[GoalResult, ...]]:
    """The fitted motion with its goals kept, and what became of them in the order of time.

    Feet that are planted stay where they are, and hands keep the rotations that they have in the world.

    Args:
        fitted: the target's motion.
        goals: the performer's.
        source: the performer, `posed` in all frames.
        bodies: the performer's figure and the target's.
        scale: of the target.
        contacts: of the performer's feet.
    """
    draft, planted = Draft(fitted), _planted(contacts, len(fitted))
    found: list[GoalResult] = []
    for some in goal_batches(goals, fitted.rate):
        asked = courses(some, source, bodies, scale)
        if asked:
            found += _keep(fitted, asked, bodies[1], planted, draft)
    return draft.motion(), tuple(sorted(found, key=lambda one: (one.goal.start, one.goal.part, one.goal.on)))


def _keep(
    fitted: Motion,
    asked: Sequence[Course],
    figure: Figure,
    planted: Mapping[str, Array],
    draft: Draft,
) -> list[GoalResult]:
    """Keeps the goals of some courses, writes what that moves into a draft, and tells what became of them."""
    frames = np.unique(np.concatenate([course.frames for course in asked]))
    rows = [np.searchsorted(frames, course.frames) for course in asked]
    pose = GoalPose(fitted, _moving(asked, figure), frames)
    floor = OnFloor(pose, figure, asked, rows, {foot: one[frames] for foot, one in planted.items()})
    floor.lay()
    each = [
        Asked(one, mine, floor.points.get(n)) for n, (one, mine) in enumerate(zip(asked, rows, strict=True))
    ]
    reach_goals(Arms(pose, figure, each))
    draft.write(pose)
    return list(goal_results(pose, each, figure))


def _moving(asked: Sequence[Course], figure: Figure) -> list[int]:
    """The joints that courses may move, and those that they look at."""
    parts = [side + part for side in SIDES for part in ("Shoulder", "UpperArm", "LowerArm", "Hand")]
    if any(course.on in SURROUNDINGS for course in asked):
        parts += [side + part for side in SIDES for part in ("UpperLeg", "LowerLeg", "Foot")]
    known = [joint for part in parts if (joint := figure.body.get(part)) is not None]
    return [*known, *(joint for course in asked for joint in course.joints)]


def _planted(contacts: Contacts | None, count: int) -> dict[str, Array]:
    """How much (F,) each foot is planted, of so many frames."""
    out = {f"{side}Foot": np.zeros(count) for side in SIDES}
    if contacts is not None:
        half = max(round(_LIFT_S * contacts.rate / 2), 1)
        for k, foot in enumerate(contacts.feet):
            wide = filters.moving_max(contacts.planted[:, k].astype(float), 2 * half)
            out[foot] = filters.moving_mean(filters.moving_mean(wide, half), half)
    return out
