"""A closed loop plays on and on in Blender, its seam in the middle on demand, and leaves nothing behind."""

from __future__ import annotations

import bpy
import numpy as np
import pytest

import synthetic
from blender_scene import empty_scene, import_bvh, keys_of, poses, skinned_cloth
from takemill.loops.loop_feet import repeat_loop
from takemill_addon.bridge.clips.clip_record import clip_of
from takemill_addon.bridge.scene import actions
from takemill_addon.bridge.takes import stage

pytestmark = pytest.mark.usefixtures("addon")
takemill = bpy.ops.takemill


def loop(folder, root_motion: str = "root", turn_deg: float = 0.0):
    """A walk with a closed loop of it, which plays."""
    empty_scene(30)
    suit = import_bvh(synthetic.walk(rate=30, turn_deg=turn_deg).motion, folder, root=True)
    for path in ("location", "rotation_quaternion"):  # without keys it would show what other Actions left
        suit.pose.bones["root"].keyframe_insert(path)
    cut = playing(suit).takemill.cuts.add()
    cut.name, cut.start, cut.end, cut.loop, cut.kind = "locomotion", 50, 210, True, "locomotion"
    cut.root_motion = root_motion
    takemill.make_clips()
    takemill.play_clip(index=0)
    return suit


@pytest.fixture
def walker(tmp_path):
    return loop(tmp_path)


def playing(suit) -> bpy.types.Action:
    return suit.animation_data.action


def period(suit) -> int:
    return int(suit.takemill.clips[0].action.frame_range[1])


def played() -> tuple[int, int]:
    scene = bpy.context.scene
    assert scene.use_preview_range
    return scene.frame_preview_start, scene.frame_preview_end


def facts_of(action) -> tuple:
    """All that a preview must leave alone."""
    modifiers = sum(len(c.modifiers) for c in actions.channelbag(action, action.slots[0]).fcurves)
    events = [(marker.name, marker.frame) for marker in action.pose_markers]
    ends = action.use_cyclic, action.use_frame_range, tuple(action.frame_range), action.use_fake_user
    return keys_of(action), modifiers, events, ends, action.name, action.takemill.record


@pytest.mark.parametrize("root_motion", ["root", "in_place", "keep"])
def test_a_held_loop_is_cyclic_and_stays_on_the_spot(tmp_path, root_motion):
    suit = loop(tmp_path, root_motion, turn_deg=60)
    length = period(suit)
    assert takemill.preview_loop() == {"FINISHED"}
    action = playing(suit)
    assert action.use_cyclic
    assert action.use_frame_range
    assert tuple(action.frame_range) == (0, length)
    assert played() == (0, length - 1)
    frames = np.arange(0, length, 3)
    within = poses(suit, frames)
    for away in (-length, length, 7 * length):  # before and behind the keys
        np.testing.assert_allclose(poses(suit, frames + away), within, atol=1e-5)
    hips = list(suit.pose.bones.keys()).index("hips")
    assert np.ptp(within[:, hips, :2, 3], axis=0).max() < 0.1


@pytest.mark.parametrize("root_motion", ["root", "in_place", "keep"])
@pytest.mark.parametrize("centred", [False, True])
def test_travel_goes_on_from_cycle_to_cycle(tmp_path, root_motion, centred):
    """Against the loop repeated by the core, on a way that turns."""
    suit = loop(tmp_path, root_motion, turn_deg=60)
    length = period(suit)
    work = stage.work_from_context(bpy.context)
    clip = clip_of("locomotion", work.action, work.take.motion, work.body, work.take.start)
    takemill.preview_loop(with_root_motion=True, centred=centred)
    assert played() == (0, 4 * length - 1)
    lead = length // 2 if centred else 0
    truth = repeat_loop(clip.world_motion, work.body, 6).model()[1]
    hips = work.take.motion.skeleton.index("hips")
    seen = poses(suit, range(0, 4 * length, 5))[:, hips, :3, 3]
    np.testing.assert_allclose(seen, truth[lead : lead + 4 * length : 5, hips], atol=1e-4)
    assert np.linalg.norm(np.diff(truth[::length, hips], axis=0), axis=-1).min() > 0.5


