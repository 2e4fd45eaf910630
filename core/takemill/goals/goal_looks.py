"""Looks at how near hands came to their goals: gaps between all capsules, and goals far out of reach."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from ..base.checks import Array, Index
from ..maths import quat
from ..maths.easing import smoothstep
from .goal_figures import Figure, floor_low
from .goal_pose import GoalPose
from .goal_targets import Course, hand_point, wanted_line, wanted_point

_MAX_GAP_STEP_M = 0.05  # what a look at the gap may change, and how near the hand must be to its goal for it
_MAX_LIFT_SHARE = 0.35  # of a hand's length: a wrist lifted by more would bend back by over 20 degrees
# Of an arm's length: a goal that is missed by more is let go, softly up to so much more.
_FAR_SHARE = (0.12, 0.3)
_TINY = 1e-9  # keeps lengths of nothing from being divided by


class Looks:
    """What is seen of courses on the target, whose pose changes.

    Attributes:
        more: for each course, how much further out (N,) its hand goes than the thickness at its point says.
        lift: for each course, how much higher (N,) than its tip a wrist lies that its forearm may stay out.
    """

    def __init__(
        self,
        pose: GoalPose,
        figure: Figure,
        courses: Sequence[Course],
        rows: Sequence[Index],
        floor_points: Mapping[int, Array],
    ) -> None:
        self.pose, self.figure = pose, figure
        self.courses, self.rows, self.floor_points = courses, rows, floor_points
        self.more = [np.zeros(len(course.frames)) for course in courses]
        self.lift = [np.zeros(len(course.frames)) for course in courses]

    def correct(self) -> float:
        """Corrects how far out hands are by all capsules of both parts, where they are at their goals.

        Returns the largest correction, metres.
        """
        most = 0.0
        for n, course in enumerate(self.courses):
            if len(course.asked):
                looks = course.looks
                fore = course.part.replace("Hand", "LowerArm")
                lifts = course.kind == "body" and course.meets and fore in self.figure.anchors
                parts = (course.part, course.on, *([fore] if lifts else []))
                joints = [one for one in self.figure.surface_joints(*parts) if one in self.pose.at]
                held = self.pose.at_rows(self.rows[n][looks.rows], joints)
                gap = self.figure.gap(held, course.part, course.on)
                step = np.clip(course.asked - gap, -_MAX_GAP_STEP_M, _MAX_GAP_STEP_M)
                far = self.off(n)[looks.rows] > _MAX_GAP_STEP_M
                step[far] = 0.0
                most = max(most, float(np.abs(step).max()))
                self.more[n] = self.more[n] + looks.at_all(step)
                if lifts:
                    inside = -self.figure.gap(held, fore, course.on) - step
                    most = max(most, self._lift(n, looks.at_all(np.where(far, 0.0, inside))))
        return most

    def _lift(self, n: int, step: Array) -> float:
        """Lifts a wrist by (N,) more, metres, for forearms that are thicker than a hand; its tip stays.

        Returns the largest step, metres.
        """
        course = self.courses[n]
        anchor = self.figure.anchors[course.part]
        most = _MAX_LIFT_SHARE * float(np.linalg.norm(anchor.end - anchor.start))
        before, self.lift[n] = self.lift[n], np.clip(self.lift[n] + step, 0.0, most)
        self.more[n] = self.more[n] + (1 - course.along) * (self.lift[n] - before)
        return float(np.abs(self.lift[n] - before).max())

    def tilts(self, n: int, hand: Array) -> Array:
        """The turns (N, 4) that lift the wrist of a course's hand, which is turned by (N, 4)."""
        course = self.courses[n]
        mine, on = self.figure.anchors[course.part], self.figure.anchors[course.on]
        out = quat.rotate(self.pose.turned[on.joint][self.rows[n]], course.where)
        way = quat.rotate(hand, mine.end - mine.start)
        return quat.between(way, way - (course.weight * self.lift[n])[:, None] * out)

    def off(self, n: int) -> Array:
        """How far (N,) a course's hand is from its goal, metres."""
        course = self.courses[n]
        pose = self.pose.at_rows(self.rows[n], course.joints)
        if course.kind in ("hands", "prop"):
            ends = (("leftHand", course.along), ("rightHand", course.along_other))
            left, right = (hand_point(self.figure, pose, hand, along) for hand, along in ends)
            return quat.length(wanted_line(course, self.figure, pose, self.more[n]) - (right - left))
        if course.kind == "body":
            goal = wanted_point(course, self.figure, pose, self.more[n])
            return quat.length(goal - hand_point(self.figure, pose, course.part, course.along))
        return quat.length(self.floor_points[n] - floor_low(self.figure, pose, course.part)[1])

    def share_in_reach(self, n: int) -> Array:
        """How much (N,) of a course is asked for still: less, where its goals are far out of reach."""
        course = self.courses[n]
        off = np.maximum(self.off(n) / max(self.figure.arm_m, _TINY) - _FAR_SHARE[0], 0.0)
        if course.part.removeprefix("left").removeprefix("right") != "Hand" or not off.any():
            return np.ones(len(off))
        total = np.zeros(len(off))
        mixed = np.zeros(len(off))
        for span in course.spans.each:
            start, stop = span.held.start, span.held.stop
            kept = 1 - smoothstep(np.clip(np.median(off[start:stop], keepdims=True) / _FAR_SHARE[1], 0, 1))
            away = np.maximum(np.maximum(start - np.arange(len(off)), np.arange(len(off)) - stop + 1), 0)
            near = 1.0 / (1 + away) ** 2
            mixed, total = mixed + near * kept[0], total + near
        share = mixed / total
        return np.where(share > 1 - _TINY, 1.0, share)
