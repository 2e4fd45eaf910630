"""Bones in the colour of the findings of the present frame."""

from __future__ import annotations

import bpy
import numpy as np

from .colours import finding_colour
from .draw import Drawing, Overlay
from .strokes import Label, lines
from .view import View

_NOW_PX, _ALL_PX = 7.0, 3.0  # of findings of these frames, and of those that last for the whole take
_MAX_LABELS = 6  # more hide the body
_WHOLE_SHARE = 0.9  # of the action's frames, from which on a finding is one of the whole take


def _key(view: View) -> float:
    return view.frame


def _drawing(view: View) -> Drawing:
    """A line along each bone of a finding, over the bone; what it is of beside the shortest ones."""
    shown = findings_at(view.action, view.armature, view.frame)
    ends: dict[float, list] = {_ALL_PX: [], _NOW_PX: []}
    colours: dict[float, list] = {_ALL_PX: [], _NOW_PX: []}
    labels = []
    for bone, finding in sorted(shown.items(), key=lambda item: _rank(item[1])):
        whole = _lasts(finding, view.action)
        width = _ALL_PX if whole or finding.repaired else _NOW_PX
        colour = finding_colour(view.settings, finding.kind, finding.repaired)
        pose = view.armature.pose.bones[bone]
        ends[width].append((pose.head, pose.tail))
        colours[width].append(colour)
        if not whole and len(labels) < _MAX_LABELS:
            text = f"{bone}: {finding.kind}{' (repaired)' if finding.repaired else ''}"
            labels.append(Label(text, tuple(pose.tail), colour, "ARMATURE"))
    strokes = [
        lines(np.array(ends[width]), np.array(colours[width]), width, "ARMATURE")
        for width in ends
        if ends[width]
    ]
    return Drawing(strokes, labels)


def findings_at(
    action: bpy.types.Action, armature: bpy.types.Object, frame: float
) -> dict[str, bpy.types.PropertyGroup]:
    """The finding that each bone shows at a frame: of several one that is not repaired, then the shortest.

    What was repaired in the whole take is on every bone of it and in every frame, and would tell nothing.
    """
    found: dict[str, bpy.types.PropertyGroup] = {}
    for one in action.takemill.findings:
        if not one.start <= frame < one.stop or one.joint not in armature.pose.bones:
            continue
        if one.repaired and _lasts(one, action):
            continue
        other = found.get(one.joint)
        if other is None or _rank(one) < _rank(other):
            found[one.joint] = one
    return found


def _lasts(finding: bpy.types.PropertyGroup, action: bpy.types.Action) -> bool:
    """Whether it is of the whole take."""
    frames = action.frame_range[1] - action.frame_range[0]
    return finding.stop - finding.start > _WHOLE_SHARE * frames


def _rank(finding: bpy.types.PropertyGroup) -> tuple[bool, int]:
    return finding.repaired, finding.stop - finding.start


OVERLAY = Overlay("findings", "findings", _key, _drawing)
