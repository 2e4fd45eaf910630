"""An Action on an armature -> a Motion in world metres.

By its F-curves in bulk where they tell the whole pose; otherwise, frame by frame, by Blender's evaluation,
and the reasons are kept so that the panel can say them.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass

import bpy
import numpy as np

from takemill import kinematics, quat
from takemill.checks import Array
from takemill.errors import InputError
from takemill.motion import Motion

from . import actions, rotation_modes, scene_time
from .rig import ArmatureFrame, Rig, motion_of, read_rig

_WIDTHS = {"location": 3, "scale": 3, **rotation_modes.WIDTHS}
_SCALED = 1e-4
_TRANSFORM = ("location", "rotation_quaternion", "rotation_axis_angle", "rotation_euler", "scale")


@dataclass(frozen=True)
class Take:
    """One Action as arrays.

    Attributes:
        name: of the Action.
        rig: the armature's bones.
        frame: the armature object's place in the world.
        start: the scene frame that is the motion's frame 0.
        motion: world metres, Z-up.
        evaluated: why Blender had to evaluate the pose; empty when the F-curves were enough.
        unscaled: bones whose scale the motion does not hold.
    """

    name: str
    rig: Rig
    frame: ArmatureFrame
    start: int
    motion: Motion
    evaluated: tuple[str, ...]
    unscaled: tuple[str, ...]


def read_take(context: bpy.types.Context, armature: bpy.types.Object, action: bpy.types.Action) -> Take:
    """The motion that `action` gives `armature`, at the scene's frame rate, on whole frames.

    Raises:
        InputError: no pose curves, no whole frame between the keys, or a scale that cannot be read.
    """
    rig, slot = read_rig(armature), actions.slot_for(action, armature)
    bag = actions.channelbag(action, slot)
    frames = take_frames(action, bag)
    values = _channel_values(rig, bag, frames)
    reasons = evaluation_reasons(armature, action, slot) + _scale_reasons(rig, values)
    frame = ArmatureFrame.of(armature)
    if reasons:
        local = _evaluated(context, armature, action, slot, frames, rig)
    else:
        local = _from_curves(rig, values, len(frames))
    rate = scene_time.frame_rate(context.scene)
    inside = motion_of(rig.skeleton, rate, *local)
    motion = frame.world_motion(inside, frame.world_skeleton(rig.skeleton))
    return Take(action.name, rig, frame, frames.start, motion, reasons, _scaled_bones(rig, values))


def take_frames(action: bpy.types.Action, bag) -> range:
    """The whole scene frames of `action`: its range when set by hand, else that of its keys in `bag`.

    Raises:
        InputError: no whole frame lies in it.
    """
    if action.use_frame_range:
        first, last = action.frame_start, action.frame_end
    else:
        ends = [c.range() for c in bag.fcurves if actions.bone_channel(c.data_path) and not c.is_empty]
        first, last = (min(e[0] for e in ends), max(e[1] for e in ends)) if ends else (0.0, -1.0)
    frames = scene_time.whole_frames(first, last)
    if not frames:
        raise InputError(f"action {action.name!r}: no whole frame lies between its first and last key")
    return frames


def evaluation_reasons(armature: bpy.types.Object, action: bpy.types.Action, slot) -> tuple[str, ...]:
    """Why the F-curves of `action` alone do not tell the pose; empty when they do."""
    data, bag = armature.animation_data, actions.channelbag(action, slot)
    held = [b.name for b in armature.pose.bones if any(_acts(c) for c in b.constraints)]
    curves = [curve for curve in bag.fcurves if actions.bone_channel(curve.data_path)]
    found = {
        f"constraints on {len(held)} bones ({', '.join(held[:3])}{', ...' if held[3:] else ''})": held,
        "drivers": data and any("pose.bones" in driver.data_path for driver in data.drivers),
        "NLA strips": data and data.use_nla and any(t.strips and not t.mute for t in data.nla_tracks),
        "modifiers on F-curves": any(m for curve in curves for m in curve.modifiers if not m.mute),
        "muted F-curves": any(curve.mute or (curve.group and curve.group.mute) for curve in curves),
        "keys on the armature object itself": any(c.data_path in _TRANSFORM for c in bag.fcurves),
    }
    return tuple(reason for reason, holds in found.items() if holds)


def _acts(constraint) -> bool:
    return not constraint.mute and constraint.influence > 0


def _scaled_bones(rig: Rig, values: dict[tuple[int, str], Array]) -> tuple[str, ...]:
    return tuple(
        name
        for bone, name in enumerate(rig.names)
        if np.abs(values.get((bone, "scale"), rig.scale[bone]) - 1).max() > _SCALED
    )


def _scale_reasons(rig: Rig, values: dict[tuple[int, str], Array]) -> tuple[str, ...]:
    """A scale moves the bones below it; on a bone without children it only shapes the mesh."""
    scaled = [n for n in _scaled_bones(rig, values) if rig.parent_of_any[rig.names.index(n)]]
    return (f"scale of {len(scaled)} bones ({', '.join(scaled[:3])})",) if scaled else ()


def _channel_values(rig: Rig, bag, frames: range) -> dict[tuple[int, str], Array]:
    """(bone, property) -> (F, width) for the properties with curves, unkeyed components as they are now."""
    place = {name: index for index, name in enumerate(rig.names)}
    wanted = np.arange(frames.start, frames.stop, dtype=np.float32)
    out: dict[tuple[int, str], Array] = {}
    for curve in bag.fcurves:
        channel = actions.bone_channel(curve.data_path)
        if channel is None or channel[0] not in place or channel[1] not in _WIDTHS or curve.is_empty:
            continue
        bone, path = place[channel[0]], channel[1]
        if (bone, path) not in out:
            out[bone, path] = np.repeat(_property(rig, bone, path)[None], len(frames), axis=0)
        out[bone, path][:, curve.array_index] = _curve_values(curve, wanted)
    for (bone, path), values in out.items():
        if not np.isfinite(values).all():
            raise InputError(f"bone {rig.names[bone]!r}: its {path} keys hold a value that is no number")
    return out


def _property(rig: Rig, bone: int, path: str) -> Array:
    """What the unkeyed components of a property hold now."""
    if path in ("location", "scale"):
        return getattr(rig, path)[bone]
    mode = rig.modes[bone]
    if rotation_modes.path_of(mode) != path:
        return np.zeros(_WIDTHS[path])  # of another rotation mode: Blender ignores it, and so do we
    return rig.rotation_values[bone, : _WIDTHS[path]]


def _curve_values(curve, wanted: Array) -> Array:
    """The curve on whole frames (F,): its keys as they are when there is one on each, else interpolated."""
    points = curve.keyframe_points
    keys = np.empty(len(points) * 2, np.float32)
    points.foreach_get("co", keys)
    frames, values = keys[0::2], keys[1::2]
    first = int(np.searchsorted(frames, wanted[0])) if len(frames) else 0
    if np.array_equal(frames[first : first + len(wanted)], wanted):
        return values[first : first + len(wanted)]
    return np.array([curve.evaluate(frame) for frame in wanted])


def _from_curves(rig: Rig, values: dict[tuple[int, str], Array], count: int) -> tuple[Array, Array]:
    locations = np.repeat(rig.location[None], count, axis=0)
    rotations = np.repeat(rig.rotation[None], count, axis=0)
    for (bone, path), channel in values.items():
        if path == "location":
            locations[:, bone] = channel
        elif path == rotation_modes.path_of(rig.modes[bone]):
            rotations[:, bone] = rotation_modes.to_quaternions(channel, rig.modes[bone])
    return rig.local_from_basis(locations, rotations)


def _evaluated(context, armature, action, slot, frames: range, rig: Rig) -> tuple[Array, Array]:
    """Local rotations and translations (F, J, ...) in the armature's present space, by playing the scene."""
    if not armature.visible_get(view_layer=context.view_layer):
        raise InputError(
            f"armature {armature.name!r}: its pose must be evaluated, and Blender does not evaluate "
            "hidden objects; show it and try again"
        )
    count = len(rig.names)
    poses = np.empty((len(frames), count * 16), np.float32)
    objects = np.empty((len(frames), 4, 4))
    with playing(context, armature, action, slot):
        for index, frame in enumerate(frames):
            context.scene.frame_set(frame)
            armature.pose.bones.foreach_get("matrix", poses[index])
            objects[index] = armature.matrix_basis
    pose = poses.reshape(len(frames), count, 4, 4).swapaxes(-1, -2).astype(np.float64)
    # Keys on the object become movement of the root bones, in the space where the object stands now.
    pose = (np.linalg.inv(np.array(armature.matrix_basis)) @ objects)[:, None] @ pose
    return kinematics.local_from_model(rig.parents, _turns(pose[..., :3, :3]), pose[..., :3, 3])


