"""An Action on an armature -> a Motion in world metres.

By its F-curves in bulk where they give the whole pose; otherwise, frame by frame, by Blender's evaluation,
and the reasons are kept so that the panel can say them.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import bpy
import numpy as np

from takemill.base.checks import Array
from takemill.base.errors import InputError
from takemill.body.motion import Motion
from takemill.maths import kinematics, quat

from ..rigs import rotation_modes
from ..rigs.bone_curves import BoneCurve, Channels, bone_curves, read_channels
from ..rigs.control_rigs import control_rig_if_any
from ..rigs.evaluate import Poses, evaluated_poses
from ..rigs.rig import ArmatureFrame, Rig, motion_of, read_rig
from ..scene import actions, scene_time
from ..scene.steps import Steps, apart, stepwise, within

_TRANSFORM = ("location", "rotation_quaternion", "rotation_axis_angle", "rotation_euler", "scale")


@dataclass(frozen=True)
class Take:
    """One Action as arrays.

    Attributes:
        name: of the Action.
        rig: the armature's bones.
        frame: from the armature's own space to the motion's.
        start: the scene frame that is the motion's frame 0.
        motion: metres, Z-up, in world space or another that `frame` leads to.
        evaluated: why Blender had to evaluate the pose; empty when the F-curves were enough.
        unscaled: bones whose scale the motion does not hold.
        keyed: the bones that have keys.
    """

    name: str
    rig: Rig
    frame: ArmatureFrame
    start: int
    motion: Motion
    evaluated: tuple[str, ...]
    unscaled: tuple[str, ...]
    keyed: frozenset[str]


@stepwise
def read_take(
    context: bpy.types.Context,
    armature: bpy.types.Object,
    action: bpy.types.Action,
    frame: ArmatureFrame | None = None,
) -> Steps[Take]:
    """The motion that `action` gives `armature`, at the scene's frame rate, on whole frames.

    In world space, or in the space that `frame` leads to. Of a control rig it is the motion of the joints
    that its controls pose.

    Raises:
        InputError: no pose curves, no whole frame between the keys, or a scale that cannot be read.
    """
    frame = frame or ArmatureFrame.of(armature)
    held = yield from control_rig_if_any.steps(armature)
    rig = held.rig if held else read_rig(armature)
    take = yield from read_in_armature.steps(context, armature, action, rig)
    motion = yield from apart(_in_world, frame, take)
    return replace(take, motion=motion, frame=frame)


def _in_world(frame: ArmatureFrame, take: Take) -> Motion:
    return frame.world_motion(take.motion, frame.world_skeleton(take.rig.skeleton))


@stepwise
def read_in_armature(
    context: bpy.types.Context, armature: bpy.types.Object, action: bpy.types.Action, rig: Rig
) -> Steps[Take]:
    """As `read_take`, but with the motion and the frame in the space of `armature`.

    `rig` is its bones, and says how those that the Action does not key are posed.
    """
    slot = actions.slot_for(action, armature)
    bag = actions.channelbag(action, slot)
    curves = bone_curves(bag)
    frames = _frames(action, curves)
    channels = yield from within(read_channels.steps(rig, curves, frames), 0.0, 0.5)
    scaled = channels.scaled[rig.parent_of_any[channels.scaled]]  # others only shape the mesh
    reasons = evaluation_reasons(armature, bag, [one.curve for one in curves])
    if len(scaled):
        reasons += (f"scale of {len(scaled)} bones ({', '.join(rig.names[bone] for bone in scaled[:3])})",)
    if reasons:
        evaluated = _evaluated(context, armature, action, slot, frames, rig)
        local = yield from within(evaluated, 0.5, 1.0)
    else:
        local = yield from apart(_local_from_curves, rig, channels)
    motion = yield from apart(motion_of, rig.skeleton, scene_time.frame_rate(context.scene), *local)
    unscaled = tuple(rig.names[bone] for bone in channels.scaled)
    keyed = frozenset(one.bone for one in curves)
    return Take(action.name, rig, ArmatureFrame.none(), frames.start, motion, reasons, unscaled, keyed)


def _local_from_curves(rig: Rig, channels: Channels) -> tuple[Array, Array]:
    return rig.local_from_basis(channels.location, quaternions_of(rig, channels.rotation))


def take_frames(action: bpy.types.Action, bag) -> range:
    """The whole scene frames of `action`: its range when set by hand, else that of its keys in `bag`.

    Raises:
        InputError: no whole frame lies in it.
    """
    return _frames(action, bone_curves(bag))


def _frames(action: bpy.types.Action, curves: list[BoneCurve]) -> range:
    if not action.use_frame_range:
        return key_frames(action, curves)
    return _expect_frames(action, action.frame_start, action.frame_end)


def frames_of(action: bpy.types.Action, armature: bpy.types.Object) -> range:
    """The whole scene frames of `action` on `armature`.

    Raises:
        InputError: it has no keys on the armature's bones, or no whole frame lies between them.
    """
    return take_frames(action, actions.channelbag(action, actions.slot_for(action, armature)))


def key_frames(action: bpy.types.Action, curves: list[BoneCurve]) -> range:
    """The whole scene frames from the first to the last key of `curves`.

    Raises:
        InputError: no whole frame lies in it.
    """
    first, last = zip(*[one.curve.range() for one in curves], strict=True) if curves else ((0.0,), (-1.0,))
    return _expect_frames(action, min(first), max(last))


def _expect_frames(action: bpy.types.Action, first: float, last: float) -> range:
    frames = scene_time.whole_frames(first, last)
    if not frames:
        raise InputError(f"action {action.name!r}: no whole frame lies between its first and last key")
    return frames


def evaluation_reasons(armature: bpy.types.Object, bag, curves: list[bpy.types.FCurve]) -> tuple[str, ...]:
    """Why `curves`, those of bones in `bag`, do not give the whole pose; empty when they do."""
    data = armature.animation_data
    held = [b.name for b in armature.pose.bones if b.constraints and any(_acts(c) for c in b.constraints)]
    shaped = [curve for curve in curves if curve.modifiers]
    muted = any(group.mute for group in bag.groups)  # a list is looked through quicker than a generator
    found = {
        f"constraints on {len(held)} bones ({', '.join(held[:3])}{', ...' if held[3:] else ''})": held,
        "drivers": data and any("pose.bones" in driver.data_path for driver in data.drivers),
        "NLA strips": data and data.use_nla and any(t.strips and not t.mute for t in data.nla_tracks),
        "modifiers on F-curves": any(m for curve in shaped for m in curve.modifiers if not m.mute),
        "muted F-curves": [
            1 for curve in curves if curve.mute or (muted and curve.group and curve.group.mute)
        ],
        "keys on the armature object itself": [1 for c in bag.fcurves if c.data_path in _TRANSFORM],
    }
    return tuple(reason for reason, holds in found.items() if holds)


def _acts(constraint) -> bool:
    return not constraint.mute and constraint.influence > 0


def quaternions_of(rig: Rig, values: Array) -> Array:
    """Rotation channels (F, J, 4) -> quaternions (F, J, 4), all bones of a mode at once."""
    modes = set(rig.modes)
    if len(modes) == 1:
        (mode,) = modes
        return rotation_modes.to_quaternions(values[..., : rotation_modes.width_of(mode)], mode)
    out = np.empty_like(values)
    for mode in modes:
        bones = [bone for bone, other in enumerate(rig.modes) if other == mode]
        out[:, bones] = rotation_modes.to_quaternions(values[:, bones, : rotation_modes.width_of(mode)], mode)
    return out


def _evaluated(context, armature, action, slot, frames: range, rig: Rig) -> Steps[tuple[Array, Array]]:
    """Local rotations and translations (F, J, ...) in the armature's present space, as Blender evaluates."""
    mine = [armature.pose.bones.find(name) for name in rig.names]
    stands = np.array(armature.matrix_basis)
    poses = yield from evaluated_poses(context, armature, action, slot, frames, rig)
    return (yield from apart(_local_of, poses, mine, stands, rig.parents))


def _local_of(poses: Poses, mine: list[int], stands: Array, parents: tuple[int, ...]) -> tuple[Array, Array]:
    pose = poses.bones[:, mine].swapaxes(-1, -2).astype(np.float64)
    # Keys on the object become movement of the root bones, in the space where the object stands now.
    pose = (np.linalg.inv(stands) @ poses.objects.astype(np.float64))[:, None] @ pose
    return kinematics.local_from_model(parents, _turns(pose[..., :3, :3]), pose[..., :3, 3])


def _turns(linear: Array) -> Array:
    """The rotations (..., 4) in matrices that may be scaled and sheared, the bone's own axis (Y) kept."""
    y = linear[..., 1] / np.linalg.norm(linear[..., 1], axis=-1, keepdims=True)
    z = np.cross(linear[..., 0], y)
    z /= np.linalg.norm(z, axis=-1, keepdims=True)
    return quat.from_matrix(np.stack([np.cross(y, z), y, z], axis=-1))
