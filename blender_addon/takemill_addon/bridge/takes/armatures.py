"""Armatures made of skeletons, and motions of a skeleton brought onto the bones of an armature.

A joint has a place and a turn, a bone also a length: its tail lies at its child, amid its children, or where
the file says that the limb ends; where nothing says it, the bone goes on in its parent's direction. What the
file says of ends, heels too, is kept with the bones: a tail is only what is drawn. Bones roll with their Z
axis to the front, those of feet upwards, so that limbs bend about one axis, and no T pose stands where Euler
angles lose their digits (Blender's FBX exporter writes such: millimetres at the hands, otherwise).
"""

from __future__ import annotations

from dataclasses import replace

import bpy
import numpy as np
from mathutils import Vector

from takemill.base.checks import Array
from takemill.body.motion import Motion
from takemill.body.skeleton import Skeleton
from takemill.maths import quat

from ..rigs import bone_ends
from ..rigs.rig import Rig, motion_of, read_rig
from ..scene import actions
from . import stage

_SHORTEST = (
    0.002  # of a body's height: shorter bones can hardly be seen, and Blender drops those of no length
)
_FRONT, _UP = Vector((0.0, -1.0, 0.0)), Vector((0.0, 0.0, 1.0))  # of Blender's world
_ALONG = 0.7  # cosine beyond which a bone lies along the front, as feet do
_VISIBLE = 0.5  # of the mean way to its children: what is shorter does not show where a bone leads
_GOES_ON = 0.3  # of its parent's length: a bone whose end nothing says


def build_armature(context: bpy.types.Context, skeleton: Skeleton, name: str) -> bpy.types.Object:
    """A new armature object of the joints of a skeleton, Z-up in metres; it is selected and active."""
    armature = bpy.data.objects.new(name, bpy.data.armatures.new(name))
    context.scene.collection.objects.link(armature)
    stage.activate(context, armature)
    bpy.ops.object.mode_set(mode="EDIT")
    names, heads = bone_names(skeleton.names), skeleton.rest_model[1]
    tails = _tails(skeleton, heads)
    made: list[bpy.types.EditBone] = []
    for joint, parent in enumerate(skeleton.parents):
        bone = armature.data.edit_bones.new(names[joint])
        bone.head, bone.tail = heads[joint], tails[joint]
        bone.align_roll(_UP if abs(bone.vector.normalized() @ _FRONT) > _ALONG else _FRONT)
        bone.parent = made[parent] if parent >= 0 else None
        made.append(bone)
    bpy.ops.object.mode_set(mode="OBJECT")
    _keep_ends(armature, skeleton, names)
    chosen = context.collection
    if chosen and chosen != context.scene.collection and chosen.name in bpy.data.collections:
        chosen.objects.link(armature)
        context.scene.collection.objects.unlink(armature)
        if armature.name not in context.view_layer.objects:  # the collection is left out of this view layer
            context.scene.collection.objects.link(armature)
        stage.activate(context, armature)
    return armature


def bone_names(names: tuple[str, ...]) -> tuple[str, ...]:
    """Names of joints as Blender can keep them: no longer than it allows, each once."""
    out: dict[str, None] = {}
    for name in names:
        short, number = actions.fitting_name(name or "Bone"), 0
        while short in out:
            number += 1
            short = actions.fitting_name(name or "Bone", f".{number:03d}")
        out[short] = None
    return tuple(out)


def on_bones(rig: Rig, motion: Motion) -> Motion:
    """A motion in the space of an armature on its bones: the same places, each turn with the bone's axes.

    The bones bear the names of the motion's joints, as `bone_names` has them, in any order.
    """
    skeleton = motion.skeleton
    names = bone_names(skeleton.names)
    order = [names.index(name) for name in rig.names]
    axes = quat.mul(quat.inv(skeleton.rest_model[0]), rig.rest_rotation[_inverse(order)])  # joint to its bone
    above = np.stack([axes[parent] if parent >= 0 else quat.IDENTITY for parent in skeleton.parents])
    rotations = quat.mul(quat.mul(quat.inv(above), motion.rotations), axes)
    translations = quat.rotate(quat.inv(above), motion.local_translations())
    return motion_of(rig.skeleton, motion.rate, rotations[:, order], translations[:, order])


