"""The raw take's bones beside those of its repair, at the present frame."""

from __future__ import annotations

from collections.abc import Hashable

import bpy
import numpy as np

from takemill.base.errors import InputError

from ..bridge.motion.pose_at import Played, bones_at, needs_evaluation, played_on
from ..bridge.rigs.rig import read_rig
from ..bridge.takes import findings
from ..translations import say
from .colours import colour, text_colour
from .draw import Drawing, Overlay
from .strokes import Label, lines
from .view import Remembered, View

_BONE_PX, _EDGE_PX = 2.5, 2.5  # of lines, and what their dark edge adds, at a resolution scale of 1
_EDGE = (0.0, 0.0, 0.0, 0.5)  # keeps grey apart from the grey of Blender's light theme
_READ = Remembered[tuple[Played | None, str]]()
"""How the last raw take plays, or why that is not known."""


def _key(view: View) -> Hashable:
    raw = findings.raw_of(view.action)
    return raw and (raw.session_uid, view.frame, view.settings.ghost_aside_m)


def problem_of(view: View) -> str:
    """Why there is no ghost; "" where there is one."""
    raw = findings.raw_of(view.action)
    if raw is None:
        return "Raw Ghost: the active action is no repaired take"
    return _read(view, raw)[1]


def _drawing(view: View) -> Drawing:
    raw = findings.raw_of(view.action)
    played = _read(view, raw)[0] if raw else None
    if raw is None or played is None:
        return Drawing()
    heads, tails = bones_at(view.armature, raw, played, view.frame)
    aside = np.array([view.settings.ghost_aside_m / max(view.armature.matrix_world.median_scale, 1e-9), 0, 0])
    grey = colour(view.settings, "raw")
    ends = np.stack([heads, tails], axis=1) + aside
    strokes = (
        lines(ends, _EDGE, _BONE_PX + _EDGE_PX, "ARMATURE"),
        lines(ends, grey, _BONE_PX, "ARMATURE"),
    )
    top = (heads + aside)[heads[:, 2].argmax()]
    return Drawing(strokes, (Label(say("raw"), tuple(top), text_colour(view.context), "ARMATURE"),))


def _read(view: View, raw: bpy.types.Action) -> tuple[Played | None, str]:
    """How the raw take plays on the armature's bones, or why it cannot; read again when that may change."""
    key = view.armature.session_uid, raw.session_uid, view.edits
    return _READ.get(key, lambda: _played_by(view.armature, raw))


def _played_by(armature: bpy.types.Object, raw: bpy.types.Action) -> tuple[Played | None, str]:
    try:
        reasons = needs_evaluation(armature, raw)
        played = played_on(armature, raw, read_rig(armature))
    except InputError as problem:
        return None, say("Raw Ghost: {}", problem)
    if reasons:
        return None, say("Raw Ghost: not shown, because of {}", "; ".join(reasons))
    return played, ""


OVERLAY = Overlay("ghost", "ghost", _key, _drawing)
