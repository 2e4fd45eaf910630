"""Figures, the suit and its take as Blender data (bpy): armatures, weighted meshes, Actions, materials."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence

import bmesh
import bpy
import numpy as np
from ferry_figure import Bone, Figure
from ferry_mesh import Mesh
from ferry_paint import PAINTS
from mathutils import Vector

from takemill.base.checks import Array
from takemill.body.motion import Motion
from takemill.maths import quat

FIRST_FRAME = 1  # the scene frame of the take's frame 0


def make_armature(name: str, bones: Sequence[Bone], scale: float = 1.0) -> bpy.types.Object:
    """An armature object of `scale` whose bones lie, in the world, where `bones` say (metres)."""
    data = bpy.data.armatures.new(name)
    rig = bpy.data.objects.new(name, data)
    bpy.context.scene.collection.objects.link(rig)
    rig.scale = (scale,) * 3
    bpy.context.view_layer.objects.active = rig
    bpy.ops.object.mode_set(mode="EDIT")
    for bone in bones:
        made = data.edit_bones.new(bone.name)
        made.head, made.tail = Vector(bone.head / scale), Vector(bone.tail / scale)
        made.roll = np.radians(bone.roll_deg)
        made.use_deform = bone.deform
        if bone.parent:
            parent = data.edit_bones[bone.parent]
            made.parent = parent
            made.use_connect = (parent.tail - made.head).length < 1e-6 / scale
    bpy.ops.object.mode_set(mode="OBJECT")
    for pose in rig.pose.bones:
        pose.rotation_mode = "QUATERNION"
    return rig


def material(paint: str) -> bpy.types.Material:
    """The material of a paint, made once."""
    if paint in bpy.data.materials:
        return bpy.data.materials[paint]
    (red, green, blue), rough = PAINTS[paint]
    made = bpy.data.materials.new(paint)
    made.diffuse_color, made.roughness = (red, green, blue, 1.0), rough
    if made.node_tree is None:  # always there in 5.2, which deprecates use_nodes
        made.use_nodes = True
    shader = made.node_tree.nodes["Principled BSDF"]
    shader.inputs["Base Color"].default_value = (red, green, blue, 1.0)
    shader.inputs["Roughness"].default_value = rough
    if paint == "flame":
        shader.inputs["Emission Color"].default_value = (red, green, blue, 1.0)
        shader.inputs["Emission Strength"].default_value = 2.0
    return made


def make_mesh(name: str, mesh: Mesh, scale: float = 1.0, sharp_deg: float = 55.0) -> bpy.types.Object:
    """A mesh object with outward normals, materials, smooth shading and the mesh's shape keys."""
    data = bpy.data.meshes.new(name)
    data.from_pydata([tuple(v / scale) for v in mesh.vertices], [], mesh.faces)
    paints = list(dict.fromkeys(mesh.paints))
    for paint in paints:
        data.materials.append(material(paint))
    data.polygons.foreach_set("material_index", [paints.index(paint) for paint in mesh.paints])
    work = bmesh.new()
    work.from_mesh(data)
    bmesh.ops.recalc_face_normals(work, faces=work.faces)
    work.to_mesh(data)
    work.free()
    data.polygons.foreach_set("use_smooth", np.ones(len(data.polygons), bool))
    data.set_sharp_from_angle(angle=np.radians(sharp_deg))
    thing = bpy.data.objects.new(name, data)
    bpy.context.scene.collection.objects.link(thing)
    return thing


def add_shape_keys(thing: bpy.types.Object, mesh: Mesh, scale: float) -> None:
    """The mesh's keys as shape keys above a basis."""
    thing.shape_key_add(name="Basis", from_mix=False)
    for name, offsets in mesh.keys.items():
        key = thing.shape_key_add(name=name, from_mix=False)
        key.value = 0.0
        for index, offset in offsets.items():
            key.data[index].co = Vector((mesh.vertices[index] + offset) / scale)


def bind(thing: bpy.types.Object, mesh: Mesh, rig: bpy.types.Object) -> None:
    """Parent the mesh to the armature, with its weights and an Armature modifier."""
    groups = {
        bone.name: thing.vertex_groups.new(name=bone.name) for bone in rig.data.bones if bone.use_deform
    }
    for index, weights in enumerate(mesh.weights):
        for bone, weight in weights.items():
            groups[bone].add([index], weight, "REPLACE")
    thing.parent = rig
    thing.modifiers.new("Armature", "ARMATURE").object = rig


