"""Variants of a clip in Blender: mirrored, retimed and additive, on the list, on the timeline and packed."""

from __future__ import annotations

import json

import bpy
import numpy as np
import pytest

import synthetic
from additive import added
from blender_scene import empty_scene, import_bvh, keys_of, skinned_cloth
from takemill.clip import mirror
from takemill.maths import quat
from takemill_addon.bridge.clips.clip_record import ClipRecord
from takemill_addon.bridge.takes import stage

pytestmark = pytest.mark.usefixtures("addon")
takemill = bpy.ops.takemill


@pytest.fixture(params=["root", "in_place", "keep"])
def walker(request, tmp_path):
    """A walk with a closed loop of it, which plays; its root motion parted in each way."""
    return _walker(tmp_path, request.param)


@pytest.fixture
def rooted(tmp_path):
    return _walker(tmp_path, "root")


def _walker(folder, root_motion: str):
    empty_scene(30)
    suit = import_bvh(synthetic.walk(rate=30, turn_deg=60).motion, folder, root=True)
    cut = suit.animation_data.action.takemill.cuts.add()
    cut.name, cut.start, cut.end, cut.loop, cut.kind = "locomotion", 50, 210, True, "locomotion"
    cut.root_motion = root_motion
    takemill.make_clips()
    takemill.play_clip(index=0)
    return suit


def names(suit) -> list[str]:
    return [clip.name for clip in suit.takemill.clips]


def playing(suit) -> bpy.types.Action:
    return suit.animation_data.action


def shown_motion():
    return stage.work_from_context(bpy.context).take.motion


def events_of(action) -> list[tuple[str, int]]:
    return sorted((marker.name, marker.frame) for marker in action.pose_markers)


def pack(suit, folder) -> dict:
    skinned_cloth(suit)
    stage.activate(bpy.context, suit)
    chosen = bpy.context.scene.takemill
    chosen.set_folder, chosen.set_name = str(folder), "set"
    assert takemill.pack_set() == {"FINISHED"}
    return {clip["name"]: clip for clip in json.loads((folder / "clips.json").read_text())["clips"]}


def test_a_mirrored_clip_stands_beside_its_clip_with_its_marks_exchanged(walker):
    clip = playing(walker)
    before, was = keys_of(clip), shown_motion()
    assert takemill.mirror_clip() == {"FINISHED"}
    assert names(walker) == ["locomotion", "locomotion_mirrored"]
    assert walker.takemill.clips[1].action == playing(walker) != clip
    assert keys_of(clip) == before
    exchanged = sorted((mirror.other_side(name), frame) for name, frame in events_of(clip))
    assert events_of(playing(walker)) == exchanged != events_of(clip)
    left, right = (was.skeleton.index(f"{side}_foot") for side in ("left", "right"))
    hips = was.skeleton.index("hips")
    now = shown_motion()
    for one, other in ((left, right), (right, left), (hips, hips)):
        at, seen = now.model()[1][:, one], was.model()[1][:, other]
        np.testing.assert_allclose(at, seen * [-1, 1, 1], atol=2e-5)


def test_mirrored_twice_is_the_clip(walker):
    clip, was = playing(walker), shown_motion()
    takemill.mirror_clip()
    takemill.mirror_clip()
    now = shown_motion()
    np.testing.assert_allclose(now.model()[1], was.model()[1], atol=2e-5)
    assert events_of(playing(walker)) == events_of(clip)
    first, last = (ClipRecord.of_action(action) for action in (clip, playing(walker)))
    assert np.array_equal(first.contacts.heel, last.contacts.heel)


def test_a_retimed_loop_has_whole_frames_and_the_same_way(walker, tmp_path):
    clip = playing(walker)
    takemill.retime_clip(speed=1.25)
    facts = pack(walker, tmp_path / "set")
    was, now = facts["locomotion"], facts["locomotion_x1.25"]
    assert now["frames"] - 1 == round((was["frames"] - 1) / 1.25)
    assert now["loop"]
    assert now["variant"] == {
        "of": "locomotion", "mirror": False, "speed": 1.25, "additive_to": None, "against": None,
    }  # fmt: skip
    assert now["root_motion"]["distance_m"] == pytest.approx(was["root_motion"]["distance_m"], abs=1e-3)
    assert now["root_motion"]["turn_deg"] == pytest.approx(was["root_motion"]["turn_deg"], abs=0.01)
    phases = [{event["name"]: event["phase"] for event in one["events"]} for one in (was, now)]
    assert phases[1] == pytest.approx(phases[0], abs=0.6 / (now["frames"] - 1))
    assert clip.frame_range[1] == was["frames"] - 1


