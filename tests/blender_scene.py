"""Small seeded rigs with every oddity that a pose bone can have, for the tests that run in the real bpy."""

from __future__ import annotations

import warnings

import bpy
import numpy as np

from takemill.files import bvh

EULER = ("XYZ", "XZY", "YXZ", "YZX", "ZXY", "ZYX")
MODES = (*EULER, "QUATERNION", "AXIS_ANGLE")
_CHANNELS = {"QUATERNION": ("rotation_quaternion", 4), "AXIS_ANGLE": ("rotation_axis_angle", 4)}


def empty_scene(fps: int = 30, fps_base: float = 1.0) -> bpy.types.Scene:
    bpy.ops.wm.read_factory_settings(use_empty=True)
    scene = bpy.context.scene
    scene.render.fps, scene.render.fps_base = fps, fps_base
    return scene


def odd_rig(
    bones: int = 24,
    *,
    seed: int = 0,
    name: str = "suit",
    connected: bool = True,
    hinges: float = 0.3,
    modes: tuple[str, ...] = MODES,
) -> bpy.types.Object:
    """A random tree: odd rolls, connected bones, hinges, parent-axis locations, all rotation modes."""
    rng = np.random.default_rng(seed)
    armature = bpy.data.objects.new(name, bpy.data.armatures.new(name))
    bpy.context.scene.collection.objects.link(armature)
    bpy.context.view_layer.objects.active = armature
    bpy.ops.object.mode_set(mode="EDIT")
    made = []
    for index in range(bones):
        bone = armature.data.edit_bones.new(f'b"{index}')  # a quote, which data paths must escape
        parent = made[max(0, index - int(rng.integers(1, 5)))] if index else None
        bone.head = (np.array(parent.tail) if parent else np.zeros(3)) + rng.normal(size=3) * 0.02
        way = rng.normal(size=3)
        bone.tail = np.array(bone.head) + way / np.linalg.norm(way) * rng.uniform(0.05, 0.2)
        bone.roll = rng.uniform(-3, 3)
        if parent:
            bone.parent = parent
            bone.use_connect = connected and rng.random() < 0.4
        made.append(bone)
    bpy.ops.object.mode_set(mode="OBJECT")
    scales = ("FULL", "FIX_SHEAR", "ALIGNED", "AVERAGE", "NONE", "NONE_LEGACY")
    for bone in armature.data.bones:
        bone.use_inherit_rotation = bool(rng.random() >= hinges)
        bone.use_local_location = bool(rng.random() >= hinges)
        bone.inherit_scale = scales[rng.integers(len(scales))]
    for bone in armature.pose.bones:
        bone.rotation_mode = modes[rng.integers(len(modes))]
    return armature


def place(armature: bpy.types.Object) -> None:
    """Turn, scale evenly and shift the armature object, below a parent that does the same."""
    parent = bpy.data.objects.new("quay", None)
    bpy.context.scene.collection.objects.link(parent)
    parent.location, parent.rotation_euler, parent.scale = (1, -2, 0.5), (0.4, 0.2, -1.1), (1.5, 1.5, 1.5)
    armature.parent = parent
    armature.location, armature.rotation_euler, armature.scale = (0.3, 0.2, -0.1), (1.2, -0.3, 2), (0.7,) * 3
    bpy.context.view_layer.update()


def random_take(
    armature: bpy.types.Object,
    frames: int = 8,
    *,
    seed: int = 1,
    start: int = 1,
    name: str = "take",
    moving: str = "all",
) -> bpy.types.Action:
    """An assigned Action: smooth random keys on every bone's rotation, and location ("roots": of roots)."""
    rng = np.random.default_rng(seed)
    action = bpy.data.actions.new(name)
    slot = action.slots.new("OBJECT", armature.name)
    bag = action.layers.new("Layer").strips.new(type="KEYFRAME").channelbag(slot, ensure=True)
    for bone in armature.pose.bones:
        path, width = _CHANNELS.get(bone.rotation_mode, ("rotation_euler", 3))
        prefix = f'pose.bones["{bpy.utils.escape_identifier(bone.name)}"].'
        rotation = rng.normal(size=width) + np.cumsum(rng.normal(size=(frames, width)) * 0.15, axis=0)
        location = np.cumsum(rng.normal(size=(frames, 3)) * 0.01, axis=0)
        channels = [(path, rotation)]
        if moving == "all" or bone.parent is None:
            channels.append(("location", location))
        for channel, values in channels:
            write_curves(bag, prefix + channel, np.arange(start, start + frames), values)
    data = armature.animation_data_create()
    data.action, data.action_slot = action, slot
    bpy.context.scene.frame_set(start)
    return action


