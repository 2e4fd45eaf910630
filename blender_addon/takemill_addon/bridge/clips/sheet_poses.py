"""A character in some poses of an Action, as meshes that stand still."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import bpy
import numpy as np
from mathutils import Matrix

from takemill.base.checks import Array
from takemill.body.body_map import rest_facing
from takemill.files.stick_mesh import StickMesh, stick_mesh
from takemill.maths import quat

from ..motion.read_action import take_frames
from ..rigs.evaluate import play_action
from ..rigs.export_rig import parts_of
from ..rigs.rig import ArmatureFrame, Rig, read_rig
from ..scene import actions
from ..scene.steps import Steps, stepwise
from ..takes import stage

_FIGURE_TURN_RAD = np.radians(30)  # so that arms and legs in front of the body can be seen (chosen by eye)
_SOLID = {"MESH", "CURVE", "SURFACE", "FONT", "META"}


@dataclass(frozen=True)
class Pose:
    """A character at one moment.

    Attributes:
        frame: the scene's, with its fraction.
        phase: 0 to 1 in the clip.
        meshes: what is to be seen, each with its place: turned to the viewer at -Y, above the origin.
        low, high: (3,) the corners of a box around it.
    """

    frame: float
    phase: float
    meshes: tuple[tuple[bpy.types.Mesh, Matrix], ...]
    low: Array
    high: Array


@stepwise
def poses_of(
    context: bpy.types.Context, armature: bpy.types.Object, action: bpy.types.Action, count: int, loop: bool
) -> Steps[list[Pose]]:
    """The character at `count` even phases of `action`; its meshes are new, and the caller's to remove.

    A loop's last pose is its first again and left out.

    Raises:
        InputError: the Action has no pose curves of the armature, or its frame is skewed.
    """
    slot, rig = actions.slot_for(action, armature), read_rig(armature)
    frames = take_frames(action, actions.channelbag(action, slot))
    phases = np.linspace(0.0, 1.0, count, endpoint=not loop and count > 1)
    parts = [item for item in parts_of(context, armature) if item.type in _SOLID]
    parts = [item for item in parts if item.visible_get(view_layer=context.view_layer)]
    sticks = None if parts else stick_mesh(rig.skeleton)
    out: list[Pose] = []
    try:
        with play_action(context, armature, action, slot):
            context.scene.frame_set(frames.start)
            to_sheet = _to_viewer(armature, rig)
            for phase in phases:
                frame = frames.start + float(phase) * (len(frames) - 1)
                context.scene.frame_set(int(frame // 1), subframe=frame % 1)
                if sticks:
                    meshes = [(_sticks_now(armature, rig, sticks), armature.matrix_world.copy())]
                else:
                    meshes = [_as_mesh(context, item) for item in parts]
                out.append(_placed(frame, float(phase), meshes, to_sheet))
                yield len(out) / count
    except BaseException:
        remove_poses(out)
        raise
    return out


def remove_poses(poses: Iterable[Pose]) -> None:
    """Take the meshes of poses out of the file again."""
    for pose in poses:
        for mesh, _ in pose.meshes:
            bpy.data.meshes.remove(mesh)


def _to_viewer(armature: bpy.types.Object, rig: Rig) -> Matrix:
    """From the world to a space in which the character, as it stands now, faces -Y and a little to its left.

    A character whose body is not mapped stands as the armature's front says.
    """
    frame = ArmatureFrame.of(armature)
    heading = float(quat.yaw(frame.rotation))
    if any(part.bone for part in armature.takemill.parts):
        standing = frame.standing
        skeleton = standing.world_skeleton(rig.skeleton)
        body = stage.body_of(armature, skeleton)
        hips = armature.pose.bones[rig.names[body.require("hips")]]
        turned = np.array((hips.matrix @ hips.bone.matrix_local.inverted()).to_3x3())
        upright = quat.mul(quat.mul(standing.rotation, quat.from_matrix(turned)), quat.inv(standing.rotation))
        heading += rest_facing(skeleton, body) + float(quat.yaw(upright))
    turn = Matrix.Rotation(float(_FIGURE_TURN_RAD) - heading, 4, "Z")
    return turn @ Matrix.Translation(-armature.matrix_world.translation)


def _as_mesh(context: bpy.types.Context, item: bpy.types.Object) -> tuple[bpy.types.Mesh, Matrix]:
    """An object as it is now, all modifiers applied."""
    graph = context.evaluated_depsgraph_get()
    now = item.evaluated_get(graph)
    return bpy.data.meshes.new_from_object(now, depsgraph=graph), now.matrix_world.copy()


def _sticks_now(armature: bpy.types.Object, rig: Rig, sticks: StickMesh) -> bpy.types.Mesh:
    """A rig without a mesh: its bones as sticks, in armature space."""
    turns = np.array(
        [armature.pose.bones[n].matrix @ armature.data.bones[n].matrix_local.inverted() for n in rig.names]
    )
    points = np.concatenate([sticks.positions, np.ones((len(sticks.positions), 1))], axis=1)
    points = np.einsum("vij,vj->vi", turns[sticks.joints], points)[:, :3]
    mesh = bpy.data.meshes.new("sticks")
    mesh.from_pydata(points.tolist(), [], sticks.triangles.tolist())
    return mesh


def _placed(frame: float, phase: float, meshes, to_sheet: Matrix) -> Pose:
    """The meshes turned to the viewer and moved over the origin; the height above the floor stays."""
    points = [_points(mesh, to_sheet @ matrix) for mesh, matrix in meshes]
    everything = np.concatenate([*points, np.zeros((0, 3))])
    low, high = (
        (edge(everything, axis=0) for edge in (np.min, np.max)) if len(everything) else np.zeros((2, 3))
    )
    middle = np.append((low + high)[:2] / 2, 0.0)
    centred = Matrix.Translation(-middle) @ to_sheet
    return Pose(
        frame, phase, tuple((mesh, centred @ matrix) for mesh, matrix in meshes), low - middle, high - middle
    )


def _points(mesh: bpy.types.Mesh, matrix: Matrix) -> Array:
    """The vertices (N, 3) of a mesh, placed."""
    flat = np.empty(3 * len(mesh.vertices), np.float32)
    mesh.vertices.foreach_get("co", flat)
    place = np.array(matrix)
    return flat.reshape(-1, 3) @ place[:3, :3].T + place[:3, 3]
