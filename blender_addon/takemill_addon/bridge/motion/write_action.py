"""A Motion in world metres -> a new Action beside the old ones, in each bone's own rotation mode.

The Action has a key on every frame for what moves and one key for what does not, so that a pose left over
from another Action never shows through. Bones that the Action is not about, and that rest, get no key.
"""

from __future__ import annotations

import json
from collections.abc import Collection

import bpy
import numpy as np
from mathutils import Matrix

from takemill.base.checks import Array
from takemill.base.errors import InputError
from takemill.body.motion import Motion
from takemill.body.skeleton import Skeleton
from takemill.maths import quat

from ..rigs import rotation_modes
from ..rigs.bone_curves import bone_curves
from ..rigs.control_rigs import control_rig_if_any
from ..rigs.controls import MIN_LOCATION, ControlRig, solve
from ..rigs.own_layer import take_over
from ..rigs.rig import ArmatureFrame, Rig, read_rig
from ..scene import actions
from ..scene.steps import DRAW, Steps, apart, stepwise

_MAX_STILL_CHANGE = 1e-6  # radians, quaternion parts or armature units: float32 does not resolve less
_LINEAR = 1  # Blender's number for Keyframe.interpolation, as foreach_set takes it


@stepwise
def write_motion(
    context: bpy.types.Context,
    armature: bpy.types.Object,
    motion: Motion,
    start: int,
    name: str,
    frame: ArmatureFrame | None = None,
    play: bool = True,
    spacing: float = 1.0,
    keyed: Collection[str] | None = None,
) -> Steps[bpy.types.Action]:
    """Write `motion` for `armature` from scene frame `start` on, and let the armature `play` it.

    The motion is in world space, or in the space that `frame` leads to from the armature's; its frames lie
    `spacing` scene frames apart. On a control rig the controls are keyed. Where `keyed` names bones, others
    are keyed only if they leave their rest.

    Raises:
        InputError: the motion's joints are not the armature's bones, or one cannot move so.
    """
    frame = frame or ArmatureFrame.of(armature)
    held = yield from control_rig_if_any.steps(armature)
    if held is not None and motion.skeleton.names == held.rig.names:
        written = write_controls.steps(
            context, armature, held, motion, start, name, frame, play, spacing, keyed=keyed
        )
        return (yield from written)
    rig = read_rig(armature)
    skeleton = _matching(rig, motion, armature.name)
    locations, rotations = yield from apart(_basis_of, rig, frame, motion, skeleton)
    action, slot, bag = actions.new_action(armature, name)
    frames = (start + spacing * np.arange(len(motion))).astype(np.float32)
    for bone, bone_name in enumerate(rig.names):
        yield bone / len(rig.names)
        if keyed is not None and bone_name not in keyed and _rests(locations[:, bone], rotations[:, bone]):
            continue
        group = bag.groups.new(bone_name)
        prefix = f'pose.bones["{bpy.utils.escape_identifier(bone_name)}"].'
        mode = rig.modes[bone]
        values = yield from apart(rotation_modes.from_quaternions, rotations[:, bone], mode)
        yield from write_property(bag, group, prefix + rotation_modes.path_of(mode), frames, values)
        moves = locations[:, bone]
        if np.abs(moves).max() > _MAX_STILL_CHANGE or np.abs(rig.location[bone]).max() > 0:
            yield from write_property(bag, group, prefix + "location", frames, moves)
    _set_range(action, start, start + spacing * (len(motion) - 1))
    if play:
        yield from _play(context, armature, action, slot)
    return action


def _set_range(action: bpy.types.Action, start: float, end: float) -> None:
    action.use_frame_range = True
    action.frame_start, action.frame_end = start, end


def _play(
    context: bpy.types.Context,
    armature: bpy.types.Object,
    action: bpy.types.Action,
    slot: bpy.types.ActionSlot,
) -> Steps[None]:
    yield DRAW
    actions.assign(armature, action, slot)
    yield DRAW
    refresh(context.scene)
    yield DRAW


