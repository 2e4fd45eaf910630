"""Findings and measures, kept with an Action in scene frames, and how to go to where each of them lies."""

from __future__ import annotations

import json
from collections.abc import Iterable, Sequence
from dataclasses import replace

import bpy

from takemill.base.errors import InputError
from takemill.health.check import Finding, Health
from takemill.health.table import MEASURE_WORDS, outcome
from takemill.sensors.misalignment import between_spans

from . import stage, stored
from .intake import Reading, findings_of
from .pose_markers import shows_finding

_SHORT = {  # what fits the sidebar; other measures keep the words that the command line has for them
    "spike_frames": "Spikes, joint frames",
    "frozen_frames": "Frozen, joint frames",
    "jitter_deg": "Jitter, degrees",
    "skating_cm_s": "Skating, cm/s",
    "floor_error_mm": "Off the floor, mm",
    "heading_drift_deg_min": "Heading drift, deg/min",
    "path_drift_cm_min": "Path drift, cm/min",
    "joint_limit_frames": "Out of range, frames",
    "planted_share": "Share with a foot down",
}


def keep(action: bpy.types.Action, health: Health, start: int, digest: str = "") -> None:
    """Replace what is known of the health of `action`, whose motion begins at scene frame `start`.

    `digest` of that motion shows later whether the keys have changed since.
    """
    known = action.takemill
    known.findings.clear()
    known.finding_index = -1  # none is chosen, so the playhead stays
    for finding in health.findings:
        item = known.findings.add()
        item.name = f"{finding.kind} {finding.joint}"  # what the list's own search looks at
        for name in ("kind", "joint", "amount", "unit", "repaired", "message"):
            setattr(item, name, getattr(finding, name))
        item.start, item.stop = finding.start + start, finding.stop + start
    known.measures = json.dumps(dict(health.measures))
    known.checked = digest


def kept(action: bpy.types.Action, start: int = 0) -> Health | None:
    """What is kept with `action`, in frames from scene frame `start` on; None when it was never checked."""
    known = action.takemill
    if not known.measures:
        return None
    return Health(
        tuple(_finding(one, start) for one in known.findings), stored.measures(known.measures, action.name)
    )


def _finding(item: bpy.types.PropertyGroup, start: int) -> Finding:
    """A row of the list as the core knows it, in frames from scene frame `start` on."""
    first, stop = item.start - start, item.stop - start
    return Finding(item.kind, item.joint, first, stop, item.amount, item.unit, item.repaired, item.message)


def as_read(health: Health, reading: Reading, frames: int) -> Health:
    """The health of a take of so many frames, its intake as read in Blender instead of the engine's."""
    kept = [one for one in health.findings if one.kind != "intake"]
    return replace(health, findings=(*findings_of(reading, frames), *kept))


def after_repair(before: Health, found: Iterable[Finding], after: Health) -> Health:
    """The health of a repaired take, with all findings, each repaired or left."""
    return replace(after, findings=outcome(before.findings, after.findings, found))


def between_poses(action: bpy.types.Action) -> tuple[int, int] | None:
    """The first and the last scene frame that the reference poses among the findings leave of a take.

    None where no pose was found.
    """
    first, last = (round(frame) for frame in action.frame_range)
    poses = [
        _finding(one, first) for one in action.takemill.findings if one.kind == "reference_pose" and one.joint
    ]
    start, stop = between_spans([(one.start, one.stop) for one in poses], last + 1 - first)
    return (first + start, first + stop - 1) if poses else None


def raw_of(action: bpy.types.Action) -> bpy.types.Action | None:
    """The take that `action` is the repair of; None where it is none, or the take is gone."""
    return action.takemill.source if action.takemill.repaired else None


def measure_rows(action: bpy.types.Action) -> list[tuple[str, str, str]]:
    """A row for each measure kept with `action`: its name and unit, the number before, the number now.

    Before is the take that it is the repair of.
    """
    raw = raw_of(action)
    try:
        before = stored.measures(raw.takemill.measures, raw.name) if raw else {}
        now = stored.measures(action.takemill.measures, action.name)
    except InputError as problem:
        return [(str(problem), "", "")]
    return [
        (
            _SHORT.get(name, f"{word}, {unit}".capitalize()),
            f"{before[name]:.{digits}f}" if name in before else "",
            f"{now[name]:.{digits}f}",
        )
        for name, word, unit, digits in MEASURE_WORDS
        if name in now
    ]


def summary(findings: Iterable[Finding]) -> str:
    """How many of each kind, in words."""
    counts: dict[str, int] = {}
    for finding in findings:
        counts[finding.kind] = counts.get(finding.kind, 0) + 1
    return ", ".join(f"{count} {kind}" for kind, count in sorted(counts.items())) or "nothing found"


def go_to_chosen(known: bpy.types.PropertyGroup, context: bpy.types.Context) -> None:
    """Set the playhead on the chosen finding and select its bone alone, for the row that was clicked."""
    armature = stage.armature_of(context)
    if armature is None or stage.find_active_action(armature) != known.id_data:
        return
    if not 0 <= known.finding_index < len(known.findings):
        return
    finding = known.findings[known.finding_index]
    context.scene.frame_set(finding.start)
    if finding.joint in armature.pose.bones:
        stage.select_bone(context, armature, finding.joint)


def write_events(action: bpy.types.Action, frames: range) -> int:
    """Put each finding of `action` on it as a pose marker, instead of those put there before; how many.

    Findings of one kind that begin on one frame share a marker. What lasts for all `frames` has no place.
    """
    clear_finding_markers(action)
    places: dict[tuple[int, str], list[str]] = {}
    for one in action.takemill.findings:
        if (one.start, one.stop) != (frames.start, frames.stop):
            places.setdefault((one.start, one.kind), []).append(one.joint or "body")
    for (frame, kind), joints in places.items():
        marker = action.pose_markers.new(f"{kind} {_listed(joints)}"[:63])
        marker.frame = frame
        marker.takemill.finding = True
    return len(places)


def clear_finding_markers(action: bpy.types.Action) -> int:
    """Take away the markers that `event` put on the Action, and no others; how many."""
    mine = [marker for marker in action.pose_markers if shows_finding(marker)]
    for marker in mine:
        action.pose_markers.remove(marker)
    return len(mine)


def _listed(joints: Sequence[str]) -> str:
    names = list(dict.fromkeys(joints))
    return names[0] if len(names) == 1 else f"{names[0]} and {len(names) - 1} more"
