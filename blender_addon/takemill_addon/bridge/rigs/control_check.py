"""Whether a control rig does what its keys ask for: its evaluated bones beside the motion that was meant."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager

import bpy
import numpy as np

from takemill.base.errors import InputError
from takemill.body.motion import Motion

from ..scene.steps import Steps, apart, stepwise
from .controls import ControlRig
from .rig import read_rig, set_pose

_MAX_OFF = 0.01  # of the rig's size: 2 cm of a person; a limb that does not follow is off by far more
_SAMPLES = 12  # frames that are looked at, over the whole motion


@stepwise
def expect_followed(
    context: bpy.types.Context,
    armature: bpy.types.Object,
    held: ControlRig,
    motion: Motion,
    start: int,
) -> Steps[None]:
    """Insist that the joints of a rig lie where a motion in armature space, which is being played, has them.

    Raises:
        InputError: one does not; the message names it and what holds it.
    """
    scene, bones = context.scene, armature.pose.bones
    shown = scene.frame_current, scene.frame_subframe
    posers = [one for one in held.controls if one.joint >= 0 and not held.is_free(one)]
    joints = [one.joint for one in posers]
    frames = np.unique(np.linspace(0, len(motion) - 1, _SAMPLES).round().astype(int))
    wanted = (yield from apart(motion.model))[1][frames][:, joints]
    found = np.empty_like(wanted)
    try:
        for row, frame in enumerate(frames):
            scene.frame_set(start + int(frame))
            found[row] = [tuple(bones[held.rig.names[k]].matrix.translation) for k in joints]
            yield None
    finally:
        scene.frame_set(shown[0], subframe=shown[1])
    off = np.linalg.norm(found - wanted, axis=-1).max(axis=0)
    worst = int(np.argmax(off))
    size = held.rig.skeleton.height
    if off[worst] > _MAX_OFF * size:
        first = next(k for k in range(len(joints)) if off[k] > _MAX_OFF * size)  # what hangs on it is off too
        above = held.rig.parents[joints[first]]
        about = [one for one in posers if one.joint in (above, joints[first])]
        limits = [
            f"{one.name!r} of {bones[control.bone].name!r}"
            for control in about
            for one in bones[control.bone].constraints
            if not one.mute
        ]
        held_by = f", held by the constraint {limits[0]}" if limits else ""
        raise InputError(
            f"armature {armature.name!r}: {held.rig.names[joints[first]]!r} does not follow its control"
            f"{held_by}, and is up to {100 * off[first] / size:.0f} % of the character's height off; mute "
            "what holds it and try again"
        )


@contextmanager
def undone(context: bpy.types.Context, armature: bpy.types.Object) -> Iterator[None]:
    """What is done inside is taken back if it fails: Actions, the pose, numbers kept with bones."""
    data = armature.animation_data
    played = (data.action, data.action_slot) if data else (None, None)
    before, posed = set(bpy.data.actions), read_rig(armature)
    values = {
        bone.name: {key: value for key, value in bone.items() if isinstance(value, (int, float, bool))}
        for bone in armature.pose.bones
    }
    try:
        yield
    except BaseException:
        if armature.animation_data:
            armature.animation_data.action = played[0]
            if played[0]:
                armature.animation_data.action_slot = played[1]
        for action in set(bpy.data.actions) - before:
            bpy.data.actions.remove(action)
        for bone in armature.pose.bones:
            for key, value in values[bone.name].items():
                bone[key] = value
        set_pose(armature, posed)
        context.scene.frame_set(context.scene.frame_current, subframe=context.scene.frame_subframe)
        raise