def _basis_of(rig: Rig, frame: ArmatureFrame, motion: Motion, skeleton: Skeleton) -> tuple[Array, Array]:
    inside = frame.armature_motion(motion, skeleton)
    return rig.basis_from_local(inside.rotations, inside.local_translations())


def _solved(
    held: ControlRig, frame: ArmatureFrame, motion: Motion, skeleton: Skeleton
) -> tuple[Array, Array]:
    return solve(held, *frame.armature_motion(motion, skeleton).model())


def _rests(locations: Array, rotations: Array) -> bool:
    """Whether a bone with these bases (F, 3) and (F, 4) stays at rest."""
    turned = np.abs(rotations[:, 1:]).max(initial=0.0)
    return bool(max(turned, np.abs(locations).max(initial=0.0)) <= _MAX_STILL_CHANGE)


@stepwise
def write_controls(
    context: bpy.types.Context,
    armature: bpy.types.Object,
    held: ControlRig,
    motion: Motion,
    start: int,
    name: str,
    frame: ArmatureFrame,
    play: bool = True,
    spacing: float = 1.0,
    leave: Collection[str] = (),
    keyed: Collection[str] | None = None,
) -> Steps[bpy.types.Action]:
    """Write a motion of the joints of a control rig as keys of its controls, and of its switches.

    What else moves the body is keyed at rest where it is not there. `leave` names controls to leave alone;
    where `keyed` names bones, others of fingers, face and tail are keyed only if they leave their rest.
    """
    rig, pose = held.rig.skeleton, armature.pose.bones
    rotations, locations = yield from apart(_solved, held, frame, motion, rig)
    resting = [
        bone for bone in held.others if pose[bone].matrix_basis != Matrix() or bone in _moving(armature)
    ]
    action, slot, bag = actions.new_action(armature, name)
    frames = (start + spacing * np.arange(len(motion))).astype(np.float32)
    for c, control in enumerate(held.controls):
        yield c / len(held.controls)
        aside = keyed is not None and control.bone not in keyed and held.is_free(control)
        if control.bone in leave or (aside and _rests(locations[:, c], rotations[:, c])):
            continue
        away = np.abs(locations[:, c]).max()
        moves = control.moves and (control.is_base or away > MIN_LOCATION * rig.height)
        yield from _write_bone(
            bag, pose[control.bone], frames, rotations[:, c], locations[:, c] if moves else None
        )
    for bone in resting:
        yield from _write_bone(bag, pose[bone], frames[:1], quat.IDENTITY[None], np.zeros((1, 3)))
    for switch, value in held.switches.items():
        group = bag.groups.get(switch.bone) or bag.groups.new(switch.bone)
        _write_curve(bag, group, switch.path, -1, frames[:1], np.array([value]))
    for switch, value in held.switches.items():  # what stands on the bones is changed last
        pose[switch.bone][switch.key] = type(pose[switch.bone][switch.key])(value)
    _set_range(action, start, start + spacing * (len(motion) - 1))
    if play:
        yield from _play(context, armature, action, slot)
    return action


def carry_on(
    armature: bpy.types.Object, old: bpy.types.Action, new: bpy.types.Action, shift: float = 0.0
) -> None:
    """On a control rig, let a new Action play what the old one plays of face, ears and tail by itself.

    It does so `shift` frames later, with the old one's keys: how such controls are posed need not follow from
    what they do to joints. On another armature the motion itself holds all bones.
    """
    own, moved = _own_controls(armature, old)
    if moved is None:
        return
    bag, made = (
        actions.channelbag(old, actions.slot_for(old, armature)),
        actions.channelbag(new, new.slots[0]),
    )
    for curve in [one for one in made.fcurves if (actions.bone_channel(one.data_path) or ("",))[0] in own]:
        made.fcurves.remove(curve)
    curves = [one for one in bag.fcurves if one.data_path.startswith("pose.bones[")]
    take_over(made, curves, moved, shift)


