"""Health in rows: findings counted by kind, measures in words. The same rows go to text, JSON and pages.

One rule is used everywhere: the findings of a take are all that its check lists before or after a repair.
Those listed after it are left, the others are repaired; so both numbers add up to that of all findings.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace

from .finding import Finding

KINDS = (
    "intake", "spike", "frozen", "jitter", "dead_sensor", "dropout", "late_sensor", "sensor_slip",
    "no_path", "heading_drift", "unknown_heading", "path_drift", "skating",
    "floor_offset", "uneven_floor", "no_feet", "lying", "too_short", "reference_pose", "swapped", "flipped",
    "bone_length", "joint_limit",
)  # fmt: skip
"""All kinds of findings, in the order of a table: how it was read, sensors, the take, the body."""

MEASURE_WORDS = (
    ("spike_frames", "spikes", "joint frames", 0),
    ("frozen_frames", "frozen", "joint frames", 0),
    ("jitter_deg", "jitter", "deg", 2),
    ("skating_cm_s", "skating of planted feet", "cm/s", 1),
    ("floor_error_mm", "planted feet off the floor", "mm", 1),
    ("heading_drift_deg_min", "heading drift", "deg/min", 1),
    ("path_drift_cm_min", "path drift", "cm/min", 0),
    ("joint_limit_frames", "joints out of their range", "joint frames", 0),
    ("planted_share", "frames with a foot planted", "of all", 2),
)
"""Health measure, its name for a person, its unit and the decimals that it is worth."""


@dataclass(frozen=True)
class KindRow:
    """The findings of one kind.

    Attributes:
        kind: of the findings.
        count: how many there are, before a repair or after it, whichever is more.
        repaired, left: how many of them are not there after the repair, and how many are.
        frames: joint frames that they cover.
        joints: how many joints they are at; 0 for findings about the whole body.
        worst: the worst of them; of those after the repair where there were none before.
    """

    kind: str
    count: int
    repaired: int
    left: int
    frames: int
    joints: int
    worst: Finding


def count_by_kind(before: Iterable[Finding], outcome: Iterable[Finding] = ()) -> tuple[KindRow, ...]:
    """A row for each kind among the findings of a take, in the order of KINDS.

    Args:
        before: of the raw take; what is said of a kind is said of these.
        outcome: all of them, each repaired or left (see `outcome`); without it none is counted as repaired.
    """
    groups = _group(before)
    counted = _group(outcome) or groups
    kinds = groups.keys() | counted.keys()
    order = sorted(kinds, key=lambda kind: (KINDS.index(kind) if kind in KINDS else len(KINDS), kind))
    return tuple(_row(kind, groups.get(kind, []), counted.get(kind, [])) for kind in order)


def outcome(
    before: Iterable[Finding], after: Iterable[Finding], found: Iterable[Finding]
) -> tuple[Finding, ...]:
    """All findings of a take, each marked as repaired or left, in the order of time.

    Args:
        before: of the check of the raw take.
        after: of the check of the repaired take.
        found: what the repair itself reports. A reference pose whose misalignment it corrected counts as
            repaired, though the pose is still held; what it could not do, and no check lists, counts as left.
    """
    found = tuple(found)
    corrected = [one for one in found if one.repaired and one.kind == "reference_pose"]
    after = [one for one in after if not (corrected and one.kind == "reference_pose")]
    groups, left = _group(before), _group(after)
    gone = []
    for kind, mine in groups.items():
        stay = left.get(kind, [])
        ranked = sorted(mine, key=lambda one, stay=stay: any(_overlap(one, other) for other in stay))  # type: ignore[misc]
        gone += ranked[: max(len(mine) - len(stay), 0)]
    gone = [one for one in gone if not (corrected and one.kind == "reference_pose")] + corrected
    listed = groups.keys() | left.keys()
    after += [one for one in found if not one.repaired and one.kind not in listed]
    both = [*(replace(one, repaired=True) for one in gone), *(replace(one, repaired=False) for one in after)]
    return tuple(sorted(both, key=lambda one: (one.start, one.stop, one.kind)))


def _overlap(one: Finding, other: Finding) -> bool:
    return one.joint == other.joint and one.start < other.stop and other.start < one.stop


def counts_text(outcome: Iterable[Finding], would: bool = False) -> str:
    """How many findings, repaired and left, in words; `would` where nothing was repaired yet."""
    marks = [one.repaired for one in outcome]
    if not marks:
        return "nothing was found"
    word = "would be repaired" if would else "repaired"
    return (
        f"{len(marks)} finding{'s' * (len(marks) > 1)}: {sum(marks)} {word}, {len(marks) - sum(marks)} left"
    )


def _group(findings: Iterable[Finding]) -> dict[str, list[Finding]]:
    groups: dict[str, list[Finding]] = {}
    for one in findings:
        groups.setdefault(one.kind, []).append(one)
    return groups


def _row(kind: str, before: list[Finding], counted: list[Finding]) -> KindRow:
    shown = before or counted
    worst = max(shown, key=lambda one: (abs(one.amount), one.stop - one.start))
    frames = sum(one.stop - one.start for one in shown)
    repaired = sum(one.repaired for one in counted)
    joints = len({one.joint for one in shown} - {""})
    return KindRow(kind, len(counted), repaired, len(counted) - repaired, frames, joints, worst)


def measure_rows(*takes: Mapping[str, float]) -> list[tuple[str, ...]]:
    """A row for each measure that all the takes have: its name, its value for each of them, its unit."""
    return [
        (word, *(f"{measures[name]:.{digits}f}" for measures in takes), unit)
        for name, word, unit, digits in MEASURE_WORDS
        if all(name in measures for measures in takes)
    ]
