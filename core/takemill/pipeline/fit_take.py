"""A performer's take on a character: fitted once, cut where the performer was cut."""

from __future__ import annotations

from dataclasses import replace

from ..body.body_map import BodyMap, leg_length
from ..body.skeleton import Skeleton
from ..fit.find_goals import find_goals
from ..fit.fit import FitSettings, fit_with_goals
from ..fit.goal_figures import figures, posed
from ..fit.goals import Goal
from .prepare_take import PreparedTake


def goals_of_take(take: PreparedTake, settings: FitSettings) -> tuple[Goal, ...]:
    """All contacts of hands and body of a take, whatever a fit leaves out of them."""
    own = figures(take.motion.skeleton, take.body, take.motion.skeleton, take.body)[0]
    return find_goals(posed(own, take.motion), own, settings.floor_m)


def fit_take(take: PreparedTake, skeleton: Skeleton, body: BodyMap, settings: FitSettings) -> PreparedTake:
    """A take on a character; its feet are planted when the performer's were.

    Floors at several heights scale with the legs, as the fit does.

    Raises:
        InputError: the character lacks a part that the fit needs.
    """
    fitted = fit_with_goals(take.motion, take.body, skeleton, body, settings, take.contacts)
    ratio = leg_length(skeleton, body) / leg_length(take.motion.skeleton, take.body)
    return replace(
        take, motion=fitted.motion, body=body, contacts=take.contacts.scaled(ratio), goals=fitted.goals
    )