def fits(armature: bpy.types.Object, motion: Motion) -> bool:
    """Whether a motion's joints are the bones of an armature, and lie where those do.

    Joints that the motion places anew in each frame may rest anywhere, and the object may stand anywhere.
    """
    skeleton, rig = motion.skeleton, read_rig(armature)
    names = bone_names(skeleton.names)
    if sorted(names) != sorted(rig.names):
        return False
    order = [rig.names.index(name) for name in names]
    place = {bone: joint for joint, bone in enumerate(order)}
    parents = tuple(place.get(rig.parents[bone], -1) for bone in order)
    if parents != skeleton.parents:
        return False
    heads, size = rig.rest_position[order], float(np.cbrt(np.linalg.det(armature.matrix_world.to_3x3())))
    ways = heads - np.array([heads[parent] if parent >= 0 else np.zeros(3) for parent in parents])
    unturned = np.tile(quat.IDENTITY, (len(names), 1))
    there = Skeleton(skeleton.names, parents, size * ways, unturned)
    here = skeleton.rest_model[1]
    ways = here - np.array([here[parent] if parent >= 0 else np.zeros(3) for parent in parents])
    return not replace(there, rest_translation=ways).difference(there, {0, *motion.translations})


def same_bones(armature: bpy.types.Object, other: bpy.types.Object) -> bool:
    """Whether two armatures are one but for their names: the same bones at rest, and in the same place."""
    mine, yours = read_rig(armature), read_rig(other)
    if (mine.names, mine.parents, mine.modes) != (yours.names, yours.parents, yours.modes):
        return False
    near = 1e-4 * max(float(np.ptp(mine.rest_position, axis=0).max()), 1e-6)
    if np.abs(mine.rest_position - yours.rest_position).max() > near:
        return False
    if quat.angle_between(mine.rest_rotation, yours.rest_rotation).max() > 1e-3:
        return False
    return bool(np.allclose(armature.matrix_world, other.matrix_world, atol=1e-4))


def show(context: bpy.types.Context, armature: bpy.types.Object, frame: int) -> None:
    """Let the user work on an armature, with the playhead at a frame."""
    stage.activate(context, armature)
    context.scene.frame_set(frame)


def _inverse(order: list[int]) -> list[int]:
    """Where each number stands in an order."""
    return sorted(range(len(order)), key=order.__getitem__)


def _to_children(skeleton: Skeleton, heads: Array, joint: int) -> Array:
    """The way (3,) from a joint to the middle of its children, or to the one that most hangs from.

    Hips lie amid their legs and the spine: a bone to the middle of those could hardly be seen.
    """
    children = list(skeleton.children[joint])
    ways = heads[children] - heads[joint]
    middle = ways.mean(axis=0)
    if np.linalg.norm(middle) > _VISIBLE * np.linalg.norm(ways, axis=1).mean():
        return middle
    return ways[int(np.argmax([len(skeleton.subtree(child)) for child in children]))]


def _keep_ends(armature: bpy.types.Object, skeleton: Skeleton, names: tuple[str, ...]) -> None:
    """Keep with each bone where the body ends at it."""
    ends = []
    for joint, tip in zip(skeleton.tip_joints, skeleton.rest_tips, strict=True):
        inside = np.array(armature.data.bones[names[joint]].matrix_local.inverted(), float) @ [*tip, 1.0]
        ends.append((names[joint], inside[:3]))
    bone_ends.keep(armature, ends)


def _tails(skeleton: Skeleton, heads: Array) -> Array:
    """Where the bones' tails are drawn (J, 3), in model space."""
    shortest = max(_SHORTEST * float(np.ptp(heads, axis=0).max()), 1e-4)
    out = heads.copy()
    ends: dict[int, list[Array]] = {}
    for joint, tip in zip(skeleton.tip_joints, skeleton.rest_tips, strict=True):
        ends.setdefault(joint, []).append(tip)
    for joint, parent in enumerate(skeleton.parents):
        children = list(skeleton.children[joint])
        if children:
            way = _to_children(skeleton, heads, joint)
        elif joint in ends:
            way = max((tip - heads[joint] for tip in ends[joint]), key=lambda one: float(np.linalg.norm(one)))
        else:
            way = _GOES_ON * (heads[joint] - heads[parent]) if parent >= 0 else np.zeros(3)
        length = float(np.linalg.norm(way))
        if length < shortest:
            way = way * shortest / length if length > 1e-9 else np.array([0.0, 0.0, shortest])
        out[joint] = heads[joint] + way
    return out
