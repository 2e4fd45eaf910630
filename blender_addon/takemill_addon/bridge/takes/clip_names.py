"""The name of a clip, which its Action, its cut and the same clip of other characters bear too."""

from __future__ import annotations

from collections.abc import Iterator

import bpy

from ..scene import actions
from .characters import cuts_holder


def rename(clip: bpy.types.PropertyGroup, name: str) -> None:
    """Give a clip another name, and all that belongs to it; where it is taken, with a number behind it."""
    old, name = clip.name, name.strip()
    if not name or name == old:
        return
    armature = clip.id_data
    taken = {one.name for one in armature.takemill.clips if one != clip}
    free = (name, *(f"{name}_{number:02}" for number in range(2, 1000)))
    name = next(one for one in free if one not in taken)
    holder = _holder(clip)
    fellows = list(_fellows(clip))
    for one in (clip, *fellows):
        one.name = name
        if one.action:
            one.action.name = actions.fitting_name(name)
    cuts = holder.takemill.cuts if holder else None
    if cuts is None or old not in cuts or name in cuts:
        return
    rename_cut(holder.takemill, cuts[old], name)


def rename_cut(known: bpy.types.PropertyGroup, cut: bpy.types.PropertyGroup, name: str) -> None:
    """Give a cut of a list another name, and those that follow it or lead to it."""
    old = cut.name
    for other in known.cuts:
        for way in ("follows", "leads_to"):
            if old and getattr(other, way) == old:
                setattr(other, way, name)
    cut.name = name


def take_of(action: bpy.types.Action) -> bpy.types.Action | None:
    """The take, the performer's or a fitted one, that a clip was cut from; None for a take."""
    if not action.takemill.record:
        return None
    return next((one for one in actions.ancestry(action) if not one.takemill.record), None)


def _holder(clip: bpy.types.PropertyGroup) -> bpy.types.Action | None:
    """The Action whose list holds the cut that a clip was made of."""
    take = take_of(clip.action) if clip.action else None
    return cuts_holder(take) if take else None


def should_loop(clip: bpy.types.PropertyGroup) -> bool:
    """Whether the cut that a clip was made of is to be a loop."""
    holder = _holder(clip)
    cut = holder.takemill.cuts.get(clip.name) if holder else None
    return bool(cut and cut.loop)


def _fellows(clip: bpy.types.PropertyGroup) -> Iterator[bpy.types.PropertyGroup]:
    """The clips of other armatures that were made of the same cut."""
    holder = _holder(clip)
    for item in bpy.data.objects:
        other = item.takemill.clips.get(clip.name) if item.type == "ARMATURE" else None
        if other is not None and item != clip.id_data and holder is not None and _holder(other) == holder:
            yield other
