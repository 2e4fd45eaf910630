"""Findings and measures, kept with an Action in scene frames, and how to go to where each of them lies."""

from __future__ import annotations

import json
from collections.abc import Iterable, Sequence
from dataclasses import replace

import bpy

from takemill.base.errors import InputError
from takemill.health.check import Finding, Health
from takemill.health.table import KINDS, MEASURE_WORDS, count_by_kind, counts_text, outcome
from takemill.sensors.misalignment import between_spans

from ..scene import stored, views
from ..scene.pose_markers import shows_finding
from . import stage
from .intake import Reading, findings_of

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

_RANK = {kind: k for k, kind in enumerate(KINDS)}


def keep(action: bpy.types.Action, health: Health, start: int, digest: str = "") -> None:
    """Replace what is known of the health of `action`, whose motion begins at scene frame `start`.

    `digest` of that motion shows later whether the keys have changed since.
    """
    known = action.takemill
    accepted = {_place(one) for one in known.findings if one.accepted}
    known.findings.clear()
    known.finding_index = -1  # none is chosen, so the playhead stays
    for finding in health.findings:
        item = known.findings.add()
        item.name = f"{finding.kind} {finding.joint}"  # what the list's own search looks at
        for name in ("kind", "joint", "amount", "unit", "repaired", "message"):
            setattr(item, name, getattr(finding, name))
        item.start, item.stop = finding.start + start, finding.stop + start
        item.accepted = _place(item) in accepted
    known.measures = json.dumps(dict(health.measures))
    known.checked = digest


def _place(item: bpy.types.PropertyGroup) -> tuple[str, str, int, int]:
    """What tells a finding from others, in the lists of a take and of its repair."""
    return item.kind, item.joint, item.start, item.stop


def lists_of(action: bpy.types.Action) -> list[bpy.types.Action]:
    """The Actions that list the findings of one take: the take itself, its repairs, and their previews."""
    raw = raw_of(action) or action
    return [raw, *(one for one in bpy.data.actions if raw_of(one) == raw)]


def accept(action: bpy.types.Action, finding: bpy.types.PropertyGroup, accepted: bool) -> None:
    """Leave a finding as it came from now on, or repair it again; in all lists of its take."""
    place = _place(finding)
    for one in lists_of(action):
        for item in one.takemill.findings:
            if _place(item) == place:
                item.accepted = accepted


def share_accepted(source: bpy.types.Action, new: bpy.types.Action) -> None:
    """Mark in the list of a repair what was accepted in its take's."""
    accepted = {_place(one) for one in source.takemill.findings if one.accepted}
    for item in new.takemill.findings:
        item.accepted = _place(item) in accepted


def left_s(
    action: bpy.types.Action, start: int, frames: int, rate: float
) -> tuple[tuple[str, float, float], ...]:
    """What was accepted, as [repair] leave_s has it: of a take of so many frames from scene frame `start`."""
    found = []
    for one in action.takemill.findings:
        first, last = max(one.start - start, 0), min(one.stop - start, frames) - 1
        if one.accepted and first <= last:
            found.append((one.joint, round(first / rate, 6), round((last + 0.5) / rate, 6)))
    return tuple(dict.fromkeys(found))


def shown_rows(known: bpy.types.PropertyGroup, scene: bpy.types.Scene) -> list[int]:
    """The numbers of the findings that the list shows, in its order."""
    kind, rows = scene.takemill.finding_kind, known.findings
    shown = [k for k, one in enumerate(rows) if kind in ("ALL", one.kind)]
    if scene.takemill.finding_order == "SIZE":
        shown.sort(key=lambda k: (_RANK.get(rows[k].kind, len(_RANK)), -abs(rows[k].amount)))
    return shown


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


def summary(findings: Sequence[Finding], after_repair: bool = False) -> str:
    """How many there are, of each kind, by the engine's rule; and what of them a repair left."""
    if not findings:
        return "nothing was found"
    rows = count_by_kind(findings, findings if after_repair else ())
    kinds = ", ".join(
        f"{row.count} {row.kind}" + (f" ({row.left} left)" if after_repair and row.left else "")
        for row in rows
    )
    head = counts_text(findings) if after_repair else counts_text(findings).partition(":")[0]
    return f"{head}: {kinds}"


def go_to_chosen(known: bpy.types.PropertyGroup, context: bpy.types.Context) -> None:
    """Set the playhead on the chosen finding and select its bone alone, for the row that was clicked."""
    armature = stage.armature_of(context)
    if armature is None or stage.find_active_action(armature) != known.id_data:
        return
    if not 0 <= known.finding_index < len(known.findings):
        return
    finding = known.findings[known.finding_index]
    context.scene.use_preview_range = False  # one that is left over would hide the frames
    context.scene.frame_set(finding.start)
    if finding.joint in armature.pose.bones:
        stage.select_bone(context, armature, finding.joint)
        views.frame_selected(context)
    views.show_frames(context, finding.start, finding.stop - 1)


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
