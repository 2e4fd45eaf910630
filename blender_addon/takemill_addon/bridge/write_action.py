"""A Motion in world metres -> a new Action beside the old ones, in each bone's own rotation mode.

The Action has a key on every frame for what moves and one key for what does not, so that a pose left over
from another Action never shows through. Bones that the Action is not about, and that rest, get no key.
"""

from __future__ import annotations

from collections.abc import Collection

import bpy
import numpy as np

from takemill.base.checks import Array
from takemill.base.errors import InputError
from takemill.body.motion import Motion

from . import actions, rotation_modes
from .rig import ArmatureFrame, Rig, read_rig

_MAX_STILL_CHANGE = 1e-6  # radians, quaternion parts or armature units: float32 does not resolve less
_LINEAR = 1  # Blender's number for Keyframe.interpolation, as foreach_set takes it


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
) -> bpy.types.Action:
    """Write `motion` for `armature` from scene frame `start` on, and let the armature `play` it.

    The motion is in world space, or in the space that `frame` leads to from the armature's; its frames lie
    `spacing` scene frames apart. Where `keyed` names bones, others are keyed only if they leave their rest.

    Raises:
        InputError: the motion's joints are not the armature's bones, or one cannot move so.
    """
    rig, frame = read_rig(armature), frame or ArmatureFrame.of(armature)
    inside = frame.armature_motion(motion, _matching(rig, motion, armature.name))
    locations, rotations = rig.basis_from_local(inside.rotations, inside.local_translations())
    action, slot, bag = actions.new_action(armature, name)
    frames = (start + spacing * np.arange(len(motion))).astype(np.float32)
    for bone, bone_name in enumerate(rig.names):
        if keyed is not None and bone_name not in keyed and _rests(locations[:, bone], rotations[:, bone]):
            continue
        group = bag.groups.new(bone_name)
        prefix = f'pose.bones["{bpy.utils.escape_identifier(bone_name)}"].'
        mode = rig.modes[bone]
        values = rotation_modes.from_quaternions(rotations[:, bone], mode)
        _write_property(bag, group, prefix + rotation_modes.path_of(mode), frames, values)
        moves = locations[:, bone]
        if np.abs(moves).max() > _MAX_STILL_CHANGE or np.abs(rig.location[bone]).max() > 0:
            _write_property(bag, group, prefix + "location", frames, moves)
    action.use_frame_range = True
    action.frame_start, action.frame_end = start, start + spacing * (len(motion) - 1)
    if play:
        actions.assign(armature, action, slot)
        refresh(context.scene)
    return action


def _rests(locations: Array, rotations: Array) -> bool:
    """Whether a bone with these bases (F, 3) and (F, 4) stays at rest."""
    turned = np.abs(rotations[:, 1:]).max(initial=0.0)
    return bool(max(turned, np.abs(locations).max(initial=0.0)) <= _MAX_STILL_CHANGE)


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


def _write_property(bag, group, path: str, frames: Array, values: Array) -> None:
    """One F-curve for each component of (F, width); a property that does not change gets one key each."""
    if np.abs(values - values[0]).max() <= _MAX_STILL_CHANGE:
        frames, values = frames[:1], values[:1]
    for index in range(values.shape[1]):
        curve = bag.fcurves.new(path, index=index)
        curve.group = group
        _write_keys(curve.keyframe_points, frames, values[:, index])


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
