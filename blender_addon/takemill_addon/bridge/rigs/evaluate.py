"""The poses that Blender's evaluation gives an armature, frame by frame: constraints, drivers, NLA and all.

They are evaluated in a scene of their own, which holds the armature and what its pose depends on: no mesh is
deformed for it and nothing is drawn. What depends on more (handlers of scripts, physics) differs from the
user's scene on some frame of a few; then the user's own scene is played.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from typing import NamedTuple

import bpy
import numpy as np

from takemill.base.checks import Array
from takemill.base.errors import InputError

from ..scene import actions
from ..scene.steps import DRAW, Steps
from .rig import Rig, read_rig, set_pose

_LOOKS = 3  # frames that are compared with the user's scene: the first, the middle and the last one
_MAX_OFF = 1e-4  # of the rig's size, or parts of a matrix: single precision leaves about 1e-6
_TRANSFORM = ("location", "rotation_quaternion", "rotation_axis_angle", "rotation_euler", "scale")


class Poses(NamedTuple):
    """Pose matrices of all N bones (F, N, 4, 4) in armature space, and the object's own (F, 4, 4)."""

    bones: Array
    objects: Array

    @classmethod
    def empty(cls, frames: int, bones: int) -> Poses:
        return cls(np.empty((frames, bones, 4, 4), np.float32), np.empty((frames, 4, 4), np.float32))

    def read(self, index: int, armature: bpy.types.Object) -> None:
        """Take the pose of `armature`, or of its evaluated twin, as that of a frame."""
        armature.pose.bones.foreach_get("matrix", self.bones[index].reshape(-1))
        self.objects[index] = armature.matrix_basis


def evaluated_poses(
    context: bpy.types.Context, armature: bpy.types.Object, action, slot, frames: range, rig: Rig
) -> Steps[Poses]:
    """How `action` poses `armature` on whole frames; `rig` says how bones are posed that it does not key.

    Raises:
        InputError: the armature is not evaluated at all, or in tweak mode.
    """
    out = Poses.empty(len(frames), len(armature.pose.bones))
    looks = np.unique(np.linspace(0, len(frames) - 1, _LOOKS).round().astype(int))
    with play_action(context, armature, action, slot):
        if len(rig.names) == len(armature.pose.bones):
            set_pose(armature, rig)
        shown = armature.visible_get(view_layer=context.view_layer)
        seen = Poses.empty(len(looks), len(armature.pose.bones))
        for index in range(len(looks) if shown else 0):
            yield DRAW  # meshes of the user's scene can take as long as a slice
            context.scene.frame_set(frames[int(looks[index])])
            seen.read(index, armature)
        with _own_scene(context.scene, armature) as scene:
            layer = scene.view_layers[0]
            yield DRAW  # the first evaluation copies the Action
            for index, frame in enumerate(frames):
                scene.frame_current = frame
                layer.update()
                out.read(index, armature.evaluated_get(layer.depsgraph))
                yield index / len(frames)
        if shown and not _same(seen, Poses(out.bones[looks], out.objects[looks])):
            for index, frame in enumerate(frames):
                context.scene.frame_set(frame)
                out.read(index, armature)
                yield index / len(frames)
    return out


def _same(a: Poses, b: Poses) -> bool:
    """Whether two evaluations of some frames are of the same poses."""
    size = max(float(np.ptp(a.bones[..., :3, 3], axis=1).max()), 1e-9)
    scale = np.ones(4)
    scale[3] = 1 / size  # the column of places
    bones = float(np.abs((a.bones - b.bones) * scale).max())
    return bones < _MAX_OFF and float(np.abs((a.objects - b.objects) * scale).max()) < _MAX_OFF


@contextmanager
def _own_scene(like: bpy.types.Scene, armature: bpy.types.Object) -> Iterator[bpy.types.Scene]:
    """A scene that holds the armature alone and keeps time as another does.

    Raises:
        InputError: the armature is switched off in all viewports.
    """
    if armature.hide_viewport:
        raise InputError(
            f"armature {armature.name!r}: its pose must be evaluated, and Blender does not evaluate "
            "objects that are disabled in viewports; enable it and try again"
        )
    scene = bpy.data.scenes.new("takemill")
    try:
        for name in ("fps", "fps_base", "frame_map_old", "frame_map_new"):
            setattr(scene.render, name, getattr(like.render, name))
        scene.use_gravity, scene.gravity = like.use_gravity, like.gravity
        scene.collection.objects.link(armature)
        yield scene
    finally:
        bpy.data.scenes.remove(scene)


@contextmanager
def play_action(context, armature, action, slot) -> Iterator[None]:
    """The scene with `armature` posed by `action`; afterwards everything is as it was."""
    scene, data = context.scene, armature.animation_data_create()
    if data.use_tweak_mode:
        raise InputError(f"armature {armature.name!r}: leave the tweak mode of its NLA strip and try again")
    before, posed = (data.action, data.action_slot), read_rig(armature)
    shown = scene.frame_current, scene.frame_subframe
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
        set_pose(armature, posed)
        for name, value in transform.items():
            setattr(armature, name, value)
        scene.frame_set(shown[0], subframe=shown[1])
