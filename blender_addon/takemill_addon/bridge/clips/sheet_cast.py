"""Who plays the same frames as an Action: the performer whose take was fitted, and all its characters."""

from __future__ import annotations

import bpy

from ..scene import actions

Part = tuple[bpy.types.Object, bpy.types.Action]
"""An armature and its Action."""


def cast_of(context: bpy.types.Context, armature: bpy.types.Object, action: bpy.types.Action) -> list[Part]:
    """The armatures of the view layer that play what `action` is, the performer first, then by name.

    Of a listed clip those whose lists have a clip of its name, cut from the same take; of a take all to which
    it is fitted. `armature` with its own `action` is always among them.
    """
    found = {armature: action}
    name = _listed_as(armature, action)
    for other in context.view_layer.objects:
        if other.type != "ARMATURE" or other == armature:
            continue
        theirs = _clip_called(other, name) if name else _fitted(other, action)
        if theirs is not None and _recorded(theirs) == _recorded(action):
            found[other] = theirs
    performers = {one.takemill.performer for played in found.values() for one in actions.ancestry(played)}
    return sorted(found.items(), key=lambda part: (part[0] not in performers, part[0].name))


def _listed_as(armature: bpy.types.Object, action: bpy.types.Action) -> str:
    return next((clip.name for clip in armature.takemill.clips if clip.action == action), "")


def _clip_called(armature: bpy.types.Object, name: str) -> bpy.types.Action | None:
    return next((clip.action for clip in armature.takemill.clips if clip.name == name), None)


def _fitted(armature: bpy.types.Object, action: bpy.types.Action) -> bpy.types.Action | None:
    """The armature's Action that is the same take: the newest fitted one, or the performer's own."""
    here = [one for one in actions.ancestry(action) if one.takemill.performer]
    if here and here[0].takemill.performer == armature:
        return here[0].takemill.source
    takes = {here[0].takemill.source} if here else {action}
    made = [
        one for one in bpy.data.actions if one.takemill.character == armature and one.takemill.source in takes
    ]
    return max(made, key=lambda one: one.takemill.made, default=None)


def _recorded(action: bpy.types.Action) -> bpy.types.Action:
    """The take as it was recorded that an Action goes back to."""
    return list(actions.ancestry(action))[-1]
