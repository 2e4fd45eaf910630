"""Actions, slots and channelbags: the few lines that must be the same in Blender 4.5 and 5.2."""

from __future__ import annotations

import re
from collections.abc import Iterator
from functools import lru_cache

import bpy
from bpy_extras import anim_utils

from takemill.base.errors import InputError

_BONE_PATH = re.compile(r'pose\.bones\["((?:[^"\\]|\\.)*)"\]\.(\w+)$')
_NAME_BYTES = 63  # Blender 4.5 keeps no more of a name


@lru_cache(maxsize=16384)
def bone_channel(path: str) -> tuple[str, str] | None:
    """The bone and property that an F-curve's data path names, or None for any other path."""
    match = _BONE_PATH.match(path)
    return (bpy.utils.unescape_identifier(match[1]), match[2]) if match else None


def channelbag(action: bpy.types.Action, slot) -> bpy.types.ActionChannelbag | None:
    """The F-curves of `slot`, or None while it has none."""
    return anim_utils.action_get_channelbag_for_slot(action, slot)


def slot_for(action: bpy.types.Action, armature: bpy.types.Object):
    """The slot of `action` that moves `armature`: its present one, its namesake, or one with pose curves.

    Raises:
        InputError: no slot holds pose curves of the armature's bones.
    """
    data = armature.animation_data
    slots = [slot for slot in action.slots if slot.target_id_type in {"OBJECT", "UNSPECIFIED"}]
    if data and data.action == action and data.action_slot:
        slots.insert(0, data.action_slot)
    else:
        slots.sort(key=lambda slot: slot.identifier != "OB" + armature.name)
    for slot in slots:
        bag = channelbag(action, slot)
        if bag and any(bone in armature.pose.bones for bone in _bones_of(bag)):
            return slot
    raise InputError(f"action {action.name!r}: it has no keys on the bones of {armature.name!r}")


def active_action(armature: bpy.types.Object) -> bpy.types.Action:
    """The active Action of `armature`.

    Raises:
        InputError: it has none.
    """
    data = armature.animation_data
    if not data or not data.action:
        raise InputError(
            f"armature {armature.name!r}: it has no action; assign a take to it in the action editor"
        )
    return data.action


def assign(armature: bpy.types.Object, action: bpy.types.Action, slot) -> None:
    """Let `armature` play `slot` of `action`; left to itself Blender may pick no slot, and nothing moves."""
    data = armature.animation_data_create()
    data.action = action
    data.action_slot = slot


def ancestry(action: bpy.types.Action) -> Iterator[bpy.types.Action]:
    """The Action, the one that it was made from, and so on back to the take as it was recorded."""
    seen: list[bpy.types.Action] = []
    while action is not None and action not in seen:
        yield action
        seen.append(action)
        action = action.takemill.source


def first_here(action: bpy.types.Action) -> bpy.types.Action:
    """The earliest ancestor of an Action that is of the same armature: a fitted one's own beginning."""
    here = action
    for one in ancestry(action):
        here = one
        if one.takemill.performer:
            break
    return here


def new_action(armature: bpy.types.Object, name: str):
    """A new Action that survives saving, with a slot for `armature`: (action, slot, channelbag)."""
    action = bpy.data.actions.new(fitting_name(name))
    action.use_fake_user = True
    slot = action.slots.new("OBJECT", armature.name)
    strip = action.layers.new("Layer").strips.new(type="KEYFRAME")
    return action, slot, strip.channelbag(slot, ensure=True)


def fitting_name(name: str, suffix: str = "") -> str:
    """`name` + `suffix`, `name` cut so that both fit; counted in bytes, as Blender does."""
    room = _NAME_BYTES - len(suffix.encode())
    return name.encode()[:room].decode(errors="ignore") + suffix


def _bones_of(bag) -> Iterator[str]:
    return (channel[0] for curve in bag.fcurves if (channel := bone_channel(curve.data_path)))