def test_a_straight_way_goes_on_beyond_the_keys(walker):
    length, hips = period(walker), list(walker.pose.bones.keys()).index("hips")
    takemill.preview_loop(with_root_motion=True)
    at = poses(walker, [0, length, 2 * length, 9 * length])[:, hips, :3, 3]
    np.testing.assert_allclose(at[2] - at[1], at[1] - at[0], atol=1e-4)
    np.testing.assert_allclose(at[3] - at[0], 9 * (at[1] - at[0]), atol=1e-3)


def test_the_seam_lies_in_the_middle(walker):
    length = period(walker)
    first = poses(walker, [0])
    takemill.preview_loop(centred=True)
    (seam,) = [marker.frame for marker in playing(walker).pose_markers if marker.name == "seam"]
    assert seam == length - length // 2
    start, end = played()
    assert abs(seam - (start + end) / 2) <= 1
    np.testing.assert_allclose(poses(walker, [seam]), first, atol=1e-5)


def test_a_preview_leaves_nothing_behind_and_changes_no_set(walker, tmp_path):
    skinned_cloth(walker)
    chosen = bpy.context.scene.takemill
    chosen.set_name = "set"
    stage.activate(bpy.context, walker)

    def packed(name: str) -> dict[str, bytes]:
        chosen.set_folder = str(tmp_path / name)
        assert takemill.pack_set() == {"FINISHED"}
        return {path.name: path.read_bytes() for path in (tmp_path / name).iterdir()}

    clip = playing(walker)
    before, known, alone = facts_of(clip), set(bpy.data.actions.keys()), packed("before")
    takemill.preview_loop()
    takemill.preview_loop(centred=True)
    takemill.preview_loop(centred=True, with_root_motion=True)
    assert len(bpy.data.actions) == len(known) + 1
    assert packed("during") == alone
    assert takemill.stop_loop() == {"FINISHED"}
    assert playing(walker) == clip
    assert played() == (0, period(walker) - 1)  # without the pose that repeats
    assert facts_of(clip) == before
    assert set(bpy.data.actions.keys()) == known
    assert packed("after") == alone


def test_playing_something_else_ends_the_preview(walker):
    known = set(bpy.data.actions.keys())
    for leave in (lambda: takemill.play_clip(index=0), takemill.play_source):
        takemill.preview_loop()
        leave()
        assert set(bpy.data.actions.keys()) == known
        assert playing(walker) == walker.takemill.clips[0].action


def test_undo_takes_a_preview_back_and_its_end_too(walker):
    name, known = walker.name, set(bpy.data.actions.keys())
    bpy.ops.ed.undo_push(message="before")
    takemill.preview_loop("EXEC_DEFAULT", True)
    takemill.stop_loop("EXEC_DEFAULT", True)
    bpy.ops.ed.undo()
    assert playing(bpy.data.objects[name]).takemill.looping
    bpy.ops.ed.undo()
    assert set(bpy.data.actions.keys()) == known
    assert playing(bpy.data.objects[name]).name == "locomotion"


def test_no_stage_works_on_a_preview(walker):
    takemill.preview_loop()
    assert playing(walker).users == 1  # a preview that nobody plays is not saved
    for stage_name in ("close_loop", "mirror_clip", "add_clip", "thin_keys", "repair_take"):
        with pytest.raises(RuntimeError, match="Stop the preview first"):
            getattr(takemill, stage_name)()
    takemill.stop_loop()
    with pytest.raises(RuntimeError, match="The active action is no preview of a loop"):
        takemill.stop_loop()
    takemill.play_source()
    with pytest.raises(RuntimeError, match="The active action is no closed loop"):
        takemill.preview_loop()
