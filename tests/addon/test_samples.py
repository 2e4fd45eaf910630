"""The marsh-ferry scene in the real bpy: clean meshes, sound rigs, and the take as the BVH has it."""

from __future__ import annotations

import sys
from pathlib import Path

import bmesh
import bpy
import numpy as np
import pytest

from takemill.body.body_map import find_body_map, rest_facing
from takemill.body.skeleton import Skeleton
from takemill.files.bvh import read_bvh
from takemill.maths import quat

SAMPLES = Path(__file__).parents[2] / "sample_blends"
sys.path.append(str(SAMPLES))

import ferry_scene  # noqa: E402
import ferry_take  # noqa: E402

SCENE = SAMPLES / "marsh_ferry.blend"
FIGURES = ("Ferrywoman", "Lamplighter", "Courier", "Suit")
SCALES = {"Ferrywoman": 1.0, "Lamplighter": 1.0, "Courier": 0.1, "Suit": 1.0}
# Hips, spine, chest, neck, head, and shoulder to hand and hip to toes on both sides.
HUMANOID = {"hips", "spine", "chest", "neck", "head"} | {
    side + part
    for side in ("left", "right")
    for part in ("Shoulder", "UpperArm", "LowerArm", "Hand", "UpperLeg", "LowerLeg", "Foot", "Toes")
}
OWN_PARTS = {
    "Ferrywoman": {"root", "prop.oar"},
    "Lamplighter": {"root", "prop.lantern", "upperChest"},
    "Courier": {"root", "upperChest", *(f"tail.{k}" for k in range(5))},
    "Suit": {"upperChest"},
}


@pytest.fixture(scope="module", autouse=True)
def opened():
    bpy.ops.wm.open_mainfile(filepath=str(SCENE))
    yield
    bpy.ops.wm.read_factory_settings(use_empty=True)


@pytest.fixture
def scene():
    return bpy.context.scene


def body_of(name):
    return bpy.data.objects[f"{name} body"]


def world_skeleton(name):
    """The armature's bones at rest, in world axes and metres about its own place."""
    rig = bpy.data.objects[name]
    bones = list(rig.data.bones)
    names = [bone.name for bone in bones]
    size = rig.scale.x
    spots = np.array([bone.head_local for bone in bones]) * size
    axes = np.array([bone.matrix_local.to_quaternion() for bone in bones])
    tips = np.array([bone.tail_local for bone in bones]) * size
    parents = [names.index(bone.parent.name) if bone.parent else -1 for bone in bones]
    local_q, local_t = axes.copy(), spots.copy()
    for k, parent in enumerate(parents):
        if parent >= 0:
            back = quat.inv(axes[parent])
            local_q[k] = quat.mul(back, axes[k])
            local_t[k] = quat.rotate(back, spots[k] - spots[parent])
    leaves = [k for k in range(len(bones)) if k not in parents]
    offsets = [quat.rotate(quat.inv(axes[k]), tips[k] - spots[k]) for k in leaves]
    return Skeleton(tuple(names), tuple(parents), local_t, local_q, tuple(leaves), np.array(offsets))


def test_the_file_was_saved_by_4_5():
    """A file of 5.2 makes 4.5 warn of lost data; one of 4.5 opens silently in both."""
    assert bpy.data.version[:2] == (4, 5)
    assert SCENE.stat().st_size < 8e6


def test_it_opens_without_a_word(capfd):
    bpy.ops.wm.open_mainfile(filepath=str(SCENE))
    said = "".join(capfd.readouterr())
    assert not any(word in said.lower() for word in ("warn", "error", "loss", "newer")), said


def test_the_scene_is_the_take_long(scene):
    assert (scene.render.fps, scene.render.fps_base) == (60, 1.0)
    assert scene.frame_end - scene.frame_start + 1 == 7200
    assert scene.camera is not None


@pytest.mark.parametrize("name", FIGURES)
def test_meshes_are_closed_clean_and_few(name):
    work = bmesh.new()
    work.from_mesh(body_of(name).data)
    assert all(edge.is_manifold for edge in work.edges)
    assert all(edge.is_contiguous for edge in work.edges)  # faces agree on which side is out
    assert all(vertex.link_faces for vertex in work.verts)
    assert all(3 <= len(face.verts) <= 4 for face in work.faces)
    assert min(face.calc_area() for face in work.faces) > 0
    assert work.calc_volume(signed=True) > 0  # that side is out
    assert 300 < len(work.faces) < 1300
    work.free()


@pytest.mark.parametrize("name", FIGURES)
def test_weights_are_shared_and_sum_to_one(name):
    body, rig = body_of(name), bpy.data.objects[name]
    deforming = {bone.name for bone in rig.data.bones if bone.use_deform}
    assert {group.name for group in body.vertex_groups} <= deforming
    for vertex in body.data.vertices:
        weights = [group.weight for group in vertex.groups]
        assert 1 <= len(weights) <= 4
        assert sum(weights) == pytest.approx(1, abs=1e-5)
    used = {group.group for vertex in body.data.vertices for group in vertex.groups}
    assert len(used) >= 20
    shared = sum(len(vertex.groups) > 1 for vertex in body.data.vertices)
    assert shared > 100


@pytest.mark.parametrize("name", FIGURES)
def test_the_mesh_hangs_on_its_armature(name):
    body, rig = body_of(name), bpy.data.objects[name]
    assert body.parent == rig
    assert [m.object for m in body.modifiers if m.type == "ARMATURE"] == [rig]
    assert tuple(rig.scale) == pytest.approx((SCALES[name],) * 3)


