"""Clip sets from the operators, read by a reader of the tests' own and by the Khronos validator."""

from __future__ import annotations

import json
import os

import bpy
import numpy as np
import pytest
from mathutils import Matrix

import open_data
import synthetic
from blender_parties import play_fbx
from blender_scene import empty_scene, import_bvh, skinned_cloth
from glb_reader import read_glb
from node_parties import validator_issues
from takemill.files.glb_read import GlbScene
from takemill.sets.verify import verify_set
from takemill_addon.bridge.motion.read_action import read_take
from takemill_addon.bridge.rigs.rig import ArmatureFrame
from takemill_addon.bridge.scene import actions, paths
from takemill_addon.bridge.takes import stage

pytestmark = pytest.mark.usefixtures("addon")
takemill = bpy.ops.takemill


def add_cut(
    action, name: str, start: int, end: int, *, kind: str = "other", loop: bool = False, root_motion: str
) -> None:
    cut = action.takemill.cuts.add()
    cut.name, cut.start, cut.end, cut.kind, cut.loop, cut.root_motion = (
        name,
        start,
        end,
        kind,
        loop,
        root_motion,
    )


def packed(armature, folder, name: str = "set"):
    chosen = bpy.context.scene.takemill
    chosen.set_folder, chosen.set_name = str(folder), name
    stage.activate(bpy.context, armature)
    assert takemill.pack_set() == {"FINISHED"}
    data = (folder / f"{name}.glb").read_bytes()
    return data, json.loads((folder / "clips.json").read_text())


