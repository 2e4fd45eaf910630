"""How near a fitted motion comes to its goals."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np

from ..base.checks import Array
from ..body.body_map import BodyMap
from ..body.body_parts import SIDES
from ..body.motion import Motion
from ..body.posed import joint_in_model
from ..maths import quat
from .goal_asked import Asked
from .goal_figures import Figure, floor_low
from .goal_pose import GoalPose
from .goal_targets import Course, hand_point, wanted_in_world, wanted_line, wanted_point
from .goals import SURROUNDINGS, Goal

MAX_ERROR_M = 0.01
"""A goal that is further off than this was not reached."""


@dataclass(frozen=True)
class GoalResult:
    """What became of a goal.

    Attributes:
        goal: it.
        worst_m: how far from its place it is at most while it holds, metres.
        mean_m: the same on average.
        slide_m_s: of a hand on the floor, how fast it slides there, the median of its frames, metres per s;
            None for others.
        short_m: how far arms stay off at full reach, shoulder and trunk along, where they let it go; else 0.
    """

    goal: Goal
    worst_m: float
    mean_m: float
    slide_m_s: float | None = None
    short_m: float = 0.0

    @property
    def reached(self) -> bool:
        """Whether it is as near as a goal should be."""
        return self.worst_m <= MAX_ERROR_M


def goal_results(pose: GoalPose, those: Sequence[Asked], figure: Figure) -> Iterator[GoalResult]:
    """How far off each goal of courses is in a pose of a figure."""
    for asked in those:
        course, mine = asked.course, asked.rows
        off = _off(course, pose.at_rows(mine, course.joints), figure, asked.more)
        if len(course.asked):
            looks = course.looks.rows
            joints = [one for one in figure.surface_joints(course.part, course.on) if one in pose.at]
            gap = figure.gap(pose.at_rows(mine[looks], joints), course.part, course.on)
            off[looks] = np.maximum(off[looks], np.abs(gap - course.asked))
        for span in course.spans.each:
            held = off[span.held]
            short = float(asked.short[span.held].max())
            yield GoalResult(span.goal, float(held.max()), float(held.mean()), short_m=short)


def _off(course: Course, pose: GoalPose, figure: Figure, more: Array) -> Array:
    """How far (N,) the part is from where its goals have it, metres."""
    if course.on in SURROUNDINGS:
        point = floor_low(figure, pose, course.part)[1]
        wanted = wanted_in_world(course, figure, pose)
    elif course.kind == "body":
        point = hand_point(figure, pose, course.part, course.along)
        wanted = wanted_point(course, figure, pose, more)
    else:
        ends = (("leftHand", course.along), ("rightHand", course.along_other))
        left, right = (hand_point(figure, pose, hand, along) for hand, along in ends)
        point, wanted = right - left, wanted_line(course, figure, pose, more)
    return quat.length(wanted - point)


def after_moves(
    results: Iterable[GoalResult], before: Motion, after: Motion, body: BodyMap
) -> tuple[GoalResult, ...]:
    """The same once hands were moved, in a motion with body map `body`: further off by what moved them."""
    moved = {
        hand: joint_in_model(after, joint)[1] - joint_in_model(before, joint)[1]
        for hand in (f"{side}Hand" for side in SIDES)
        if (joint := body.get(hand)) is not None
    }
    out = []
    for one in results:
        goal, step = one.goal, moved.get(one.goal.part)
        if step is not None:
            apart = step - moved.get(goal.on, 0.0)
            more = quat.length(apart[goal.start : goal.stop])
            one = replace(
                one, worst_m=one.worst_m + float(more.max()), mean_m=one.mean_m + float(more.mean())
            )
        out.append(one)
    return tuple(out)


_MAX_NAMED = 3  # of those that are missed: a longer line is not read (chosen by eye)


def missed_goals(results: Iterable[GoalResult], who: str) -> list[str]:
    """What to say of goals that were not reached, in a line with a way out; nothing where all were."""
    missed = sorted((one for one in results if not one.reached), key=lambda one: -one.worst_m)
    if not missed:
        return []
    named = ", ".join(_named(one) for one in missed[:_MAX_NAMED])
    more = f" and {len(missed) - _MAX_NAMED} more" if len(missed) > _MAX_NAMED else ""
    return [
        f"{who}: not reached, or only one of several at once: {named}{more}; leave it out by its name in "
        "[fit] without_goals, or look at the clip there"
    ]


def _named(one: GoalResult) -> str:
    off = f"{1000 * one.worst_m:.0f} mm off"
    if one.short_m <= MAX_ERROR_M:
        return f"{one.goal.name} ({off})"
    return f"{one.goal.name} (let go, {off}: out of reach by {1000 * one.short_m:.0f} mm)"
