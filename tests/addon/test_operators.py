"""Each stage as an operator, on walks, turns and idles whose truth is known, in the real bpy."""

from __future__ import annotations

import json
import re
from dataclasses import replace

import bpy
import numpy as np
import pytest

import synthetic
from blender_scene import choose, empty_scene, import_bvh, keys_of, odd_rig, poses, random_take
from takemill.body.body_map import BodyMap, heading
from takemill.clip.root_motion import RootMotion, add_root_joint, apply_root_motion, find_root_motion
from takemill.maths import quat
from takemill_addon.bridge.clips.clip_record import ClipRecord, root_motion_of
from takemill_addon.bridge.motion.read_action import read_take
from takemill_addon.bridge.scene import actions
from takemill_addon.bridge.takes import stage
from takemill_addon.bridge.takes.recipe import recipe_of
from takemill_addon.properties.repair import REPAIR_STEPS

pytestmark = pytest.mark.usefixtures("addon")
takemill = bpy.ops.takemill


@pytest.fixture
def suit(tmp_path):
    """A walk of twelve steps at 60 frames per second, mapped, with a root bone."""
    empty_scene(60)
    return import_bvh(synthetic.walk(rate=60).motion, tmp_path, root=True)


def playing(armature) -> bpy.types.Action:
    return armature.animation_data.action


def everything() -> dict:
    """What an operator that fails must leave alone."""
    return {
        "actions": {action.name: keys_of(action) for action in bpy.data.actions},
        "playing": {
            item.name: item.animation_data and item.animation_data.action for item in bpy.data.objects
        },
        "bones": {item.name: len(item.data.bones) for item in bpy.data.objects if item.type == "ARMATURE"},
        "lists": {
            item.name: (len(item.takemill.parts), [clip.name for clip in item.takemill.clips])
            for item in bpy.data.objects
        },
        "frame": bpy.context.scene.frame_current_final,
    }


STAGES = (
    "check_take",
    "repair_take",
    "fit_take",
    "suggest_cuts",
    "make_clips",
    "close_loop",
    "extract_root_motion",
    "add_contact_events",
)


def prepare_for(name: str, suit) -> None:
    """What comes before a stage in the order of the work."""
    if name == "fit_take":
        other = suit.copy()
        other.data = suit.data.copy()
        bpy.context.scene.collection.objects.link(other)
        other.animation_data_clear()
        choose(other)
    if name == "make_clips":
        cut = playing(suit).takemill.cuts.add()
        cut.name, cut.start, cut.end, cut.loop, cut.kind = "locomotion", 100, 420, True, "locomotion"


@pytest.mark.parametrize("name", STAGES)
def test_a_stage_leaves_the_action_that_it_read(suit, name):
    prepare_for(name, suit)
    take = playing(suit)
    before = keys_of(take), [(m.name, m.frame) for m in take.pose_markers], take.name
    assert getattr(takemill, name)() == {"FINISHED"}
    assert (keys_of(take), [(m.name, m.frame) for m in take.pose_markers], take.name) == before
    for action in bpy.data.actions:
        if action != take:
            assert action.use_fake_user
            assert action.takemill.source == take


@pytest.mark.parametrize("name", STAGES)
def test_a_stage_says_why_it_cannot_run(name):
    empty_scene()
    with pytest.raises(RuntimeError, match="Select an armature"):
        getattr(takemill, name)()
    rig = odd_rig(4)
    with pytest.raises(RuntimeError, match="The armature has no action"):
        getattr(takemill, name)()
    random_take(rig)
    with pytest.raises(RuntimeError, match="Map the body first"):
        getattr(takemill, name)()


@pytest.mark.parametrize("name", STAGES)
def test_an_action_without_pose_curves_is_an_error_and_changes_nothing(suit, name):
    prepare_for(name, suit)
    empty = bpy.data.actions.new("empty")
    cuts = [(cut.name, cut.start, cut.end) for cut in playing(suit).takemill.cuts]
    for cut in cuts:
        item = empty.takemill.cuts.add()
        item.name, item.start, item.end = cut
    suit.animation_data.action = empty
    before = everything()
    with pytest.raises(RuntimeError, match="'empty': it has no keys on the bones of"):
        getattr(takemill, name)()
    assert everything() == before


