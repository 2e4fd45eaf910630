"""Findings and measures, kept with an Action in scene frames."""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping

import bpy

from takemill.health import Finding, Health

_MEASURES = (
    ("spike_frames", "Spikes", "{:.0f} joint frames"),
    ("frozen_frames", "Frozen", "{:.0f} joint frames"),
    ("jitter_deg", "Jitter", "{:.2f} degrees"),
    ("skating_cm_s", "Skating", "{:.1f} cm/s"),
    ("floor_error_mm", "Off the floor", "{:.1f} mm"),
)


def keep(
    action: bpy.types.Action, findings: Iterable[Finding], measures: Mapping[str, float], start: int
) -> None:
    """Replace what is known of the health of `action`, whose motion begins at scene frame `start`."""
    known = action.takemill
    known.findings.clear()
    known.finding_index = 0
    for finding in findings:
        item = known.findings.add()
        for name in ("kind", "joint", "amount", "unit", "mended", "message"):
            setattr(item, name, getattr(finding, name))
        item.start, item.stop = finding.start + start, finding.stop + start
    known.measures = json.dumps(dict(measures))


def measures_of(action: bpy.types.Action) -> dict[str, str]:
    """Label -> text of the measures kept with `action`, in the order to be shown."""
    numbers = json.loads(action.takemill.measures or "{}")
    return {label: text.format(numbers[key]) for key, label, text in _MEASURES if key in numbers}


def summary(findings: Iterable[Finding]) -> str:
    """How many of each kind, in words."""
    counts: dict[str, int] = {}
    for finding in findings:
        counts[finding.kind] = counts.get(finding.kind, 0) + 1
    return ", ".join(f"{count} {kind}" for kind, count in sorted(counts.items())) or "nothing found"


def kept(action: bpy.types.Action) -> Health | None:
    """What is kept with `action`, in frames of the scene; None when it was never checked."""
    known = action.takemill
    if not known.measures:
        return None
    found = (
        Finding(f.kind, f.joint, f.start, f.stop, f.amount, f.unit, f.mended, f.message)
        for f in known.findings
    )
    return Health(tuple(found), json.loads(known.measures))