def test_a_mirrored_clip_packs_with_its_way_to_the_other_side(walker, tmp_path):
    takemill.mirror_clip()
    facts = pack(walker, tmp_path / "set")
    was, now = facts["locomotion"], facts["locomotion_mirrored"]
    assert abs(was["root_motion"]["turn_deg"]) > 2
    assert now["root_motion"]["turn_deg"] == pytest.approx(-was["root_motion"]["turn_deg"], abs=0.01)
    assert now["root_motion"]["distance_m"] == pytest.approx(was["root_motion"]["distance_m"], abs=1e-3)
    assert now["root_motion"]["mode"] == was["root_motion"]["mode"]
    sides = [{event["name"]: event["frame"] for event in one["events"]} for one in (was, now)]
    assert sides[0]["leftFoot.down"] == sides[1]["rightFoot.down"]
    assert now["variant"]["mirror"]


def test_an_additive_clip_laid_over_its_reference_is_the_clip(rooted, tmp_path):
    clip, whole = playing(rooted), shown_motion()
    takemill.difference_clip()
    assert names(rooted)[1] == "locomotion_additive"
    difference = shown_motion()
    base = whole.sampled(np.zeros(len(whole)), whole.rate)
    laid = added(base, difference)
    joints = [j for j, name in enumerate(whole.skeleton.names) if name not in ("root", "hips")]
    assert quat.angle_between(laid.rotations[:, joints], whole.rotations[:, joints]).max() < 1e-5
    record = ClipRecord.of_action(playing(rooted))
    assert (record.variant.additive_to, record.variant.against) == ("locomotion", "pose")
    assert pack(rooted, tmp_path / "set")["locomotion_additive"]["additive"]
    with pytest.raises(RuntimeError, match="This clip is additive"):
        takemill.mirror_clip()
    takemill.play_clip(index=0)
    assert playing(rooted) == clip


def test_an_additive_clip_against_another_one(rooted):
    takemill.retime_clip(speed=1.25)
    takemill.difference_clip(reference="locomotion", against="clip")
    assert names(rooted) == ["locomotion", "locomotion_x1.25", "locomotion_x1.25_additive"]
    rest = playing(rooted), shown_motion()
    hand = rest[1].skeleton.index("left_lower_arm")
    away = quat.angle_between(rest[1].rotations[:, hand], rest[1].skeleton.rest_rotation[hand])
    assert away.max() < 0.01  # the same steps, only sampled elsewhere
    takemill.play_clip(index=0)
    with pytest.raises(RuntimeError, match="there is no clip 'gone' on the list"):
        takemill.difference_clip(reference="gone")
    with pytest.raises(RuntimeError, match="a clip minus itself is empty"):
        takemill.difference_clip(against="clip")
    takemill.play_clip(index=1)
    with pytest.raises(RuntimeError, match=r"'locomotion_x1\.25_additive': it holds differences"):
        takemill.difference_clip(reference="locomotion_x1.25_additive")


def test_a_variant_needs_a_clip_and_is_taken_back_by_undo(rooted):
    name = rooted.name
    bpy.ops.ed.undo_push(message="before")
    takemill.mirror_clip("EXEC_DEFAULT", True)
    bpy.ops.ed.undo()
    rooted = bpy.data.objects[name]
    assert names(rooted) == ["locomotion"]
    takemill.mirror_clip()
    takemill.play_clip(index=0)
    takemill.mirror_clip()  # again: it takes the place of the first one
    assert names(rooted) == ["locomotion", "locomotion_mirrored"]
    takemill.play_clip(index=0)
    takemill.play_source()
    with pytest.raises(RuntimeError, match="Make a clip of the list the active action first"):
        takemill.mirror_clip()