@contextmanager
def playing(context, armature, action, slot) -> Iterator[None]:
    """The scene with `armature` posed by `action`; afterwards everything is as it was."""
    scene, data = context.scene, armature.animation_data_create()
    if data.use_tweak_mode:
        raise InputError(f"armature {armature.name!r}: leave the tweak mode of its NLA strip and try again")
    before = data.action, data.action_slot, scene.frame_current, scene.frame_subframe
    rest, armature.data.pose_position = armature.data.pose_position, "POSE"
    transform = {name: tuple(getattr(armature, name)) for name in _TRANSFORM}
    actions.assign(armature, action, slot)
    try:
        yield
    finally:
        data.action = before[0]
        if before[0] is not None:
            data.action_slot = before[1]
        armature.data.pose_position = rest
        for name, value in transform.items():
            setattr(armature, name, value)
        scene.frame_set(before[2], subframe=before[3])


def _turns(linear: Array) -> Array:
    """The rotations (..., 4) in matrices that may be scaled and sheared, the bone's own axis (Y) kept."""
    y = linear[..., 1] / np.linalg.norm(linear[..., 1], axis=-1, keepdims=True)
    z = np.cross(linear[..., 0], y)
    z /= np.linalg.norm(z, axis=-1, keepdims=True)
    return quat.from_matrix(np.stack([np.cross(y, z), y, z], axis=-1))