def make_figure(
    build: Callable[[], tuple[Figure, Mesh]],
    label: str,
    scale: float = 1.0,
    face: bool = False,
    bones: Sequence[Bone] = (),
) -> bpy.types.Object:
    """A whole character, on `bones` instead of its figure's own where given; returns its armature."""
    figure, mesh = build()
    mesh.tidy()
    rig = make_armature(label, bones or figure.bones(), scale)
    body = make_mesh(f"{label} body", mesh, scale)
    if face:
        add_shape_keys(body, mesh, scale)
    bind(body, mesh, rig)
    return rig


def new_action(name: str, thing: bpy.types.ID, kind: str) -> bpy.types.ActionChannelbag:
    """A new Action with one slot of `kind`, assigned to `thing`; returns its curves."""
    action = bpy.data.actions.new(name)
    action.use_fake_user = True
    slot = action.slots.new(kind, thing.name)
    curves = action.layers.new("Layer").strips.new(type="KEYFRAME").channelbag(slot, ensure=True)
    data = thing.animation_data_create()
    data.action, data.action_slot = action, slot
    return curves


def write_curve(
    curves: bpy.types.ActionChannelbag, path: str, index: int, frames: Array, values: Array, group: str = ""
) -> None:
    """One F-curve with straight lines between its keys."""
    curve = curves.fcurves.new(path, index=index)
    if group:
        curve.group = curves.groups.get(group) or curves.groups.new(group)
    points, count = curve.keyframe_points, len(frames)
    points.add(count)
    spots = np.stack([frames, values], axis=-1).astype(np.float32)
    points.foreach_set("co", spots.ravel())
    points.foreach_set("interpolation", np.ones(count, np.uint8))
    for side, shift in (("handle_left", -1 / 3), ("handle_right", 1 / 3)):
        points.foreach_set(side, (spots + np.float32([shift, 0])).ravel())


def write_face(name: str, thing: bpy.types.Object, tracks: Mapping[str, Array], rate: float) -> None:
    """An Action on the mesh's shape keys: by shape, keys (N, 2) of seconds and weights."""
    curves = new_action(name, thing.data.shape_keys, "KEY")
    for shape, spots in tracks.items():
        frames = np.round(spots[:, 0] * rate) + FIRST_FRAME
        write_curve(curves, f'key_blocks["{shape}"].value', 0, frames, np.round(spots[:, 1], 3))


def suit_bones(motion: Motion) -> list[Bone]:
    """Bones for the suit's joints: each leads to its first child, or to its tip."""
    skeleton = motion.skeleton
    spots = skeleton.rest_model[1]
    tips = dict(zip(skeleton.tip_joints, skeleton.rest_tips, strict=True))
    bones = []
    for joint, name in enumerate(skeleton.names):
        below, parent = skeleton.children[joint], skeleton.parents[joint]
        tail = spots[below[0]] if below else tips[joint]
        bones.append(Bone(name, skeleton.names[parent] if parent >= 0 else "", spots[joint], tail))
    return bones


def write_take(name: str, rig: bpy.types.Object, motion: Motion, bits: int = 13) -> None:
    """The motion as an Action on `rig`, whose bones are the skeleton's joints.

    Rotations are rounded to 2**-bits, so that the file compresses: 0.007 degrees at 13 bits.
    """
    curves = new_action(name, rig, "OBJECT")
    frames = np.arange(len(motion)) + float(FIRST_FRAME)
    rest = np.array([bone.matrix_local.to_quaternion() for bone in rig.data.bones])
    for place, bone in enumerate(rig.data.bones):
        joint = motion.skeleton.index(bone.name)
        # The skeleton's rest rotations are the identity: conjugate by the bone's axes.
        basis = quat.mul(quat.inv(rest[place]), quat.mul(motion.rotations[:, joint], rest[place]))
        basis = np.round(quat.continuous(basis) * 2**bits) / 2**bits
        for index in range(4):
            write_curve(
                curves,
                f'pose.bones["{bone.name}"].rotation_quaternion',
                index,
                frames,
                basis[:, index],
                bone.name,
            )
        if bone.parent is None:
            moved = quat.rotate(
                quat.inv(rest[place]), motion.root_translation - motion.skeleton.rest_translation[joint]
            )
            moved = np.round(moved * 2**bits) / 2**bits
            for index in range(3):
                write_curve(
                    curves, f'pose.bones["{bone.name}"].location', index, frames, moved[:, index], bone.name
                )
