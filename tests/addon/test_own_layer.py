"""Jaw, tail and props of a character go on playing what they play when a take is fitted to it."""

from __future__ import annotations

import bpy
import numpy as np
import pytest

import synthetic
from blender_scene import choose, empty_scene, import_bvh, write_curves
from glb_reader import read_glb
from takemill_addon.bridge.characters.targets import Target
from takemill_addon.bridge.rigs.own_layer import free_bones
from takemill_addon.bridge.scene import actions
from takemill_addon.bridge.takes import stage

pytestmark = pytest.mark.usefixtures("addon")
takemill = bpy.ops.takemill
OWN = {"jaw": "head", "ear": "head", "tail_01": "hips"}
"""Bone of the character -> the bone that it hangs on; the suit has a jaw too."""


def add_bones(armature, bones: dict[str, str]) -> None:
    stage.activate(bpy.context, armature)
    bpy.ops.object.mode_set(mode="EDIT")
    edit = armature.data.edit_bones
    for name, parent in bones.items():
        bone = edit.new(name)
        bone.parent = edit[parent]
        bone.head = edit[parent].tail
        bone.tail = bone.head + (edit[parent].tail - edit[parent].head) * 0.5
    bpy.ops.object.mode_set(mode="OBJECT")


def map_part(armature, part: str, bone: str) -> None:
    item = armature.takemill.parts.get(part) or armature.takemill.parts.add()
    item.name, item.bone = part, bone


def own_action(armature, first: int = 1, last: int = 200) -> bpy.types.Action:
    """Sparse Bezier keys on the character's own bones, on a leg, and on a bone's property."""
    action, slot, bag = actions.new_action(armature, "own")
    rng = np.random.default_rng(3)
    frames = np.arange(first, last, 9)
    for bone in (*OWN, "left_lower_leg"):
        armature.pose.bones[bone].rotation_mode = "XYZ"
        path = f'pose.bones["{bone}"].rotation_euler'
        write_curves(bag, path, frames, 0.4 * rng.normal(size=(len(frames), 3)))
    for curve in bag.fcurves:
        curve.keyframe_points.foreach_set("interpolation", np.full(len(frames), 2, np.uint8))
        curve.update()
    write_curves(bag, 'pose.bones["ear"].scale', frames, 1 + 0.2 * rng.random(size=(len(frames), 3)))
    actions.assign(armature, action, slot)
    return action


def played(armature, action, bones, frames) -> np.ndarray:
    """Each bone's own basis (F, bones, 4, 4), as Blender plays an Action."""
    actions.assign(armature, action, actions.slot_for(action, armature))
    out = []
    for frame in frames:
        bpy.context.scene.frame_set(int(frame))
        out.append([np.array(armature.pose.bones[bone].matrix_basis) for bone in bones])
    return np.array(out)


@pytest.fixture
def scene(tmp_path):
    """A suit with a jaw of its own, and a character whose jaw, ear and tail play something."""
    empty_scene(30)
    suit = import_bvh(synthetic.walk(rate=30, steps=6).motion, tmp_path, "suit")
    add_bones(suit, {"jaw": "head"})
    take = suit.animation_data.action
    bag = actions.channelbag(take, suit.animation_data.action_slot)
    frames = np.arange(1, 150)
    values = np.stack([0.3 * np.sin(0.2 * frames), 0 * frames, 0 * frames], -1)
    suit.pose.bones["jaw"].rotation_mode = "XYZ"
    write_curves(bag, 'pose.bones["jaw"].rotation_euler', frames, values)
    takemill.map_body()
    map_part(suit, "jaw", "jaw")
    one = import_bvh(synthetic.idle(rate=30, scale=0.6, duration_s=1).motion, tmp_path, "mate", root=True)
    one.animation_data_clear()
    add_bones(one, OWN)
    takemill.map_body()
    map_part(one, "jaw", "jaw")
    one.name = "mate"
    own = own_action(one)
    stage.activate(bpy.context, suit)
    choose(one)
    return suit, one, own


def test_what_is_not_of_the_body_plays_on_after_a_fit(scene):
    """The same curves, between keys too, scale included; the leg is the take's."""
    _, one, own = scene
    frames, bones = np.arange(10, 140, 3), [*OWN]
    before = played(one, own, bones, frames)
    leg = played(one, own, ["left_lower_leg"], frames)
    takemill.fit_take()
    fitted = one.animation_data.action
    assert np.ptp(before, axis=0).max() > 0.3
    np.testing.assert_allclose(played(one, fitted, bones, frames), before, atol=1e-6)
    assert np.abs(played(one, fitted, ["left_lower_leg"], frames) - leg).max() > 0.1


