"""Health in rows: findings counted by kind, measures in words. The same rows go to text, JSON and pages."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from .finding import Finding

KINDS = (
    "intake", "spike", "frozen", "jitter", "dead_sensor", "heading_drift", "path_drift", "skating",
    "floor_offset", "no_feet", "lying", "too_short", "reference_pose", "swapped", "flipped", "bone_length",
    "joint_limit",
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
        count: how many there are.
        left: how many there are after a repair.
        frames: joint frames that they cover.
        joints: how many joints they are at; 0 for findings about the whole body.
        worst: the worst of them; of those after the repair where there were none before.
    """

    kind: str
    count: int
    left: int
    frames: int
    joints: int
    worst: Finding


def by_kind(findings: Iterable[Finding], left: Iterable[Finding] = ()) -> tuple[KindRow, ...]:
    """A row for each kind among a take's findings, or those `left` by a repair, in the order of KINDS."""
    groups, after = _grouped(findings), _grouped(left)
    kinds = groups.keys() | after.keys()
    order = sorted(kinds, key=lambda kind: (KINDS.index(kind) if kind in KINDS else len(KINDS), kind))
    return tuple(_row(kind, groups.get(kind, []), after.get(kind, [])) for kind in order)


def _grouped(findings: Iterable[Finding]) -> dict[str, list[Finding]]:
    groups: dict[str, list[Finding]] = {}
    for one in findings:
        groups.setdefault(one.kind, []).append(one)
    return groups


def _row(kind: str, before: list[Finding], after: list[Finding]) -> KindRow:
    told = before or after
    worst = max(told, key=lambda one: (abs(one.amount), one.stop - one.start))
    frames = sum(one.stop - one.start for one in told)
    return KindRow(kind, len(before), len(after), frames, len({one.joint for one in told} - {""}), worst)


def measure_rows(*takes: Mapping[str, float]) -> list[tuple[str, ...]]:
    """A row for each measure that all the takes have: its name, its value for each of them, its unit."""
    return [
        (word, *(f"{measures[name]:.{digits}f}" for measures in takes), unit)
        for name, word, unit, digits in MEASURE_WORDS
        if all(name in measures for measures in takes)
    ]