def own_controls(armature: bpy.types.Object, action: bpy.types.Action) -> frozenset[str]:
    """The controls of face, ears and tail that an Action moves by itself; none without a control rig."""
    return _own_controls(armature, action)[0]


def _own_controls(
    armature: bpy.types.Object, action: bpy.types.Action
) -> tuple[frozenset[str], set[str] | None]:
    """These, and all bones that the body moves; None for the bones of another armature."""
    held = control_rig_if_any(armature)
    if held is None:
        return frozenset(), None
    fitted = next((one for one in actions.ancestry(action) if one.takemill.performer), None)
    moved = set(json.loads(fitted.takemill.moved or "[]")) if fitted else set()
    moved |= {one.bone for one in held.controls if not held.is_free(one)} | held.others
    bag = actions.channelbag(action, actions.slot_for(action, armature))
    return frozenset({one.bone for one in bone_curves(bag)} - moved), moved


def _moving(armature: bpy.types.Object) -> frozenset[str]:
    """The bones that the active Action of an armature has keys for."""
    data = armature.animation_data
    bag = actions.channelbag(data.action, data.action_slot) if data and data.action_slot else None
    return frozenset(one.bone for one in bone_curves(bag)) if bag else frozenset()


def _write_bone(
    bag, bone: bpy.types.PoseBone, frames: Array, rotations: Array, locations: Array | None
) -> Steps[None]:
    """The rotation (F, 4) of a bone in its own mode, and its location (F, 3)."""
    group = bag.groups.get(bone.name) or bag.groups.new(bone.name)
    prefix = f'pose.bones["{bpy.utils.escape_identifier(bone.name)}"].'
    values = yield from apart(rotation_modes.from_quaternions, rotations, bone.rotation_mode)
    path = rotation_modes.path_of(bone.rotation_mode)
    yield from write_property(bag, group, prefix + path, frames, values)
    if locations is not None:
        yield from write_property(bag, group, prefix + "location", frames, locations)


def refresh(scene: bpy.types.Scene) -> None:
    """Show keys that were written in bulk: Blender notices them when the frame is set."""
    scene.frame_set(scene.frame_current, subframe=scene.frame_subframe)


def _matching(rig: Rig, motion: Motion, armature_name: str):
    """The rig's skeleton, which must have the motion's joints in the motion's order."""
    if motion.skeleton.names == rig.names and motion.skeleton.parents == rig.parents:
        return rig.skeleton
    missing = [name for name in motion.skeleton.names if name not in rig.names]
    if missing:
        raise InputError(f"armature {armature_name!r}: it has no bone {missing[0]!r} for this motion")
    raise InputError(
        f"armature {armature_name!r}: its bones are no longer those that the motion was made for"
    )


def write_property(bag, group, path: str, frames: Array, values: Array) -> Steps[None]:
    """One F-curve for each component of (F, width); a property that does not change gets one key each."""
    if np.abs(values - values[0]).max() <= _MAX_STILL_CHANGE:
        frames, values = frames[:1], values[:1]
    for index in range(values.shape[1]):
        _write_curve(bag, group, path, index, frames, values[:, index])
        yield None


def _write_curve(bag, group, path: str, index: int, frames: Array, values: Array) -> None:
    curve = bag.fcurves.new(path, index=index) if index >= 0 else bag.fcurves.new(path)
    curve.group = group
    _write_keys(curve.keyframe_points, frames, values)


def _write_keys(points, frames: Array, values: Array) -> None:
    """Keys in bulk, straight lines between; handles a third of a frame away, should they become curves."""
    points.add(len(frames))
    keys = np.stack([frames, values], axis=-1).astype(np.float32)
    points.foreach_set("co", keys.ravel())
    points.foreach_set("interpolation", np.full(len(frames), _LINEAR, np.uint8))
    third = (frames[1] - frames[0]) / 3 if len(frames) > 1 else 1 / 3
    keys[:, 0] -= third
    points.foreach_set("handle_left", keys.ravel())
    keys[:, 0] += 2 * third
    points.foreach_set("handle_right", keys.ravel())
