"""Where the seam of a loop lies."""

from __future__ import annotations

import bpy

from takemill.base.errors import InputError

from ..takes.characters import cuts_holder
from .clip_record import ClipRecord


def seam_of(action: bpy.types.Action) -> tuple[int, int] | None:
    """The scene frames whose poses a seam joins: the ends of a loop, or those of the chosen cut."""
    known = action.takemill
    if known.record:
        try:
            loop = ClipRecord.of_action(action).loop
        except InputError:  # somebody has changed the record; the panels say so
            return None
        return (round(action.frame_range[0]), round(action.frame_range[1])) if loop else None
    cut = chosen_cut(action)
    return (cut.start, cut.end) if cut is not None and cut.loop else None


def chosen_cut(action: bpy.types.Action) -> bpy.types.PropertyGroup | None:
    """The cut that is chosen on the list of an Action; None where there is none."""
    known = cuts_holder(action).takemill
    return known.cuts[known.cut_index] if 0 <= known.cut_index < len(known.cuts) else None