def test_eyes_fingers_and_props_play_on_through_clips(scene):
    """Mapped parts that the take does not move, as VRM 1.0 names them, and a prop of ours."""
    _, one, _ = scene
    parts = {"leftEye": "head", "rightThumbProximal": "right_hand", "prop.lantern": "left_hand"}
    add_bones(one, parts)
    for part in parts:
        map_part(one, part, part)
    own, frames = own_action(one), np.arange(60, 101)
    bag = actions.channelbag(own, own.slots[0])
    keys = np.arange(1, 200, 9)
    for number, part in enumerate(parts):
        one.pose.bones[part].rotation_mode = "XYZ"
        turns = 0.3 * np.sin(0.1 * keys[:, None] + number + np.arange(3))
        write_curves(bag, f'pose.bones["{part}"].rotation_euler', keys, turns)
    before = played(one, own, [*parts], frames)
    assert np.ptp(before, axis=0).max(axis=(1, 2)).min() > 0.1
    stage.activate(bpy.context, scene[0])
    takemill.fit_take()
    np.testing.assert_allclose(played(one, one.animation_data.action, [*parts], frames), before, atol=1e-6)
    stage.activate(bpy.context, one)
    cut = one.animation_data.action.takemill.cuts.add()
    cut.name, cut.start, cut.end, cut.root_motion = "stretch", 60, 100, "in_place"
    takemill.make_clips()
    (clip,) = one.takemill.clips
    np.testing.assert_allclose(played(one, clip.action, [*parts], np.arange(0, 41)), before, atol=2e-4)


def test_they_play_on_when_a_take_is_fitted_again(scene):
    _, one, own = scene
    frames, bones = np.arange(10, 140, 3), [*OWN]
    before = played(one, own, bones, frames)
    for _ in range(2):
        stage.activate(bpy.context, scene[0])
        takemill.fit_take()
    np.testing.assert_allclose(played(one, one.animation_data.action, bones, frames), before, atol=1e-6)


@pytest.mark.parametrize("asked", ["of all", "of one", "by a recipe"])
def test_the_take_moves_the_jaw_only_when_asked(asked, scene, tmp_path):
    suit, one, own = scene
    frames = np.arange(10, 140, 3)
    jaw = played(one, own, ["jaw"], frames)
    chosen = bpy.context.scene.takemill
    if asked == "of one":
        (row,) = [row for row in chosen.characters if row.armature == one]
        row.own = row.take_wins = True
    else:
        chosen.fit_take_wins = True
    if asked == "by a recipe":  # which keeps it, and brings it back
        takemill.save_recipe(filepath=str(tmp_path / "wins.toml"))
        chosen.fit_take_wins = False
        takemill.load_recipe(filepath=str(tmp_path / "wins.toml"))
    takemill.fit_take()
    fitted = one.animation_data.action
    moved = played(one, fitted, ["jaw"], frames)
    assert np.abs(moved - jaw).max() > 0.1
    of_suit = played(suit, suit.animation_data.action, ["jaw"], frames)
    np.testing.assert_allclose(
        np.trace(moved, axis1=2, axis2=3), np.trace(of_suit, axis1=2, axis2=3), atol=0.02
    )
    np.testing.assert_allclose(
        played(one, fitted, ["ear", "tail_01"], frames),
        played(one, own, ["ear", "tail_01"], frames),
        atol=1e-6,
    )


def test_without_keys_of_its_own_the_take_moves_the_jaw_and_nothing_else_is_keyed(scene):
    _, one, _ = scene
    one.animation_data_clear()
    takemill.fit_take()
    fitted = one.animation_data.action
    bag = actions.channelbag(fitted, fitted.slots[0])
    keyed = {actions.bone_channel(curve.data_path)[0] for curve in bag.fcurves}
    assert keyed == {part.bone for part in one.takemill.parts if part.bone and part.bone != "tail_01"}
    assert not keyed & {"ear", "tail_01"}


def test_clips_and_their_glb_play_it_too(scene, tmp_path):
    """Make Clips cuts the own layer with the body, and the packed file holds what the F-curves say."""
    _, one, own = scene
    bones = [*OWN]
    before = played(one, own, bones, np.arange(60, 101))
    takemill.fit_take()
    stage.activate(bpy.context, one)
    cut = one.animation_data.action.takemill.cuts.add()
    cut.name, cut.start, cut.end, cut.root_motion = "stretch", 60, 100, "in_place"
    takemill.make_clips()
    (clip,) = one.takemill.clips
    turns, wanted = (
        bases[..., :3, :3] / np.linalg.norm(bases[..., :3, :3], axis=-2, keepdims=True)  # clips hold no scale
        for bases in (played(one, clip.action, bones, np.arange(0, 41)), before)
    )
    np.testing.assert_allclose(turns, wanted, atol=2e-4)
    chosen = bpy.context.scene.takemill
    chosen.set_folder, chosen.set_name = str(tmp_path / "set"), "mate"
    stage.activate(bpy.context, one)
    takemill.pack_set()
    document = read_glb((tmp_path / "set" / "mate.glb").read_bytes())
    names = [node.get("name") for node in document.json["nodes"]]
    moved = {
        names[channel["target"]["node"]]
        for channel in document.json["animations"][0]["channels"]
        if channel["target"]["path"] == "rotation"
    }
    assert set(bones) <= moved


