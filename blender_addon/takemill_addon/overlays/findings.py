"""Bones in the colour of the findings of the present frame."""

from __future__ import annotations

from typing import NamedTuple

import bpy
import numpy as np
from numpy.typing import NDArray

from takemill.base.checks import Index, Mask

from ..translations import say
from .colours import finding_colour
from .draw import Drawing, Overlay
from .strokes import Colour, Label, lines
from .view import Remembered, View

_NOW_PX, _ALL_PX = 7.0, 3.0  # of findings of these frames, and of those that last for the whole take
_MAX_LABELS = 6  # more hide the body
_WHOLE_SHARE = 0.9  # of the action's frames, from which on a finding is one of the whole take


def _key(view: View) -> float:
    return view.frame


class _Listed(NamedTuple):
    """The N findings of an Action on bones of an armature, the sooner the more they tell; and J bones.

    Attributes:
        bones: (N,) the bone of each, by its number.
        start, stop: (N,) scene frames, half-open.
        repaired: (N,) those that are not come first, then the shorter ones.
        thin: (N,) repaired, or of the whole take.
        named: (N,) short enough to be named beside its bone.
        kinds: (N,)
        names: (J,) of the bones.
    """

    bones: Index
    start: NDArray[np.intc]
    stop: NDArray[np.intc]
    repaired: Mask
    thin: Mask
    named: Mask
    kinds: list[str]
    names: list[str]


class _Seen(NamedTuple):
    """What is the same from frame to frame while the same findings last.

    Attributes:
        widths: of each stroke.
        bones: of each stroke (N,), by their numbers.
        colours: of each stroke (N, 4).
        labels: bone, text and colour of each.
    """

    widths: list[float]
    bones: list[Index]
    colours: list[NDArray[np.float32]]
    labels: list[tuple[int, str, Colour]]


_LISTED, _SEEN = Remembered[_Listed](), Remembered[_Seen]()


def _drawing(view: View) -> Drawing:
    """A line along each bone of a finding, over the bone; what it is of beside the shortest ones."""
    times = _times(view.action)
    key = view.common, *(one.tobytes() for one in times)  # Blender says nothing of lists that scripts change
    listed = _LISTED.get(key, lambda: _listed(view.action, view.armature, *times))
    shown = _shown(listed, view.frame)
    seen = _SEEN.get((*key, shown.tobytes()), lambda: _seen(view, listed, shown))
    ends = _ends(view.armature)
    strokes = [
        lines(ends[bones], colours, width, "ARMATURE")
        for width, bones, colours in zip(seen.widths, seen.bones, seen.colours, strict=True)
    ]
    tails = ends[:, 1]
    labels = [Label(text, tuple(tails[bone]), colour, "ARMATURE") for bone, text, colour in seen.labels]
    return Drawing(strokes, labels)


def _times(action: bpy.types.Action) -> tuple[NDArray[np.intc], NDArray[np.intc], Mask]:
    """From when, until when, and whether repaired: each (N,), of all findings of an Action."""
    known = action.takemill.findings
    start, stop, repaired = (np.empty(len(known), kind) for kind in (np.intc, np.intc, bool))
    for name, values in (("start", start), ("stop", stop), ("repaired", repaired)):
        known.foreach_get(name, values)
    return start, stop, repaired


def _listed(
    action: bpy.types.Action,
    armature: bpy.types.Object,
    start: NDArray[np.intc],
    stop: NDArray[np.intc],
    repaired: Mask,
) -> _Listed:
    """What was repaired in the whole take is on every bone of it and in every frame, and is left out."""
    known, names, ends = action.takemill.findings, armature.pose.bones.keys(), action.frame_range
    frames, place = stop - start, {name: row for row, name in enumerate(names)}
    whole = frames > _WHOLE_SHARE * (ends[1] - ends[0])
    bones = np.array([place.get(one.joint, -1) for one in known], np.intp)
    rows = np.lexsort((frames, repaired))
    rows = rows[((bones >= 0) & ~(repaired & whole))[rows]]
    kinds = [one.kind for one in known]
    return _Listed(
        bones[rows],
        start[rows],
        stop[rows],
        repaired[rows],
        (repaired | whole)[rows],
        ~whole[rows],
        [kinds[row] for row in rows.tolist()],
        names,
    )


def _shown(listed: _Listed, frame: float) -> Index:
    """The findings that bones show at a frame, of each bone the first."""
    here = np.flatnonzero((listed.start <= frame) & (frame < listed.stop))
    return here[np.sort(np.unique(listed.bones[here], return_index=True)[1])]


def _seen(view: View, listed: _Listed, shown: Index) -> _Seen:
    """The strokes and labels of findings that bones show."""
    tints, labels = list[Colour](), list[tuple[int, str, Colour]]()
    for row in shown.tolist():
        kind, repaired, bone = listed.kinds[row], bool(listed.repaired[row]), int(listed.bones[row])
        tints.append(finding_colour(view.settings, kind, repaired))
        if listed.named[row] and len(labels) < _MAX_LABELS:
            text = "{}: {} (repaired)" if repaired else "{}: {}"
            text = say(text, listed.names[bone], say(kind))
            labels.append((bone, text, tints[-1]))
    out = _Seen([], [], [], labels)
    for width, which in ((_ALL_PX, listed.thin[shown]), (_NOW_PX, ~listed.thin[shown])):
        if which.any():
            out.widths.append(width)
            out.bones.append(listed.bones[shown[which]])
            out.colours.append(np.array(tints, np.float32)[which])
    return out


def _ends(armature: bpy.types.Object) -> NDArray[np.float32]:
    """Where all bones begin and end (J, 2, 3) in the armature's space."""
    bones = armature.pose.bones
    ends = np.empty((2, len(bones), 3), np.float32)
    bones.foreach_get("head", ends[0].reshape(-1))
    bones.foreach_get("tail", ends[1].reshape(-1))
    return ends.swapaxes(0, 1)


OVERLAY = Overlay("findings", "findings", _key, _drawing)
