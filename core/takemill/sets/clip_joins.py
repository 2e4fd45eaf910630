"""Which clip follows which without a blend: ends that meet a loop or the neutral pose, and how near."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from ..clip.measure import SetGaps, set_gaps
from ..pipeline.finish_clip import FinishedClip
from ..pipeline.meet_loops import loop_of

MAX_JOIN_CM = 0.5
"""Between two clips that follow each other without a blend: what nobody sees (the aim of the project)."""

_MAX_OFF_S = 0.1  # of a foot that comes down just before or after: a quarter of a quick step


def describe_joins(clips: Sequence[FinishedClip], gaps: SetGaps | None) -> list[dict[str, Any]]:
    """What a list says of each pair of clips of which the second goes on where the first ends, in order.

    Clips whose ends were changed since they were made, by hand, and no longer meet are left out.

    Args:
        clips: of a set.
        gaps: between those of its clips that are poses; None to measure each pair for itself.
    """
    out = []
    for before, after, loop in _pairs(clips):
        known = gaps or set_gaps({one.name: one.world_motion for one in (before, after)}, before.body)
        place = known.names.index(before.name), known.names.index(after.name)
        if known.cm[place] > MAX_JOIN_CM:
            continue
        foot, phase = _phase_of(loop)
        out.append(
            {
                "from": before.name,
                "to": after.name,
                "gap_cm": round(float(known.cm[place]), 2) + 0.0,
                "gap_deg": round(float(known.deg[place]), 2) + 0.0,
                "gap_cm_s": round(float(known.cm_s[place]), 2) + 0.0,
                "foot": foot,
                "phase": phase,
            }
        )
    return out


def _pairs(clips: Sequence[FinishedClip]) -> list[tuple[FinishedClip, FinishedClip, FinishedClip | None]]:
    """Each pair of clips that meet, and the loop in whose first pose they do; None for the neutral pose."""
    out: list[tuple[FinishedClip, FinishedClip, FinishedClip | None]] = []
    for clip in clips:
        if clip.additive:
            continue
        neutral = clip.settings.neutral if clip.settings and clip.blend_frames else ""
        rest = next((one for one in clips if one.name == neutral != clip.name and not one.additive), None)
        for key in ("follows", "leads_to"):
            loop = loop_of(clip, key, clips)
            other = loop if key in clip.joins else rest
            if other is rest and key == "follows" and rest is not None and not rest.loop:
                continue  # it ends elsewhere than in its first pose
            if other is not None:
                out.append((other, clip, loop) if key == "follows" else (clip, other, loop))
    return out


def _phase_of(loop: FinishedClip | None) -> tuple[str | None, float | None]:
    """The foot that comes down in a loop's first pose, or nearest to it, and the phase of its gait there."""
    if loop is None:
        return None, None
    cycle, strides = len(loop.motion) - 1, loop.strides
    downs = {
        min(event.frame, cycle - event.frame): event.name.removesuffix(".down")
        for event in reversed(loop.events)
        if event.name.removesuffix(".down") in loop.contacts.feet
    }
    near = min(downs, default=cycle)
    foot = downs[near] if near <= _MAX_OFF_S * loop.motion.rate else None
    return foot, None if strides is None else round(float(strides[0] % 1), 4) + 0.0