@pytest.mark.parametrize(
    "name", ["repair_take", "fit_take", "make_clips", "close_loop", "extract_root_motion"]
)
def test_undo_takes_a_stage_back(suit, name):
    prepare_for(name, suit)
    rig, before = suit.name, set(bpy.data.actions.keys())
    take = playing(suit).name
    bpy.ops.ed.undo_push(message="before")
    assert getattr(takemill, name)("EXEC_DEFAULT", True) == {"FINISHED"}
    assert set(bpy.data.actions.keys()) - before
    bpy.ops.ed.undo()
    assert set(bpy.data.actions.keys()) == before
    assert playing(bpy.data.objects[rig]).name == take


def test_map_body_names_the_bones_and_add_root_bone_moves_nothing(tmp_path):
    empty_scene(60)
    suit = import_bvh(synthetic.walk(rate=60, steps=2).motion, tmp_path)
    takemill.map_body()
    found = {part.name: part.bone for part in suit.takemill.parts}
    assert synthetic.parts().items() <= found.items()
    names = [bone.name for bone in suit.data.bones]
    frames = range(1, 100, 7)
    before = poses(suit, frames)
    takemill.add_root_bone()
    assert suit.data.bones["hips"].parent.name == "root"
    after = poses(suit, frames)[:, [suit.data.bones.find(name) for name in names]]
    np.testing.assert_allclose(after, before, atol=1e-6)
    with pytest.raises(RuntimeError, match="it has a root bone already"):
        takemill.add_root_bone()


def test_a_lost_bone_is_named(suit):
    suit.data.bones["head"].name = "skull"
    with pytest.raises(RuntimeError, match="its body map names bone 'head', which is gone; map it again"):
        takemill.check_take()


def spikes(action) -> list[tuple[int, int, bool]]:
    found = (f for f in action.takemill.findings if (f.kind, f.joint) == ("spike", "left_lower_arm"))
    return [(finding.start, finding.stop, finding.repaired) for finding in found]


def test_check_finds_a_spike_in_scene_frames(suit):
    bag = actions.channelbag(playing(suit), suit.animation_data.action_slot)
    curve = next(c for c in bag.fcurves if "left_lower_arm" in c.data_path and "rotation" in c.data_path)
    curve.keyframe_points[200].co.y += 0.5
    frame = int(curve.keyframe_points[200].co.x)
    takemill.check_take()
    assert spikes(playing(suit)) == [(frame, frame + 1, False)]
    before = json.loads(playing(suit).takemill.measures)["spike_frames"]
    takemill.repair_take()
    assert json.loads(playing(suit).takemill.measures)["spike_frames"] < before
    assert spikes(playing(suit)) == [(frame, frame + 1, True)]
    assert playing(suit).name.endswith(" repaired")


def test_repair_steps_that_are_off_leave_their_faults(suit):
    bag = actions.channelbag(playing(suit), suit.animation_data.action_slot)
    curve = next(c for c in bag.fcurves if "left_lower_arm" in c.data_path and "rotation" in c.data_path)
    curve.keyframe_points[200].co.y += 0.5
    chosen = bpy.context.scene.takemill
    for step in REPAIR_STEPS:
        setattr(chosen, f"repair_{step}", False)
    raw = playing(suit)
    takemill.repair_take()
    was, now = (read_take(bpy.context, suit, action).motion for action in (raw, playing(suit)))
    assert quat.angle_between(was.rotations, now.rotations).max() < 1e-5


def test_a_fitted_character_plays_at_its_own_place(suit, tmp_path):
    """A character of 0.6 times the size, turned and shifted in the scene: its steps are 0.6 times as long."""
    small = import_bvh(synthetic.idle(rate=60, scale=0.6, duration_s=1).motion, tmp_path, "small")
    small.animation_data_clear()
    small.location, small.rotation_euler = (5, 3, 0), (0, 0, 1.0)
    bpy.context.view_layer.update()
    stage.activate(bpy.context, suit)
    choose(small)
    way = read_take(bpy.context, suit, playing(suit)).motion.model()[1][:, 1]
    takemill.fit_take()
    assert bpy.context.view_layer.objects.active == suit
    assert {part.name for part in small.takemill.parts} >= set(synthetic.parts())
    fitted = read_take(bpy.context, small, playing(small)).motion.model()[1][:, 0]
    own = quat.rotate(quat.inv(quat.from_yaw(1.0)), fitted - np.array([5.0, 3.0, 0.0]))
    np.testing.assert_allclose(own[:, :2], 0.6 * way[:, :2], atol=0.02)


