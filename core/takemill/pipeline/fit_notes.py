"""What is to be said of a fit, in lines: for the shell, for Python, for all who fit."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from ..fit.fingers import hands_without_fingers
from ..fit.fit import FitSettings
from ..fit.rest_match import posture_note
from ..goals.goal_results import missed_goals
from .fit_take import unknown_goals
from .prepare_take import PreparedTake


def unused_settings(takes: Sequence[PreparedTake], fit: FitSettings) -> Iterator[str]:
    """Settings of a fit that takes give no use to; before the work."""
    if fit.hand_pose and not any(hands_without_fingers(take.body) for take in takes):
        yield f"the hand pose {fit.hand_pose!r} is not used: the takes have fingers"
    if line := unknown_goals(takes, fit):
        yield line


def fit_notes(take: PreparedTake, fitted: PreparedTake, fit: FitSettings, who: str) -> Iterator[str]:
    """What became of a take on a character: its posture, contacts that are missed, arms in the body."""
    own, other = (take.motion.skeleton, take.body), (fitted.motion.skeleton, fitted.body)
    if note := posture_note(*own, *other, fit.posture):
        yield f"{who}: {note}"
    yield from missed_goals(fitted.goals, who)
    if fitted.clearance and (note := fitted.clearance.note()):
        yield f"{who}: {note}"
