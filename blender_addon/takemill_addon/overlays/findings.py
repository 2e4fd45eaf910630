"""Bones in the colour of the findings of the present frame."""

from __future__ import annotations

from typing import NamedTuple

import bpy
import numpy as np
from numpy.typing import NDArray

from .colours import finding_colour
from .draw import Drawing, Overlay
from .strokes import Colour, Label, lines
from .view import View

_NOW_PX, _ALL_PX = 7.0, 3.0  # of findings of these frames, and of those that last for the whole take
_MAX_LABELS = 6  # more hide the body
_WHOLE_SHARE = 0.9  # of the action's frames, from which on a finding is one of the whole take


def _key(view: View) -> float:
    return view.frame


class Shown(NamedTuple):
    """The finding that a bone shows: the less, the sooner it is seen and the more it tells."""

    repaired: bool
    frames: int
    kind: str
    bone: str


def _drawing(view: View) -> Drawing:
    """A line along each bone of a finding, over the bone; what it is of beside the shortest ones."""
    longest_f = _longest_f(view.action)
    ends, place = _bones(view.armature)
    bones: dict[float, list[int]] = {_ALL_PX: [], _NOW_PX: []}
    colours: dict[float, list[Colour]] = {_ALL_PX: [], _NOW_PX: []}
    labels = []
    for repaired, frames, kind, bone in findings_at(view.action, view.armature, view.frame):
        width = _ALL_PX if repaired or frames > longest_f else _NOW_PX
        colour = finding_colour(view.settings, kind, repaired)
        bones[width].append(place[bone])
        colours[width].append(colour)
        if frames <= longest_f and len(labels) < _MAX_LABELS:
            text = f"{bone}: {kind}{' (repaired)' if repaired else ''}"
            labels.append(Label(text, tuple(ends[place[bone], 1]), colour, "ARMATURE"))
    strokes = [
        lines(ends[rows], np.array(colours[width]), width, "ARMATURE")
        for width, rows in bones.items()
        if rows
    ]
    return Drawing(strokes, labels)


def findings_at(action: bpy.types.Action, armature: bpy.types.Object, frame: float) -> list[Shown]:
    """What bones show at a frame: of several findings one that is not repaired, then the shortest.

    What was repaired in the whole take is on every bone of it and in every frame, and would tell nothing.
    """
    known, bones = action.takemill.findings, armature.pose.bones
    start, stop, repaired = (np.empty(len(known), kind) for kind in (np.intc, np.intc, bool))
    for name, values in (("start", start), ("stop", stop), ("repaired", repaired)):
        known.foreach_get(name, values)
    frames = stop - start
    here = (start <= frame) & (frame < stop) & ~(repaired & (frames > _longest_f(action)))
    rows, listed = np.flatnonzero(here), known.values()  # a row by its number is sought from the first one on
    found: dict[str, Shown] = {}
    for row in rows[np.lexsort((frames[rows], repaired[rows]))].tolist():
        bone = listed[row].joint
        if bone not in found and bone in bones:
            found[bone] = Shown(bool(repaired[row]), int(frames[row]), listed[row].kind, bone)
    return list(found.values())


def _bones(armature: bpy.types.Object) -> tuple[NDArray[np.float32], dict[str, int]]:
    """Where all bones begin and end (N, 2, 3) in the armature's space, and the row of each."""
    bones = armature.pose.bones
    ends = np.empty((2, len(bones), 3), np.float32)
    bones.foreach_get("head", ends[0].reshape(-1))
    bones.foreach_get("tail", ends[1].reshape(-1))
    return ends.swapaxes(0, 1), {bone.name: row for row, bone in enumerate(bones)}


def _longest_f(action: bpy.types.Action) -> float:
    """How many frames a finding may last that is not one of the whole take."""
    ends = action.frame_range
    return _WHOLE_SHARE * (ends[1] - ends[0])


OVERLAY = Overlay("findings", "findings", _key, _drawing)
