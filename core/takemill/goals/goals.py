"""Goals: relations between parts of a body, and to its surroundings, that a fit keeps.

A hand on the other hand, two hands on one prop, a hand on the own body, and a hand, knee, elbow or the
hips on the floor or on what stands on it: a chair, a box, a bench. Feet are the business of fit_feet.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from ..base.checks import Array
from ..body.body_parts import SIDES
from ..maths.easing import minimum_jerk

KINDS = ("hands", "prop", "body", "floor", "support")
"""A hand on the other hand, two hands on one prop, a hand on the own body, a part on the floor, a part on a
chair, a box or a bench."""

FLOOR, SUPPORT = "floor", "support"

SURROUNDINGS = (FLOOR, SUPPORT)
"""What a part can be on that is not of the body."""

# From the fitted pose into a goal and out of it again. Trial: with 0.35 arms that a goal moves by 20 cm turn
# up to 1.6 times as fast as the performer's, with 0.7 as with 0.5 (tests/benchmarks/goals_table.py).
BLEND_S = 0.5


@dataclass(frozen=True)
class Goal:
    """One relation, for one time.

    Attributes:
        kind: one of KINDS.
        part: what goes there: a hand; on the floor or a support also "leftLowerArm" (the elbow),
            "leftLowerLeg" (the knee) or "hips".
        on: the part that it is on, or one of SURROUNDINGS.
        start, stop: the frames [start, stop) in which it holds.
        along: how far along the part, from its joint to its tip, it touches: 0 to 1.
        along_other: the same of a hand that it is on.
        name: for people: "leftHand on head 12.30s".
    """

    kind: str
    part: str
    on: str
    start: int
    stop: int
    along: float
    along_other: float
    name: str


def wanted_goals(goals: Iterable[Goal], kinds: Collection[str], without: Collection[str]) -> tuple[Goal, ...]:
    """The goals of some kinds, but for those whose names are left out."""
    return tuple(goal for goal in goals if goal.kind in kinds and goal.name not in without)


def blend_frames(rate: float) -> int:
    """Frames over which a goal sets in before it holds."""
    return max(round(BLEND_S * rate), 1)


def window(goal: Goal, frames: int, blend: int) -> tuple[int, Array]:
    """The first of N frames in which a goal counts, and how much it does (N,): 1 while it holds."""
    first, last = max(goal.start - blend, 0), min(goal.stop + blend, frames)
    at = np.arange(first, last)
    away = np.maximum(np.maximum(goal.start - at, at - goal.stop + 1), 0)
    return first, minimum_jerk(1 - away / (blend + 1))


def arm_weights(goals: Sequence[Goal], frames: int, rate: float) -> Mapping[str, Array]:
    """For "left" and "right", how much (F,) goals decide where that arm's hand is, 0 to 1."""
    free = {side: np.ones(frames) for side in SIDES}
    for goal in goals:
        first, weight = window(goal, frames, blend_frames(rate))
        for side in SIDES:
            arm = (f"{side}Hand", f"{side}LowerArm")
            if goal.part in arm or goal.on == arm[0]:
                free[side][first : first + len(weight)] *= 1 - weight
    return {side: 1 - left for side, left in free.items()}
