"""What a character plays of its own: jaw, eyes, ears, fingers, props and tails in its active Action.

Another Action made for the character takes over the F-curves of bones that it does not move, as they are,
at their own scene frames.
"""

from __future__ import annotations

import json
from collections.abc import Collection, Iterator

import bpy
import numpy as np

from takemill.body.body_map import BodyMap
from takemill.body.body_parts import is_free
from takemill.body.skeleton import Skeleton

from ..scene import actions

_BONE = 'pose.bones["'
_LEAST_CHANGE = 1e-4  # radians, lengths or parts of a quaternion: less is seen by nobody (chosen by eye)


def own_action(armature: bpy.types.Object) -> bpy.types.Action | None:
    """The Action that says what a character plays of its own: its active one, or the fitted one behind it."""
    active = armature.animation_data and armature.animation_data.action
    if not active:
        return None
    fitted = (one for one in actions.ancestry(active) if one.takemill.performer)
    return next(fitted, active)


def own_curves(armature: bpy.types.Object) -> list[bpy.types.FCurve]:
    """The F-curves of the character's own Action, but for those that an earlier fit made."""
    action = own_action(armature)
    if action is None or not action.slots:
        return []
    data = armature.animation_data
    slot = data.action_slot if data.action == action else None
    slot = slot or next((one for one in action.slots if one.identifier == "OB" + armature.name), None)
    bag = actions.channelbag(action, slot or action.slots[0])
    made = frozenset(json.loads(action.takemill.moved or "[]"))
    curves = bag.fcurves if bag else ()
    return [one for one in curves if one.data_path.startswith(_BONE) and _bone_of(one) not in made]


def free_bones(skeleton: Skeleton, body: BodyMap) -> frozenset[str]:
    """The mapped bones that a character can move by itself while the body does something else."""
    return frozenset(bone for part, bone in body.names(skeleton).items() if is_free(part))


def playing(curves: list[bpy.types.FCurve]) -> frozenset[str]:
    """The bones that F-curves move, or hold away from their rest."""
    return frozenset(_bone_of(one) for one in curves if _plays(one))


def take_over(
    bag: bpy.types.ActionChannelbag,
    curves: list[bpy.types.FCurve],
    moved: Collection[str],
    shift: float = 0.0,
) -> None:
    """Copy F-curves to a new Action, `shift` frames later, but for those of bones that it moves."""
    for old in curves:
        bone = _bone_of(old)
        if bone in moved or bag.fcurves.find(old.data_path, index=old.array_index):
            continue
        new = bag.fcurves.new(old.data_path, index=old.array_index)
        new.group = bag.groups.get(bone) or bag.groups.new(bone)
        _copy_settings(old, new, ("extrapolation", "mute", "color_mode", "auto_smoothing"))
        _copy_keys(old.keyframe_points, new.keyframe_points, shift)
        for modifier in old.modifiers:
            made = new.modifiers.new(modifier.type)
            _copy_settings(modifier, made, _settings_of(modifier))


def _copy_keys(old, new, shift: float) -> None:
    count = len(old)
    new.add(count)
    for name, width, kind in (
        ("co", 2, np.float32), ("handle_left", 2, np.float32), ("handle_right", 2, np.float32),
        ("interpolation", 1, np.uint8), ("easing", 1, np.uint8), ("type", 1, np.uint8),
        ("handle_left_type", 1, np.uint8), ("handle_right_type", 1, np.uint8),
        ("amplitude", 1, np.float32), ("period", 1, np.float32), ("back", 1, np.float32),
    ):  # fmt: skip
        buffer = np.empty(count * width, kind)
        old.foreach_get(name, buffer)
        if width == 2:
            buffer[::2] += shift
        new.foreach_set(name, buffer)


def _copy_settings(old, new, names) -> None:
    for name in names:
        setattr(new, name, getattr(old, name))


def _settings_of(modifier) -> Iterator[str]:
    return (one.identifier for one in modifier.bl_rna.properties if not one.is_readonly)


def _plays(curve: bpy.types.FCurve) -> bool:
    """Whether an F-curve moves something, or holds it away from its rest."""
    named = actions.bone_channel(curve.data_path)
    if named is None or curve.is_empty:
        return False
    values = np.empty(2 * len(curve.keyframe_points), np.float32)
    curve.keyframe_points.foreach_get("co", values)
    values = values[1::2]
    rest = (
        1.0 if named[1] == "scale" or (named[1] == "rotation_quaternion" and not curve.array_index) else 0.0
    )
    if named[1] == "rotation_axis_angle" and curve.array_index:  # an axis without an angle turns nothing
        rest = float(values[0])
    return bool(np.ptp(values) > _LEAST_CHANGE or abs(values[0] - rest) > _LEAST_CHANGE or curve.modifiers)


def _bone_of(curve: bpy.types.FCurve) -> str:
    """The bone in an F-curve's path, whatever of it the curve moves."""
    named = actions.bone_channel(curve.data_path)
    if named:
        return named[0]
    return bpy.utils.unescape_identifier(curve.data_path[len(_BONE) :].split('"]', 1)[0])