@pytest.mark.parametrize("name", FIGURES)
def test_the_body_map_finds_every_part_unaided(name):
    skeleton = world_skeleton(name)
    body = find_body_map(skeleton)
    assert set(body.joints) == HUMANOID | OWN_PARTS[name]
    for side, letter, sign in (("left", "L", 1), ("right", "R", -1)):
        for part in ("Hand", "Foot"):
            joint = body.require(side + part)
            assert skeleton.rest_model[1][joint, 0] * sign > 0.05
            assert skeleton.names[joint].endswith(f".{letter}") or name == "Suit"


@pytest.mark.parametrize("name", FIGURES)
def test_everybody_faces_minus_y_and_stands_on_the_floor(name):
    skeleton = world_skeleton(name)
    body = find_body_map(skeleton)
    assert abs(np.degrees(rest_facing(skeleton, body))) < 1e-3
    feet = np.array([vertex.co for vertex in body_of(name).data.vertices])[:, 2] * SCALES[name]
    assert feet.min() == pytest.approx(0, abs=0.005)
    if name != "Suit":
        assert np.abs(skeleton.rest_model[1][body.require("root")]).max() < 1e-9


def test_heights_and_rest_poses_differ():
    heights, slopes = {}, {}
    for name in FIGURES:
        skeleton = world_skeleton(name)
        body = find_body_map(skeleton)
        spots = skeleton.rest_model[1]
        heights[name] = spots[body.require("head"), 2]
        arm = spots[body.require("leftHand")] - spots[body.require("leftUpperArm")]
        slopes[name] = np.degrees(np.arctan2(-arm[2], arm[0]))
    assert heights["Lamplighter"] < 0.65 * min(heights["Ferrywoman"], heights["Courier"])
    assert abs(slopes["Lamplighter"]) < 5  # T
    assert 35 < slopes["Ferrywoman"] < 55  # A
    assert slopes["Courier"] > 55


def test_the_courier_has_odd_rolls():
    rig = bpy.data.objects["Courier"]
    odd = [bone for bone in rig.data.bones if abs(bone.matrix_local.to_3x3().col[0].x) < 0.9]
    assert len(odd) > 8


def test_the_take_is_a_slotted_action_of_straight_lines():
    data = bpy.data.objects["Suit"].animation_data
    assert data.action.name == ferry_scene.TAKE
    assert data.action_slot in list(data.action.slots)
    bag = data.action.layers[0].strips[0].channelbag(data.action_slot)
    assert len(bag.fcurves) == 22 * 4 + 3
    for curve in bag.fcurves:
        kinds = np.empty(len(curve.keyframe_points), np.uint8)
        curve.keyframe_points.foreach_get("interpolation", kinds)
        assert len(kinds) == 7200
        assert (kinds == 1).all()


def test_blender_poses_the_suit_as_the_bvh_says(scene):
    """Joint places by Blender's own evaluation against the core's FK of the BVH file."""
    motion, _ = read_bvh(SAMPLES / "marsh_take.bvh")
    rig = bpy.data.objects["Suit"]
    place = [list(rig.pose.bones.keys()).index(name) for name in motion.skeleton.names]
    frames = np.random.default_rng(5).choice(len(motion), 25, replace=False)
    _, positions = motion.model()
    buffer = np.empty(len(rig.pose.bones) * 3, np.float32)
    for frame in frames:
        scene.frame_set(scene.frame_start + int(frame))
        rig.pose.bones.foreach_get("head", buffer)
        apart = buffer.reshape(-1, 3)[place] - positions[frame]
        # Keys are rounded to 2**-13: 0.007 degrees a joint, at most 1.2 m from the hips.
        assert np.abs(apart).max() < 0.001
    scene.frame_set(scene.frame_start)


def test_the_lamplighters_face_is_already_animated(scene):
    keys = body_of("Lamplighter").data.shape_keys
    assert {"blink.L", "blink.R", "smile", "brows_up", "mouth_open"} <= set(keys.key_blocks.keys())
    assert keys.animation_data.action_slot.target_id_type == "KEY"
    seen = {name: [] for name in keys.key_blocks.keys()[1:]}
    for frame in range(1, 601, 3):
        scene.frame_set(frame)
        for name, values in seen.items():
            values.append(keys.key_blocks[name].value)
    assert all(min(values) == 0 and max(values) > 0.5 for values in seen.values())
    (strip,) = keys.animation_data.action.layers[0].strips
    for curve in strip.channelbag(keys.animation_data.action_slot).fcurves:  # as long as the take
        frames = [point.co.x for point in curve.keyframe_points]
        assert (frames[0], frames[-1]) == (scene.frame_start, scene.frame_end)
        assert (np.diff(frames) > 0).all()
    scene.frame_set(scene.frame_start)


def test_only_the_sample_actions_are_in_the_file():
    assert {action.name for action in bpy.data.actions} == {ferry_scene.TAKE, ferry_scene.FACE}


def test_the_scene_is_what_the_script_builds():
    """Geometry and bones as committed against a fresh build: rebuild the samples after a change."""
    kept = _geometry()
    ferry_scene.build(read_bvh(SAMPLES / "marsh_take.bvh")[0].slice(0, 3), ferry_take.SEED)
    fresh = _geometry()
    bpy.ops.wm.open_mainfile(filepath=str(SCENE))
    assert kept.keys() == fresh.keys()
    for name, places in kept.items():
        np.testing.assert_allclose(places, fresh[name], atol=1e-5, err_msg=name)


def _geometry():
    out = {}
    for thing in bpy.data.objects:
        if thing.type == "MESH":
            places = np.empty(len(thing.data.vertices) * 3, np.float32)
            thing.data.vertices.foreach_get("co", places)
            out[thing.name] = places
        elif thing.type == "ARMATURE":
            out[thing.name] = np.array([bone.matrix_local for bone in thing.data.bones])
    return out
