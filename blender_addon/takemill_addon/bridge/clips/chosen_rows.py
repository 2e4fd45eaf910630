"""What a click on a row of the cuts or of the clips does: the time lines show its frames."""

from __future__ import annotations

import bpy

from takemill.base.errors import InputError

from ..scene import views
from ..takes import clip_names, stage
from ..takes.characters import cuts_holder
from .clip_record import ClipRecord


def show_cut(known: bpy.types.PropertyGroup, context: bpy.types.Context) -> None:
    """Show the frames of the chosen cut, where its take is the active action."""
    action = _active_action(context)
    if action and cuts_holder(action) == known.id_data and 0 <= known.cut_index < len(known.cuts):
        cut = known.cuts[known.cut_index]
        views.show_frames(context, cut.start, cut.end)


def show_clip(known: bpy.types.PropertyGroup, context: bpy.types.Context) -> None:
    """Show the frames of the chosen clip; where its take is the active action, those that it was cut from."""
    action = _active_action(context)
    chosen = known.clips[known.clip_index].action if 0 <= known.clip_index < len(known.clips) else None
    if action is None or chosen is None:
        return
    if action == chosen:
        views.show_frames(context, *action.frame_range)
    elif clip_names.take_of(chosen) == action:
        try:
            start, stop = ClipRecord.of_action(chosen).source_range
        except InputError:  # somebody has changed the record; the panels say so
            return
        first = round(action.frame_range[0])
        views.show_frames(context, first + start, first + stop - 1)


def _active_action(context: bpy.types.Context) -> bpy.types.Action | None:
    armature = stage.armature_of(context) if context.view_layer else None
    return stage.find_active_action(armature) if armature else None
