"""The raw take's bones beside those of its repair, at the present frame."""

from __future__ import annotations

from collections.abc import Hashable

import numpy as np

from takemill.base.errors import InputError

from ..bridge import findings
from ..bridge.pose_at import bones_at, needs_evaluation
from ..bridge.rig import Rig, read_rig
from .colours import colour
from .draw import Drawing, Overlay
from .strokes import Label, lines
from .view import View

_BONE_PX = 2.5  # of lines, at a resolution scale of 1
_RIGS: dict[int, tuple[int, Rig]] = {}
"""The last rig that was read, by its armature; with the count of edits then."""


def _key(view: View) -> Hashable:
    raw = findings.raw_of(view.action)
    return raw and (raw.session_uid, view.frame, view.settings.ghost_aside_m)


def problem_of(view: View) -> str:
    """Why there is no ghost; "" where there is one."""
    raw = findings.raw_of(view.action)
    if raw is None:
        return "Raw Ghost: the active action is no repaired take"
    try:
        reasons = needs_evaluation(view.armature, raw)
    except InputError as problem:
        return f"Raw Ghost: {problem}"
    return f"Raw Ghost: not shown, because of {'; '.join(reasons)}" if reasons else ""


def _drawing(view: View) -> Drawing:
    raw = findings.raw_of(view.action)
    if raw is None or problem_of(view):
        return Drawing()
    heads, tails = bones_at(view.armature, raw, _rig(view), view.frame)
    aside = np.array([view.settings.ghost_aside_m / max(view.armature.matrix_world.median_scale, 1e-9), 0, 0])
    grey = colour(view.settings, "raw")
    stroke = lines(np.stack([heads, tails], axis=1) + aside, grey, _BONE_PX, "ARMATURE")
    top = (heads + aside)[heads[:, 2].argmax()]
    return Drawing((stroke,), (Label("raw", tuple(top), grey, "ARMATURE"),))


def _rig(view: View) -> Rig:
    """The armature's bones; read again once keys or bones have changed."""
    known = _RIGS.get(view.armature.session_uid)
    if known is None or known[0] != view.key_edits:
        _RIGS.clear()
        known = _RIGS[view.armature.session_uid] = view.key_edits, read_rig(view.armature)
    return known[1]


OVERLAY = Overlay("ghost", "ghost", _key, _drawing)