def test_make_clips_closes_loops_and_splits_travel(suit):
    takemill.suggest_cuts()
    take, cuts = playing(suit), playing(suit).takemill.cuts
    steps = next(cut for cut in cuts if cut.kind == "locomotion" and cut.loop)
    for cut in cuts:
        cut.use = cut.name == steps.name
    takemill.make_clips()
    (clip,) = suit.takemill.clips
    assert playing(suit) == take
    record = ClipRecord.of_action(clip.action)
    assert (record.kind, record.loop, record.root_motion_mode, record.source) == (
        "locomotion",
        True,
        "root",
        take.name,
    )
    motion = read_take(bpy.context, suit, clip.action).motion
    truth = synthetic.walk(rate=60)
    assert len(motion) - 1 == truth.period
    body = stage.body_of(suit, motion.skeleton)
    root, others = body.require("root"), [j for j in range(len(motion.skeleton)) if j != body.require("root")]
    assert quat.angle_between(motion.rotations[0, others], motion.rotations[-1, others]).max() < 1e-5
    path = motion.translation_of(root)
    np.testing.assert_allclose(path[0], 0, atol=1e-6)
    way = truth.path[truth.steady[0] + truth.period] - truth.path[truth.steady[0]]
    assert np.linalg.norm(path[-1]) == pytest.approx(np.linalg.norm(way), abs=0.005)
    assert clip.action.frame_range[0] == 0
    events = {marker.name for marker in clip.action.pose_markers}
    assert {"leftFoot.down", "leftFoot.up", "rightFoot.down", "rightFoot.up"} <= events


def test_making_clips_again_keeps_the_old_actions(suit):
    prepare_for("make_clips", suit)
    takemill.make_clips()
    first = suit.takemill.clips[0].action
    keys = keys_of(first)
    takemill.make_clips()
    assert [clip.name for clip in suit.takemill.clips] == ["locomotion"]
    assert suit.takemill.clips[0].action != first
    assert keys_of(first) == keys


def test_a_cut_outside_the_take_makes_no_clip(suit):
    prepare_for("make_clips", suit)
    playing(suit).takemill.cuts[0].end = 5000
    before = everything()
    with pytest.raises(RuntimeError, match=r"clip 'locomotion': .* leaves the take"):
        takemill.make_clips()
    assert everything() == before


def test_where_one_cut_makes_no_clip_the_others_do(suit, capfd):
    prepare_for("make_clips", suit)
    cut = playing(suit).takemill.cuts.add()
    cut.name, cut.start, cut.end = "gone", 100, 5000
    assert takemill.make_clips() == {"FINISHED"}
    assert [clip.name for clip in suit.takemill.clips] == ["locomotion"]
    said = capfd.readouterr().out
    assert re.search(r"Warning: not made: clip 'gone': from .* leaves the take", said)
    assert "1 clips made: locomotion; not made: gone" in said


def test_a_combination_is_cut_as_the_field_says(suit):
    bpy.context.scene.takemill.cut_combinations = "parts"
    takemill.suggest_cuts()
    cuts = playing(suit).takemill.cuts
    assert all(cut.why.endswith("% sure)") for cut in cuts)
    settings = recipe_of(bpy.context.scene)
    assert settings.cuts.combinations == "parts"


def test_travel_on_a_root_that_is_not_there(tmp_path):
    empty_scene(60)
    suit = import_bvh(synthetic.walk(rate=60).motion, tmp_path)
    takemill.map_body()
    prepare_for("make_clips", suit)
    before = everything()
    for name in ("make_clips", "extract_root_motion"):
        with pytest.raises(RuntimeError, match="it has no root bone"):
            getattr(takemill, name)()
    assert everything() == before