def write_curves(bag, path: str, frames, values) -> None:
    """One F-curve with straight lines for each column of `values` (F, width)."""
    for index in range(values.shape[1]):
        points = bag.fcurves.new(path, index=index).keyframe_points
        points.add(len(frames))
        points.foreach_set("co", np.stack([frames, values[:, index]], -1).astype(np.float32).ravel())
        points.foreach_set("interpolation", np.ones(len(frames), np.uint8))


def poses(armature: bpy.types.Object, frames) -> np.ndarray:
    """Blender's own answer: every bone's world matrix (F, J, 4, 4), with unit axes."""
    out = np.empty((len(frames), len(armature.pose.bones), 4, 4))
    for index, frame in enumerate(frames):
        bpy.context.scene.frame_set(frame)
        world = armature.matrix_world
        out[index] = [np.array(world @ bone.matrix) for bone in armature.pose.bones]
    out[..., :3, :3] /= np.linalg.norm(out[..., :3, :3], axis=-2, keepdims=True)
    return out


def keys_of(action: bpy.types.Action) -> dict[tuple[str, int], bytes]:
    """Every key of every F-curve as bytes, to tell whether an Action was touched."""
    out = {}
    for layer in action.layers:
        for strip in layer.strips:
            for bag in strip.channelbags:
                for curve in bag.fcurves:
                    buffer = np.empty(len(curve.keyframe_points) * 2, np.float32)
                    curve.keyframe_points.foreach_get("co", buffer)
                    out[curve.data_path, curve.array_index] = buffer.tobytes()
    return out


def choose(*cast: bpy.types.Object) -> None:
    """Put these characters, and no others, on the list that takes are fitted to."""
    # An installed extension bears another name, and its tests draw on this file.
    from takemill_addon.bridge.takes import characters
    from takemill_addon.bridge.takes.recipe import recipe_of

    scene = bpy.context.scene
    scene.takemill.characters.clear()
    for one in cast:
        characters.add(scene, one, recipe_of(scene))


def import_bvh(motion, folder, name: str = "take", *, root: bool = False) -> bpy.types.Object:
    """A motion as BVH, brought in by Blender's importer at the motion's rate; `root` adds a root bone."""
    path = folder / f"{name}.bvh"
    bvh.write_bvh(path, motion)
    scene = bpy.context.scene
    scene.render.fps, scene.render.fps_base = round(motion.rate), round(motion.rate) / motion.rate
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", ResourceWarning)  # the bundled importer does not close its file
        bpy.ops.import_anim.bvh(
            filepath=str(path),
            frame_start=1,
            rotate_mode="NATIVE",
            global_scale=0.01,  # the file is in centimetres
        )
    armature = bpy.context.view_layer.objects.active
    if root:
        bpy.ops.takemill.map_body()
        if not any(part.name == "root" for part in armature.takemill.parts):
            bpy.ops.takemill.add_root_bone()
    return armature


def skinned_cloth(armature) -> None:
    """A mesh with a triangle on every bone, so that there is a skin with weights."""
    mesh = bpy.data.meshes.new("cloth")
    points = [c for bone in armature.data.bones for c in (bone.head_local, bone.tail_local, (0, 0, 1))]
    mesh.from_pydata(points, [], [(i, i + 1, i + 2) for i in range(0, len(points), 3)])
    cloth = bpy.data.objects.new("cloth", mesh)
    bpy.context.scene.collection.objects.link(cloth)
    cloth.parent = armature
    cloth.modifiers.new("skin", "ARMATURE").object = armature
    for index, bone in enumerate(armature.data.bones):
        cloth.vertex_groups.new(name=bone.name).add([3 * index, 3 * index + 1, 3 * index + 2], 1, "REPLACE")


def skin_tips(armature, skeleton) -> None:
    """A mesh with a small triangle at each end of the body, weighted to its joint."""
    corners = 1e-5 * np.array([[0.0, 0.0, 0.0], [1.0, 0.0, 0.0], [0.0, 1.0, 0.0]])
    tips = [
        (skeleton.names[joint], tip)
        for joint, tip in zip(skeleton.tip_joints, skeleton.rest_tips, strict=True)
    ]
    points = np.concatenate([tip + corners for _, tip in tips])
    mesh = bpy.data.meshes.new("skin")
    mesh.from_pydata(points.tolist(), [], [(k, k + 1, k + 2) for k in range(0, len(points), 3)])
    skin = bpy.data.objects.new("skin", mesh)
    bpy.context.scene.collection.objects.link(skin)
    skin.parent = armature
    bpy.context.view_layer.update()  # or the exporter does not see it
    skin.modifiers.new("skin", "ARMATURE").object = armature
    for k, (name, _) in enumerate(tips):
        group = skin.vertex_groups.get(name) or skin.vertex_groups.new(name=name)
        group.add([3 * k, 3 * k + 1, 3 * k + 2], 1.0, "REPLACE")
