"""What a shoot's index and page say of takes and sets, as the store keeps it."""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from typing import Any

import numpy as np

from ..base.checks import Index
from ..health.check import Health
from ..health.finding import Finding
from ..health.table import count_by_kind, outcome
from ..pipeline.finish_clip import FinishedClip
from ..pipeline.prepare_take import PreparedTake
from ..sets.clip_facts import Facts, describe_source, round_number
from ..sets.clip_set import ClipSet

FIGURE = (
    "hips", "chest", "head", "leftUpperArm", "leftLowerArm", "leftHand", "rightUpperArm", "rightLowerArm",
    "rightHand", "leftUpperLeg", "leftLowerLeg", "leftFoot", "rightUpperLeg", "rightLowerLeg", "rightFoot",
)  # fmt: skip
"""The parts that a small figure is drawn of: P points."""

_INSTEAD = {"chest": ("upperChest", "spine", "neck"), "head": ("neck",)}
_MOMENTS = (
    24  # of a clip that are kept for figures and comparisons: what a small figure shows (chosen by eye)
)
_MAX_MM = 32767  # 16 bits


def take_facts(take: PreparedTake, before: Health, intake: str) -> Facts:
    """What is said of a take: how it was read, and its health before and after the repair."""
    rows = count_by_kind(before.findings, outcome(before.findings, take.health.findings, take.findings))
    return {
        **describe_source(take),
        "intake": intake,
        "findings": [
            {"kind": row.kind, "repaired": row.repaired, "left": row.left, "worst": _describe(row.worst)}
            for row in rows
        ],
        "health": {
            "before": {name: round_number(value, 3) for name, value in before.measures.items()},
            "after": {name: round_number(value, 3) for name, value in take.health.measures.items()},
        },
    }


def _describe(finding: Finding) -> str:
    return f"{finding.joint or 'whole body'}: {finding.message}"


def set_facts(place: str, built: ClipSet, clips: Sequence[FinishedClip]) -> Facts:
    """What is said of a set, with the digests of its files and the points of its clips' figures."""
    return {
        "folder": place,
        "files": {name: hashlib.sha256(data).hexdigest() for name, data in built.files.items()},
        "bytes": sum(map(len, built.files.values())),
        "clips": [_clip(facts, clip) for facts, clip in zip(built.facts, clips, strict=True)],
        "points": {clip.name: figure_points(clip) for clip in clips},
    }


def _clip(facts: Facts, clip: FinishedClip) -> Facts:
    return {
        "name": facts["name"],
        "kind": facts["kind"],
        "file": facts["file"],
        "take": clip.source,
        "duration_s": facts["duration_s"],
        "rate": facts["rate"],
        "loop": facts["loop"],
        "speed_m_s": facts["root_motion"]["speed_m_s"],
        "seam": facts["seam"] and {key: facts["seam"][key] for key in ("gap_cm", "quality")},
        "bytes": facts["keys"]["bytes"],
        "no_loop": facts["no_loop"],
    }


def figure_points(clip: FinishedClip) -> Index:
    """Where the parts of a clip's figure are in the world, at moments spread over it (T, P, 3), whole mm."""
    last = len(clip.motion) - 1
    frames = np.round(np.linspace(0, last, min(last + 1, _MOMENTS))).astype(np.intp)
    points = clip.restore_points(clip.motion.model()[1][:, _joints(clip)])[frames]
    return np.clip(np.round(1000 * points), -_MAX_MM, _MAX_MM).astype(np.int16)


def _joints(clip: FinishedClip) -> list[int]:
    """A joint for each part of FIGURE; for one that is not mapped, what is most like it."""
    out: list[int] = []
    for part in FIGURE:
        known = (clip.body.get(one) for one in (part, *_INSTEAD.get(part, ())))
        out.append(next((joint for joint in known if joint is not None), out[-1] if out else 0))
    return out


def largest_change_mm(old: Any, new: Any) -> float | None:
    """How far points (T, P, 3) of a figure moved at most, mm; None where the two do not compare."""
    if old is None or np.shape(old) != np.shape(new):
        return None
    return float(np.sqrt(np.square(np.subtract(new, old, dtype=np.float64)).sum(axis=-1)).max())
