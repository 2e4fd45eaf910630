"""Looks at how near hands came to their goals: gaps between all capsules, and goals far out of reach."""

from __future__ import annotations

import numpy as np

from ..base.checks import Array, Index
from ..maths import quat
from ..maths.easing import smoothstep
from .goal_asked import Asked
from .goal_figures import Figure, floor_low
from .goal_pose import GoalPose
from .goal_targets import hand_point, wanted_line, wanted_point

_MAX_GAP_STEP_M = 0.05  # what a look at the gap may change, and how near the hand must be to its goal for it
_MAX_LIFT_SHARE = 0.35  # of a hand's length: a wrist lifted by more would bend back by over 20 degrees
# A forearm beside a hand may lie so deep; to keep it there a hand lies further off, by so much at most: less
# than what a goal may be off (`goal_results.MAX_ERROR_M`).
_MAX_INSIDE_M, _MAX_OFF_M = 0.005, 0.0085
# Of an arm's length: a goal that is missed by more is let go, softly up to so much more.
_FAR_SHARE = (0.12, 0.3)
_TINY = 1e-9  # keeps lengths of nothing from being divided by


def correct(asked: Asked, pose: GoalPose, figure: Figure) -> Array:
    """Corrects how far out a hand is by all capsules of both parts, where it is at its goal.

    Returns by how much (N,), metres.
    """
    course, looks = asked.course, asked.course.looks
    if not len(course.asked):
        return np.zeros(len(asked.rows))
    fore = course.part.replace("Hand", "LowerArm")
    lifts = course.kind == "body" and course.meets and fore in figure.anchors
    parts = (course.part, course.on, *([fore] if lifts else []))
    joints = [one for one in figure.surface_joints(*parts) if one in pose.at]
    held = pose.at_rows(asked.rows[looks.rows], joints)
    gap = figure.gap(held, course.part, course.on)
    step = np.clip(course.asked - gap, -_MAX_GAP_STEP_M, _MAX_GAP_STEP_M)
    far = off(asked, pose, figure, looks.rows) > _MAX_GAP_STEP_M
    step[far] = 0.0
    lift = np.zeros(len(step))
    if lifts:
        inside = np.where(far, 0.0, -figure.gap(held, fore, course.on) - step)
        before = asked.lift[looks.rows]
        lift = np.clip(before + inside, 0.0, _most_lift(asked, figure)) - before
        # What no lift brings out, hand and forearm give way to together, while that still is a contact.
        step = step + np.clip(inside - lift - _MAX_INSIDE_M, 0.0, _MAX_OFF_M)
    each = looks.at_all(step)
    asked.more = asked.more + each
    changed = np.abs(each)
    if lifts:
        changed = np.maximum(changed, _lift(asked, figure, looks.at_all(lift)))
    return changed


def _lift(asked: Asked, figure: Figure, step: Array) -> Array:
    """Lifts a wrist by (N,) more, metres, for forearms that are thicker than a hand; its tip stays.

    Returns by how much (N,) it is moved.
    """
    before, asked.lift = asked.lift, np.clip(asked.lift + step, 0.0, _most_lift(asked, figure))
    asked.more = asked.more + (1 - asked.course.along) * (asked.lift - before)
    return np.abs(asked.lift - before)


def _most_lift(asked: Asked, figure: Figure) -> float:
    anchor = figure.anchors[asked.course.part]
    return _MAX_LIFT_SHARE * float(np.linalg.norm(anchor.end - anchor.start))


def tilts(asked: Asked, pose: GoalPose, figure: Figure, hand: Array) -> Array:
    """The turns (N, 4) that lift the wrist of a course's hand, which is turned by (N, 4)."""
    course = asked.course
    mine, on = figure.anchors[course.part], figure.anchors[course.on]
    out = quat.rotate(pose.turned[on.joint][asked.rows], course.where)
    way = quat.rotate(hand, mine.end - mine.start)
    return quat.between(way, way - (course.weight * asked.lift)[:, None] * out)


def off(asked: Asked, pose: GoalPose, figure: Figure, which: Index) -> Array:
    """How far (M,) the part of a course is from its goal in those of its frames, `which` (M,), metres."""
    course, more = asked.course.points_at(which), asked.more[which]
    mine = pose.at_rows(asked.rows[which], course.joints)
    if course.kind in ("hands", "prop"):
        ends = (("leftHand", course.along), ("rightHand", course.along_other))
        left, right = (hand_point(figure, mine, hand, along) for hand, along in ends)
        return quat.length(wanted_line(course, figure, mine, more) - (right - left))
    if asked.floor is None:
        goal = wanted_point(course, figure, mine, more)
        return quat.length(goal - hand_point(figure, mine, course.part, course.along))
    return quat.length(asked.floor[which] - floor_low(figure, mine, course.part)[1])


def share_in_reach(asked: Asked, pose: GoalPose, figure: Figure) -> Array:
    """How much (N,) of a course is asked for still: less, where its goals are far out of reach."""
    spans = asked.course.spans
    if not asked.course.part.endswith("Hand"):
        return np.ones(len(asked.rows))
    held = np.concatenate([np.arange(span.held.start, span.held.stop) for span in spans.each])
    missed = np.zeros(len(asked.rows))
    missed[held] = off(asked, pose, figure, held) / max(figure.arm_m, _TINY) - _FAR_SHARE[0]
    middles = np.array([np.median(np.maximum(missed[span.held], 0.0)) for span in spans.each])
    if not middles.any():
        return np.ones(len(asked.rows))
    share = spans.mixed(1 - smoothstep(np.clip(middles / _FAR_SHARE[1], 0, 1)))
    return np.where(share > 1 - _TINY, 1.0, share)
