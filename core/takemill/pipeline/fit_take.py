"""A performer's take on a character: fitted once, cut where the performer was cut."""

from __future__ import annotations

import difflib
from collections.abc import Collection, Iterable
from dataclasses import replace

import numpy as np

from ..base.checks import Array
from ..base.errors import InputError
from ..body.body_map import BodyMap, leg_length
from ..body.motion import Motion
from ..body.skeleton import Skeleton
from ..fit.fit import FitSettings, fit_with_goals
from ..fit.part_of_body import merge_part
from ..goals.find_goals import find_goals
from ..goals.goal_figures import figures, floor_low, posed
from ..goals.goal_results import GoalResult
from ..goals.goals import FLOOR, Goal
from ..shape.capsules import Capsules
from .leg_reach import find_leg_reach
from .prepare_take import PreparedTake


def goals_of_take(take: PreparedTake, settings: FitSettings) -> tuple[Goal, ...]:
    """All contacts of hands and body of a take, whatever a fit leaves out of them."""
    own = figures(take.motion.skeleton, take.body, take.motion.skeleton, take.body)[0]
    return find_goals(posed(own, take.motion), own, settings.floor_m)


def unknown_goals(takes: Iterable[PreparedTake], settings: FitSettings) -> str:
    """What to say of contacts that a fit shall leave out and no take has; "" where there are none."""
    if not settings.without_goals:
        return ""
    known = [goal.name for take in takes for goal in goals_of_take(take, settings)]
    unknown = [name for name in settings.without_goals if name not in known]
    if not unknown:
        return ""
    near = difflib.get_close_matches(unknown[0], known, n=1, cutoff=0.0)
    there = f"the most like it is {near[0]!r}" if near else "no contact of hands or body is found at all"
    return f"[fit] without_goals: no take has {', '.join(map(repr, unknown))}; {there}"


def fit_take(
    take: PreparedTake,
    skeleton: Skeleton,
    body: BodyMap,
    settings: FitSettings,
    hand_pose: Array | None = None,
    shape: Capsules | None = None,
) -> PreparedTake:
    """A take on a character; its feet are planted when the performer's were.

    Hands whose fingers the take lacks hold `hand_pose`, local rotations (J, 4) of the character, if given.
    With the character's surface, `shape`, its arms stay out of its body.
    Floors at several heights scale with the legs, as the fit does.

    Raises:
        InputError: the character lacks a part that the fit needs, or a part of the body alone is asked for.
    """
    if settings.part != "whole":
        raise InputError(
            f"[fit] part = {settings.part!r}: a part of the body is merged onto an action of the character, "
            'in Blender\'s Fit; here leave it out, or say "whole"'
        )
    own = (take.motion, take.body, skeleton, body, settings, take.contacts, hand_pose, shape)
    fitted = fit_with_goals(*own)
    ratio = leg_length(skeleton, body) / leg_length(take.motion.skeleton, take.body)
    return replace(
        take,
        motion=fitted.motion,
        body=body,
        contacts=take.contacts.scaled(ratio),
        goals=_with_slides(fitted.goals, fitted.motion, body, shape),
        clearance=fitted.clearance,
        reach=find_leg_reach(take.motion, take.body, fitted.motion, body, settings.floor_m, take.contacts),
    )


def _with_slides(
    results: tuple[GoalResult, ...], fitted: Motion, body: BodyMap, shape: Capsules | None
) -> tuple[GoalResult, ...]:
    """The same, with how fast hands slide that are on the floor."""
    if not any(_is_hand_on_floor(one.goal) for one in results):
        return results
    skeleton = fitted.skeleton
    figure = figures(skeleton, body, skeleton, body, shape, shape)[1]
    pose, out = posed(figure, fitted), []
    for one in results:
        goal, slide = one.goal, None
        if _is_hand_on_floor(goal) and goal.stop - goal.start > 1:
            held = pose.at_rows(np.arange(goal.start, goal.stop), pose.joints)
            steps = np.diff(floor_low(figure, held, goal.part)[1][:, :2], axis=0)
            # A goal begins as the hand comes near and ends as it leaves: the median is of what lies between.
            slide = float(np.median(np.linalg.norm(steps, axis=1))) * fitted.rate
        out.append(replace(one, slide_m_s=slide))
    return tuple(out)


def _is_hand_on_floor(goal: Goal) -> bool:
    return goal.on == FLOOR and goal.part.endswith("Hand")


def merge_take(
    take: PreparedTake,
    skeleton: Skeleton,
    body: BodyMap,
    settings: FitSettings,
    base: Motion,
    start: int,
    keep: Collection[int] = (),
    hand_pose: Array | None = None,
    shape: Capsules | None = None,
) -> Motion:
    """A part of a take on a character, the rest of whose body a motion of its own moves.

    Args:
        take: the performer's.
        skeleton: the character's.
        body: which of its joints plays which part.
        settings: with the part of the body.
        base: the character's own motion.
        start: the frame of it at which the take begins.
        keep: joints that stay the base's.
        hand_pose: (J, 4) as in `fit_take`.
        shape: the character's surface, which its arms stay out of.

    Returns:
        The base's frames.

    Raises:
        TakemillError: the character lacks a part that the fit needs, or the two have no frames in common.
    """
    whole = fit_take(take, skeleton, body, replace(settings, part="whole"), hand_pose, shape)
    return merge_part(base, whole.motion, body, settings.part, start, settings.part_blend_s, keep)
