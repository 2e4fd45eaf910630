"""What a list of clips says of an idle of several parts, and whether what it says can be."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

import numpy as np

from ..clip.clouds import main_joints, positions_at
from ..idle.idle_join import measure_joins
from ..pipeline.finish_clip import FinishedClip

MAX_JOIN_SHARE = 1.5
"""Of what is usual elsewhere (95 % of it), above which `verify` tells a join: the take has more itself."""
_MAX_OFF_S = 2e-6  # what rounding leaves of a time


def describe_idle(clip: FinishedClip) -> dict[str, Any] | None:
    """How an idle was put together, and how its joins stand out in what plays; None for other clips."""
    if clip.idle is None or clip.additive:
        return None
    facts, count = clip.idle, len(clip.motion) - 1
    at = np.unique(np.round(np.array(facts.joins) * count).astype(np.intp) % count)
    positions = positions_at(clip.world_motion, np.arange(count + 1), main_joints(clip.body))
    acceleration, jerk = measure_joins(positions, at)
    breaths = facts.breaths
    return {
        "parts": len(facts.joins),
        "repeats_after_s": round(facts.repeats * clip.motion.duration_s, 6),
        "breath_s": None if breaths is None else round(clip.motion.duration_s / max(round(breaths), 1), 3),
        "pace": round(facts.pace * (1.0 if clip.variant is None else clip.variant.speed), 3),
        "join_acceleration": round(acceleration, 3),
        "join_jerk": round(jerk, 3),
    }


def idle_problems(clip: Mapping[str, Any]) -> Iterator[str]:
    """Whether what the list says of an idle can be, and its joins do not stand out."""
    idle = clip["idle"]
    if idle is None:
        return
    if not clip["loop"] or clip["additive"]:
        yield "it is an idle of parts, which is a loop of poses"
    if idle["repeats_after_s"] > clip["duration_s"] + _MAX_OFF_S:
        yield f"the list says that it repeats after {idle['repeats_after_s']:g} s, later than it ends"
    if clip["source"]["stretches"] and len(clip["source"]["stretches"]) != idle["parts"]:
        yield f"it has {idle['parts']} parts, and {len(clip['source']['stretches'])} stretches of the take"
    worst = max(idle["join_acceleration"], idle["join_jerk"])
    if worst > MAX_JOIN_SHARE:
        yield (
            f"a join of its parts stands out: acceleration changes there {worst:g} times as much as "
            "elsewhere; choose another seed or range"
        )