def test_a_character_that_walks_by_itself_does_not_walk_under_the_take(scene):
    """What carries the body is the take's: an own key on the root bone does not move the fitted walk."""
    _, one, own = scene
    bone = one.takemill.parts["root"].bone
    one.takemill.parts["root"].bone = ""  # it carries the body, mapped or not
    takemill.fit_take()
    frames = np.arange(10, 140, 10)
    plain = played(one, one.animation_data.action, [bone], frames)
    bag = actions.channelbag(own, own.slots[0])
    write_curves(bag, f'pose.bones["{bone}"].location', frames, np.random.default_rng(1).normal(size=(13, 3)))
    actions.assign(one, own, own.slots[0])
    stage.activate(bpy.context, scene[0])
    takemill.fit_take()
    np.testing.assert_allclose(played(one, one.animation_data.action, [bone], frames), plain, atol=1e-6)


def test_what_is_free_of_the_body():
    """Every part that the VRM 1.0 humanoid lists outside of trunk and limbs, and tails and props of ours."""
    parts = (
        "hips",
        "leftFoot",
        "leftHand",
        "neck",
        "jaw",
        "leftEye",
        "rightThumbDistal",
        "tail.0",
        "prop.oar",
    )
    empty_scene()

    class Names:
        def names(self, _):
            return {part: part for part in parts}

    assert free_bones(None, Names()) == set(parts[4:])


def test_all_ticked_characters_are_fitted_at_once(scene, tmp_path):
    suit, one, _ = scene
    other = import_bvh(
        synthetic.idle(rate=30, scale=1.2, duration_s=1).motion, tmp_path, "captain", root=True
    )
    other.animation_data_clear()
    other.name = "captain"
    choose()
    stage.activate(bpy.context, suit)
    with pytest.raises(RuntimeError, match="Add the character that the take is fitted to"):
        takemill.fit_take()
    choose(one, other)
    assert takemill.fit_take() == {"FINISHED"}
    for item in (one, other):
        assert item.animation_data.action.takemill.performer == suit
    heights = [Target.of(bpy.context.scene, item).skeleton.height for item in (one, other)]
    assert heights[1] / heights[0] == pytest.approx(2.0, abs=0.2)


def test_when_one_of_them_cannot_be_fitted_none_is(scene, tmp_path):
    suit, one, own = scene
    other = import_bvh(synthetic.idle(rate=30, duration_s=1).motion, tmp_path, "captain", root=True)
    other.animation_data_clear()
    other.scale = (1, 1, -1)
    bpy.context.view_layer.update()
    choose(one, other)
    stage.activate(bpy.context, suit)
    before = set(bpy.data.actions.keys())
    with pytest.raises(RuntimeError, match="its scale is mirrored or differs between axes; apply it"):
        takemill.fit_take()
    assert set(bpy.data.actions.keys()) == before
    assert one.animation_data.action == own
    assert other.animation_data is None or other.animation_data.action is None


def test_hands_without_fingers_hold_a_pose_of_the_characters(scene):
    _, one, _ = scene
    add_bones(one, {"thumb": "left_hand"})
    one.pose.bones["thumb"].rotation_mode = "QUATERNION"
    *_, bag = actions.new_action(one, "grip")
    turn = np.array([[0.8, 0.6, 0.0, 0.0]])
    write_curves(bag, 'pose.bones["thumb"].rotation_quaternion', np.array([1]), turn)
    chosen = bpy.context.scene.takemill
    chosen.fit_hand_pose = "grip"
    stage.activate(bpy.context, scene[0])
    takemill.fit_take()
    for basis in played(one, one.animation_data.action, ["thumb"], [5, 60])[:, 0]:
        np.testing.assert_allclose(np.degrees(np.arccos((np.trace(basis[:3, :3]) - 1) / 2)), 73.74, atol=0.1)
    chosen.fit_hand_pose = "none"
    stage.activate(bpy.context, scene[0])
    with pytest.raises(RuntimeError, match="hand pose: no action is called 'none'"):
        takemill.fit_take()


def test_a_pose_of_the_characters_stands_for_its_rest(scene):
    """A head that is bowed in it is held up as the performer's, and bowed on top of it when it is kept."""
    _, one, _ = scene
    one.pose.bones["head"].rotation_mode = "QUATERNION"
    *_, bag = actions.new_action(one, "bow")
    turn = np.array([[np.cos(np.radians(15)), np.sin(np.radians(15)), 0.0, 0.0]])
    write_curves(bag, 'pose.bones["head"].rotation_quaternion', np.array([1]), turn)
    heads = []
    for name in ("", "bow"):
        bpy.context.scene.takemill.fit_rest_pose = name
        stage.activate(bpy.context, scene[0])
        takemill.fit_take()
        heads.append(played(one, one.animation_data.action, ["head"], [60])[0, 0, :3, :3])
    between = np.trace(heads[0].T @ heads[1])
    np.testing.assert_allclose(np.degrees(np.arccos((between - 1) / 2)), 30.0, atol=0.5)
    bpy.context.scene.takemill.fit_rest_pose = "none"
    stage.activate(bpy.context, scene[0])
    with pytest.raises(RuntimeError, match="rest pose: no action is called 'none'"):
        takemill.fit_take()