def test_single_stages_after_each_other(suit):
    """Loop, root motion and events on one action by hand; what was known goes along."""
    take = playing(suit)
    takemill.add_clip()
    with pytest.raises(RuntimeError, match="it is on the list already"):
        takemill.add_clip()
    takemill.close_loop()
    closed = read_take(bpy.context, suit, playing(suit)).motion
    world = closed.model()[1]
    takemill.extract_root_motion(mode="in_place")
    record = ClipRecord.of_action(playing(suit))
    assert record.loop
    assert isinstance(record.root_motion, RootMotion)
    still = read_take(bpy.context, suit, playing(suit)).motion.model()[1]
    moved = (
        quat.rotate(quat.from_yaw(record.root_motion.heading)[:, None], still)
        + record.root_motion.position[:, None]
    )
    moved = quat.rotate(quat.from_yaw(heading(closed, stage.body_of(suit, closed.skeleton))[0]), moved)
    body = [bone != "root" for bone in list(suit.pose.bones.keys())]  # the root bone itself rests in place
    start = [*(world - moved)[0, body][0, :2], 0.0]
    np.testing.assert_allclose(moved[:, body] + start, world[:, body], atol=1e-5)
    takemill.add_contact_events()
    assert len(playing(suit).pose_markers) >= 4
    assert suit.takemill.clips[0].action == playing(suit)
    takemill.play_source()
    takemill.play_source()
    takemill.play_source()
    assert playing(suit) == take
    with pytest.raises(RuntimeError, match="was not made from another one"):
        takemill.play_source()


def test_cut_list_by_hand(suit):
    scene, known = bpy.context.scene, playing(suit).takemill
    scene.use_preview_range = True
    scene.frame_preview_start, scene.frame_preview_end = 50, 90
    takemill.add_cut()
    takemill.add_cut()
    assert [(cut.name, cut.start, cut.end) for cut in known.cuts] == [
        ("clip_01", 50, 90),
        ("clip_02", 50, 90),
    ]
    known.cuts[1].start = 60
    takemill.preview_cut(index=1)
    assert (scene.frame_preview_start, scene.frame_current) == (60, 60)
    takemill.remove_cut()
    takemill.remove_cut()
    with pytest.raises(RuntimeError, match="no cut to remove"):
        takemill.remove_cut()


def test_playing_a_clip_shows_its_frames(suit):
    prepare_for("make_clips", suit)
    takemill.make_clips()
    takemill.play_clip(index=0)
    scene = bpy.context.scene
    assert playing(suit) == suit.takemill.clips[0].action
    assert (scene.frame_preview_start, scene.frame_current) == (0, 0)
    takemill.remove_clip()
    assert not suit.takemill.clips
    with pytest.raises(RuntimeError, match="gone"):
        takemill.play_clip(index=0)


def test_why_a_take_was_evaluated_is_kept_for_the_panel(suit):
    constraint = suit.pose.bones["head"].constraints.new("LIMIT_ROTATION")
    takemill.check_take()
    assert playing(suit).takemill.evaluated == "constraints on 1 bones (head)"
    constraint.mute = True
    takemill.check_take()
    assert playing(suit).takemill.evaluated == ""


def test_a_clip_begins_with_the_pose_of_its_cut(suit):
    cut = playing(suit).takemill.cuts.add()
    cut.name, cut.start, cut.end, cut.root_motion = "part", 131, 160, "in_place"
    take = read_take(bpy.context, suit, playing(suit))
    takemill.make_clips()
    clip = suit.takemill.clips[0].action
    motion = read_take(bpy.context, suit, clip).motion
    assert tuple(clip.frame_range) == (0, 29)
    assert ClipRecord.of_action(clip).source_range == (130, 160)
    arm = motion.skeleton.index("left_upper_arm")
    np.testing.assert_allclose(motion.rotations[:, arm], take.motion.rotations[130:160, arm], atol=1e-6)


def test_a_root_bone_of_any_rest_tells_the_travel():
    """The root motion that is put on a root joint with an odd rest is read back from it."""
    walk = synthetic.walk(rate=30, turn_deg=90).motion
    motion, body = add_root_joint(walk, BodyMap.from_names(walk.skeleton, synthetic.parts()))
    turned = replace(
        motion.skeleton,
        rest_rotation=np.concatenate(
            [quat.exp(np.array([[0.4, -1.2, 0.7]])), motion.skeleton.rest_rotation[1:]]
        ),
        rest_translation=np.concatenate([[[0.3, 0.1, 0.2]], motion.skeleton.rest_translation[1:]]),
    )
    motion = replace(motion, skeleton=turned)
    way = find_root_motion(motion, body).relative()
    rooted = apply_root_motion(motion, body, way, "root")
    back = root_motion_of(rooted, body, ClipRecord(root_motion_mode="root"))
    np.testing.assert_allclose(back.position, way.position, atol=1e-9)
    np.testing.assert_allclose(back.heading, way.heading, atol=1e-9)
