"""The step of the repair that gives a take without a path the one that its feet show."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from ..feet.path_from_feet import path_from_feet
from ..health.finding import Finding
from .settings import finds_path
from .state import RepairState


def find_missing_path(state: RepairState) -> RepairState:
    """The path from the feet that stand, where it is asked for; before contacts, which need one."""
    if not finds_path(state.settings, state.in_place_m) or not state.body.feet:
        return state
    motion = replace(state.raw, rotations=state.rotations, root_translation=state.root)
    shift = path_from_feet(motion, state.body)
    length = float(np.linalg.norm(np.diff(shift[:, :2], axis=0), axis=1).sum())
    text = f"the path was found from the feet that stand: it is {length:.1f} m longer than it came"
    found = Finding("no_path", "", 0, len(motion), length, "m", True, text)
    return replace(state, root=state.root + shift, has_path_from_feet=True, findings=(*state.findings, found))
