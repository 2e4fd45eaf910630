"""How good a seam is, in one word, and what limits it, in a sentence: the one judgement of all who ask."""

from __future__ import annotations

import re
from collections.abc import Sequence

from .measure import PoseGap

# Of a gap, in cm; beyond the last it is "bad" (chosen by eye).
_LIMITS_CM = ((1.5, "good"), (4.0, "fair"), (10.0, "poor"))
_SPEED_TIME_S = 0.05  # a wrong speed shows as a shift within this time (chosen by eye)
SUGGESTED = ("good", "fair")
"""Seams of loops that are suggested."""
REFUSED = ("bad",)
"""Seams of loops that are made only if the recipe says so, and that `verify` tells."""


def judge_seam(gap: PoseGap) -> str:
    """The word for a gap between a loop's ends in the take."""
    seen_cm = gap.cm + _SPEED_TIME_S * gap.cm_s
    return next((word for limit, word in _LIMITS_CM if seen_cm < limit), "bad")


def describe_limit(gap: PoseGap, parts: Sequence[str]) -> str:
    """What is furthest apart of P body parts, as "the left foot is 9 cm off"; or that speeds are."""
    if _SPEED_TIME_S * gap.cm_s > gap.cm or not gap.away_cm:
        return f"the speeds at its ends differ by {gap.cm_s:.0f} cm/s on average"
    worst = max(range(len(parts)), key=lambda k: gap.away_cm[k])
    name = in_words(parts[worst])
    return f"the {name} {'are' if name.endswith('s') else 'is'} {gap.away_cm[worst]:.0f} cm off"


def in_words(part: str) -> str:
    """A part of the body for people: "left foot"."""
    return re.sub(r"(?<=[a-z])(?=[A-Z])", " ", part).lower()
