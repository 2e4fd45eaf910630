"""Clips whose Actions are renamed by hand: the list goes along."""

from __future__ import annotations

import bpy


def note_names(entry, _: bpy.types.Context | None = None) -> None:
    """Remember what a clip on the list and its Action are called, when it gets one."""
    entry.listed_as, entry.known_as = entry.name, entry.action.name if entry.action else ""


def follow_renamed(armature: bpy.types.Object) -> None:
    """Clips whose Actions were renamed since are called as those are now, unless they were renamed too."""
    for entry in armature.takemill.clips:
        if entry.action is None or not entry.known_as or entry.action.name == entry.known_as:
            continue
        if entry.name == entry.listed_as:
            entry.name = entry.action.name
        note_names(entry)