def expect_the_pose(glb, armature, action, name: str, limit_m: float, bones=()) -> None:
    """At every frame the GLB's joints stand, seen from the armature's node, where Blender's bones do."""
    take = read_take(bpy.context, armature, action, ArmatureFrame.none())  # in the armature's own space
    joints = tuple(bones) or take.motion.skeleton.names
    at = take.motion.model()[1][:, [take.motion.skeleton.index(joint) for joint in joints]]
    node = next(i for i, n in enumerate(glb.json["nodes"]) if n["name"] == armature.name)
    for frame in range(0, len(at), max(1, len(at) // 12)):
        world = glb.world_at(name, frame / take.motion.rate)
        own = np.linalg.inv(world[node])
        for k, joint in enumerate(joints):
            x, y, z = (own @ world[glb.node(joint)])[:3, 3]
            assert np.linalg.norm(np.array([x, -z, y]) - at[frame, k]) < limit_m, (joint, frame)


def test_open_reference_motions_become_a_valid_set(tmp_path):
    """Source: DeepMimic's walk, run, punch and kick (pybullet wheel); the Khronos glTF validator."""
    empty_scene(30)
    character, takes = None, {}
    for name in ("walk", "run", "punch", "kick"):
        motion, wraps = open_data.humanoid3d(name)
        motion = open_data.repeated(motion, 5) if wraps else motion
        suit = import_bvh(motion.resampled(30.0), tmp_path, name, root=character is None)
        takes[name] = (suit.animation_data.action, wraps)
        takes[name][0].use_fake_user = True
        if character is None:
            character = suit
        else:
            bpy.data.objects.remove(suit)
    skinned_cloth(character)
    stage.activate(bpy.context, character)
    for name, (action, wraps) in takes.items():
        actions.assign(character, action, actions.slot_for(action, character))
        takemill.repair_take()
        start, end = map(int, character.animation_data.action.frame_range)
        kind = "locomotion" if wraps else "strike"
        add_cut(character.animation_data.action, name, start, end, kind=kind, loop=wraps, root_motion="root")
        takemill.make_clips()
    data, facts = packed(character, tmp_path / "set")
    assert [clip["name"] for clip in facts["clips"]] == ["walk", "run", "punch", "kick"]
    assert [issue for issue in validator_issues(data) if issue["severity"] < 2] == []
    glb = read_glb(data)
    for clip in character.takemill.clips:
        expect_the_pose(glb, character, clip.action, clip.name, 0.002)
        assert glb.duration_s(clip.name) == pytest.approx((clip.action.frame_range[1]) / 30, abs=1e-5)


def tilted(armature) -> None:
    """A rig as other programs bring it: lying in centimetres, put upright and small by its object; moved."""
    armature.scale, armature.location = (0.01, 0.01, 0.01), (3, -2, 1)
    armature.rotation_euler = (np.pi / 2, 0, 0.8)
    bpy.context.view_layer.update()


@pytest.fixture
def walker(tmp_path):
    """A walk at 60 frames per second on a rig of centimetres whose object is scaled, tilted and shifted."""
    empty_scene(60)
    suit = import_bvh(synthetic.walk(rate=60, steps=6).motion, tmp_path)
    bpy.context.view_layer.objects.active = suit
    bpy.ops.object.mode_set(mode="EDIT")
    turn = np.array([[1, 0, 0, 0], [0, 0, 1, 0], [0, -1, 0, 0], [0, 0, 0, 1.0]]) * [[100], [100], [100], [1]]
    for bone in suit.data.edit_bones:
        bone.transform(Matrix(turn.tolist()), scale=True, roll=True)
    bpy.ops.object.mode_set(mode="OBJECT")
    bag = actions.channelbag(suit.animation_data.action, suit.animation_data.action_slot)
    for curve in bag.fcurves:
        if curve.data_path.endswith("location"):
            for point in curve.keyframe_points:
                point.co.y *= 100
            curve.update()
    tilted(suit)
    takemill.map_body()
    takemill.add_root_bone()
    skinned_cloth(suit)
    return suit


def test_a_scaled_and_tilted_rig_is_measured_in_metres_and_packed_in_its_own_space(walker, tmp_path):
    action = walker.animation_data.action
    add_cut(action, "locomotion", 80, 240, kind="locomotion", loop=True, root_motion="root")
    add_cut(action, "spot", 80, 240, kind="locomotion", root_motion="in_place")
    takemill.make_clips()
    data, facts = packed(walker, tmp_path / "set")
    steps, spot = facts["clips"]
    truth = synthetic.walk(rate=60, steps=6)
    way = np.linalg.norm(truth.path[truth.steady[0] + truth.period] - truth.path[truth.steady[0]])
    assert steps["root_motion"]["distance_m"] == pytest.approx(way, abs=0.01)
    assert spot["root_motion"]["distance_m"] > 1
    glb = read_glb(data)
    for clip in walker.takemill.clips:
        expect_the_pose(glb, walker, clip.action, clip.name, 0.1)  # of its own units: a millimetre
    assert [issue for issue in validator_issues(data) if issue["severity"] < 2] == []


def test_packing_at_another_rate_keeps_loops_closed_and_marks_in_place(walker, tmp_path):
    add_cut(
        walker.animation_data.action, "locomotion", 80, 240, kind="locomotion", loop=True, root_motion="root"
    )
    takemill.make_clips()
    full = packed(walker, tmp_path / "full")[1]["clips"][0]
    bpy.context.scene.takemill.set_rate = 30
    data, facts = packed(walker, tmp_path / "half")
    (clip,) = facts["clips"]
    assert clip["rate"] == 30
    assert clip["duration_s"] == pytest.approx(full["duration_s"], abs=1 / 60)
    assert clip["root_motion"]["distance_m"] == pytest.approx(full["root_motion"]["distance_m"], abs=1e-4)
    was, now = ({event["name"]: event["time_s"] for event in one["events"]} for one in (full, clip))
    assert now == pytest.approx(was, abs=0.05)
    glb = read_glb(data)
    first, last = (glb.locals_at("locomotion", t) for t in (0.0, clip["duration_s"]))
    for bone in walker.data.bones:
        if bone.name != "root":
            np.testing.assert_allclose(first[glb.node(bone.name)], last[glb.node(bone.name)], atol=2e-3)


@pytest.mark.parametrize(
    ("spoil", "message"),
    [
        ("unsaved", "save the file or name a folder"),
        ("file", "it is a file; name a folder"),
        ("foreign", "was not written by Takemill"),
        ("gone", "its action is gone"),
        ("edited", "not 41 any more; make it again"),
        ("twice", "two clips are called 'stand'"),
        ("name", "which a file name cannot"),
        ("damaged", "its clip record is damaged"),
    ],
)
def test_a_set_that_cannot_be_packed_writes_nothing(walker, tmp_path, spoil, message):
    add_cut(walker.animation_data.action, "stand", 1, 41, root_motion="keep")
    takemill.make_clips()
    place, chosen = tmp_path / "place", bpy.context.scene.takemill
    chosen.set_folder, chosen.set_name = str(place), "set"
    entry = walker.takemill.clips[0]
    if spoil == "unsaved":
        chosen.set_folder = "//clips"
    elif spoil == "file":
        place.write_text("a letter")
    elif spoil == "foreign":
        place.mkdir()
        (place / "set.glb").write_bytes(b"a map of the marsh")
    elif spoil == "gone":
        entry.action = None
    elif spoil == "edited":
        entry.action.frame_end = 20
    elif spoil == "twice":
        other = walker.takemill.clips.add()
        other.name, other.action = "stand", entry.action
    elif spoil == "name":
        chosen.set_name = "a/b"
    elif spoil == "damaged":
        entry.action.takemill.record = '{"rate": 60}'
    before = sorted((path.name, path.stat().st_size) for path in tmp_path.rglob("*"))
    with pytest.raises(RuntimeError, match=message):
        takemill.pack_set()
    assert sorted((path.name, path.stat().st_size) for path in tmp_path.rglob("*")) == before


def test_paths_are_absolute_whatever_folder_blender_was_started_in(walker, tmp_path, monkeypatch):
    """~, $NAME and // are filled in; what is relative to nothing is refused, and nothing is written."""
    (tmp_path / "started").mkdir()
    monkeypatch.chdir(tmp_path / "started")
    monkeypatch.setenv("HOME", str(tmp_path / "home"))
    monkeypatch.setenv("TAKES", str(tmp_path / "takes"))
    for text, place in (("~/x", "home/x"), ("$TAKES/x", "takes/x"), (str(tmp_path / "a" / ".." / "b"), "b")):
        assert paths.absolute(text) == tmp_path / place
    add_cut(walker.animation_data.action, "stand", 1, 41, root_motion="keep")
    takemill.make_clips()
    refused = r"has no place yet; save the file|relative to nothing; begin it"
    for text in ("x", "", "//x", "./x", "$MISSING_TAKES/x"):
        bpy.context.scene.takemill.set_folder = text
        with pytest.raises(RuntimeError, match=refused):
            takemill.pack_set()
        assert paths.shown(text or "//") == "Save the file, or name a whole path"
        for write in (takemill.health_page, takemill.contact_sheet, takemill.load_recipe):
            with pytest.raises(RuntimeError, match=refused):
                write(filepath=text or "x")
    bpy.context.scene.takemill.set_folder = "~/x"
    takemill.pack_set()
    assert (tmp_path / "home" / "x" / "clips.json").exists()
    assert not any((tmp_path / "started").iterdir())


def test_an_unwritable_folder_is_an_error(walker, tmp_path):
    if os.name != "posix" or os.geteuid() == 0:
        bpy.context.scene.takemill.set_folder = "/proc/takemill"  # not even root may write there
    else:
        tmp_path.chmod(0o500)
        bpy.context.scene.takemill.set_folder = str(tmp_path / "no")
    add_cut(walker.animation_data.action, "stand", 1, 41, root_motion="keep")
    takemill.make_clips()
    with pytest.raises(RuntimeError, match="cannot write"):
        takemill.pack_set()


@pytest.mark.usefixtures("walker")
def test_without_clips_there_is_nothing_to_pack():
    with pytest.raises(RuntimeError, match="Make clips for take first"):
        takemill.pack_set()


def test_hidden_parts_are_named(walker, tmp_path, capfd):
    add_cut(walker.animation_data.action, "stand", 1, 41, root_motion="keep")
    takemill.make_clips()
    bpy.data.objects["cloth"].hide_set(True)
    data, _ = packed(walker, tmp_path / "set")
    assert "meshes" not in read_glb(data).json
    assert "hidden and left out: cloth" in capfd.readouterr().out


def test_control_bones_can_be_left_out(walker, tmp_path):
    bpy.ops.object.mode_set(mode="EDIT")
    bones = walker.data.edit_bones
    handle = bones.new("a handle")
    handle.head, handle.tail, handle.parent = (0, 0, 0), (0, 30, 0), bones["hips"]
    bpy.ops.object.mode_set(mode="OBJECT")
    walker.data.bones["a handle"].use_deform = False
    add_cut(walker.animation_data.action, "locomotion", 80, 140, kind="locomotion", root_motion="root")
    takemill.make_clips()
    bpy.context.scene.takemill.deform_only = True
    data, _ = packed(walker, tmp_path / "set")
    glb = read_glb(data)
    kept = [bone.name for bone in walker.data.bones if bone.name != "a handle"]
    names = {node["name"] for node in glb.json["nodes"]}
    assert "root" in names  # it deforms nothing, but carries the rest
    assert set(kept) <= names
    assert "a handle" not in names
    assert [bone.name for bone in walker.data.bones if not bone.use_deform] == ["root", "a handle"]
    expect_the_pose(glb, walker, walker.takemill.clips[0].action, "locomotion", 0.1, kept)
    assert [issue for issue in validator_issues(data) if issue["severity"] < 2] == []
    for bone in walker.data.bones:
        bone.use_deform = False
    with pytest.raises(RuntimeError, match="none of its bones deforms a mesh"):
        takemill.pack_set()


def test_fbx_files_are_packed_beside(walker, tmp_path):
    """Of a rig of centimetres, scaled and tilted: joints on each frame where the GLB has them, within 0.1 mm.

    Source: Blender's importer (ufbx, MIT), in a process of its own.
    """
    add_cut(walker.animation_data.action, "locomotion", 80, 110, kind="locomotion", root_motion="root")
    takemill.make_clips()
    bpy.context.scene.takemill.set_fbx = "each"
    before = {block.name for block in (*bpy.data.objects, *bpy.data.actions)}
    data, said = packed(walker, tmp_path / "set")
    assert {block.name for block in (*bpy.data.objects, *bpy.data.actions)} == before
    assert verify_set(tmp_path / "set")[0] == ()
    (clip,) = said["clips"]
    assert clip["fbx"] == "locomotion.fbx"
    scene, joints = GlbScene(data, "set.glb"), tuple(bone.name for bone in walker.data.bones)
    played = play_fbx(tmp_path / "set/locomotion.fbx", joints, clip["frames"], tmp_path)
    assert played["rate"] == pytest.approx(60)
    worlds = scene.worlds("locomotion", np.arange(clip["frames"]) / 60)
    x, y, z = np.moveaxis(worlds[:, [scene.names.index(one) for one in joints]][..., :3, 3], -1, 0)
    found = np.array(played["clips"]["locomotion"]["joints"])
    assert np.linalg.norm(found - np.stack([x, -z, y], axis=-1), axis=-1).max() < 1e-4


@pytest.mark.parametrize("evaluated", [False, True])
def test_a_packed_clip_is_what_its_action_says_however_unkeyed_bones_stand(tmp_path, evaluated):
    """As with the bundled exporter, which clears the pose for each Action (Reset Pose Bones, on at first).

    What was posed or played before stays on bones that an Action does not key, and differs from day to day.
    """
    empty_scene(30)
    suit = import_bvh(synthetic.walk(rate=30, steps=4).motion, tmp_path)
    takemill.map_body()
    action = suit.animation_data.action
    bag = actions.channelbag(action, suit.animation_data.action_slot)
    for curve in [c for c in bag.fcurves if '"left_hand"' in c.data_path]:
        bag.fcurves.remove(curve)
    if evaluated:
        suit.pose.bones["head"].constraints.new("LIMIT_SCALE")
    hand = suit.pose.bones["left_hand"]
    hand.rotation_mode = "QUATERNION"
    stage.activate(bpy.context, suit)
    takemill.add_clip()
    (data, facts), shown = packed(suit, tmp_path / "one"), None
    for rotation in ((0.8, 0.6, 0, 0), (0, 0, 1, 0)):
        hand.rotation_quaternion, hand.location = rotation, (0.1, 0, 0)
        bpy.context.scene.frame_set(7)
        shown = hand.matrix.copy()
        again, said = packed(suit, tmp_path / "two")
        assert again == data
        assert said["takes"][0]["sha256"] == facts["takes"][0]["sha256"]
        assert tuple(hand.rotation_quaternion) == pytest.approx(rotation)
        assert np.array(hand.matrix) == pytest.approx(np.array(shown), abs=1e-6)
    glb = read_glb(data)
    rest = np.array(suit.data.bones["left_hand"].matrix_local)
    above = np.array(suit.data.bones["left_hand"].parent.matrix_local)
    own = glb.locals_at(action.name, 0.2)[glb.node("left_hand")]
    np.testing.assert_allclose(own, np.linalg.inv(above) @ rest, atol=1e-5)
