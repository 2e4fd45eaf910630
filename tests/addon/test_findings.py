"""Findings as rows, as the way to where they lie, and as pose markers."""

from __future__ import annotations

import json

import bpy
import numpy as np
import pytest

import corrupt
import synthetic
from blender_scene import empty_scene, import_bvh, keys_of
from takemill.health.check import check
from takemill.health.table import MEASURE_WORDS
from takemill_addon.bridge import actions, findings, stage
from takemill_addon.bridge.read_action import read_take

pytestmark = pytest.mark.usefixtures("addon")
takemill = bpy.ops.takemill
DAMAGE = corrupt.Damage(spikes_per_min=120, frozen_per_min=60)


def playing(armature) -> bpy.types.Action:
    return armature.animation_data.action


@pytest.fixture
def suit(tmp_path):
    """A walk with all that the corruptor knows, and more of it."""
    empty_scene(60)
    damaged = corrupt.corrupt(synthetic.walk(rate=60, steps=8).motion, 5, DAMAGE).motion
    armature = import_bvh(damaged, tmp_path)
    takemill.map_body()
    return armature


def selected(armature) -> list[str]:
    return [bone.name for bone in armature.pose.bones if stage.is_selected(bone)]


def test_every_row_leads_to_its_frame_and_its_bone(suit):
    takemill.check_take()
    known = playing(suit).takemill
    assert {"spike", "frozen", "jitter"} <= {one.kind for one in known.findings}
    assert {one.joint == "" for one in known.findings} == {True, False}
    bones = set()
    for index, one in enumerate(known.findings):
        before = selected(suit)
        known.finding_index = index
        assert bpy.context.scene.frame_current == one.start
        assert selected(suit) == ([one.joint] if one.joint else before), one.message
        if one.joint:
            assert suit.data.bones.active.name == one.joint
            bones.add(one.joint)
    assert len(bones) > 5
    assert suit.mode == "POSE"


@pytest.mark.parametrize(
    "kind",
    [
        "skating",
        "joint_limit",
        "flipped",
        "swapped",
        "bone_length",
        "dead_sensor",
        "floor_offset",
        "reference",
    ],
)
def test_a_row_of_any_kind_leads_there(suit, kind):
    """Kinds that this take lacks, as a check would keep them; a joint that is no bone is no error."""
    known = playing(suit).takemill
    for joint in ("left_foot", "", "gone"):
        one = known.findings.add()
        one.kind, one.joint, one.start, one.stop = kind, joint, 42, 60
        known.finding_index = len(known.findings) - 1
        assert bpy.context.scene.frame_current == 42
        assert selected(suit) == ["left_foot"]


def test_a_check_and_another_armature_move_no_playhead(suit, tmp_path):
    scene, take = bpy.context.scene, playing(suit)
    scene.frame_set(77)
    takemill.check_take()
    assert scene.frame_current == 77
    import_bvh(synthetic.idle(rate=60, duration_s=1).motion, tmp_path, "other")
    scene.frame_set(77)
    take.takemill.finding_index = len(take.takemill.findings) - 1
    assert scene.frame_current == 77


def test_markers_of_findings_come_and_go_alone(suit):
    take = playing(suit)
    keys = keys_of(take)
    takemill.check_take()
    places = {(one.kind, one.start) for one in take.takemill.findings if one.stop - one.start < 300}
    own = take.pose_markers.new("spike left_hand")  # an animator's, by chance of a finding's name and frame
    own.frame = next(start for kind, start in sorted(places) if kind == "spike")
    takemill.add_finding_markers()
    events = [(m.name.split()[0], m.frame) for m in take.pose_markers if m.takemill.finding]
    assert set(events) >= places
    assert len(events) == len(set(events))
    takemill.add_finding_markers()
    assert [(m.name.split()[0], m.frame) for m in take.pose_markers if m.takemill.finding] == events
    takemill.clear_finding_markers()
    assert [(m.name, m.frame) for m in take.pose_markers] == [(own.name, own.frame)]
    with pytest.raises(RuntimeError, match="The action has no markers of findings"):
        takemill.clear_finding_markers()
    assert keys_of(take) == keys


def test_markers_of_findings_last_in_the_file_and_in_a_copy(suit, tmp_path):
    takemill.check_take()
    takemill.add_finding_markers()
    take = playing(suit)
    name, count = take.name, len(take.pose_markers)
    take.copy().name = "copy"
    bpy.data.actions["copy"].use_fake_user = True
    bpy.ops.wm.save_as_mainfile(filepath=str(tmp_path / "kept.blend"))
    bpy.ops.wm.open_mainfile(filepath=str(tmp_path / "kept.blend"))
    for one in (name, "copy"):
        assert findings.clear_finding_markers(bpy.data.actions[one]) == count


def test_marking_needs_a_finding_with_a_place(suit):
    with pytest.raises(RuntimeError, match="Check the take first"):
        takemill.add_finding_markers()
    frames = [int(f) for f in playing(suit).frame_range]
    one = playing(suit).takemill.findings.add()
    one.kind, one.start, one.stop = "floor_offset", frames[0], frames[1] + 1
    with pytest.raises(RuntimeError, match="none has a place"):
        takemill.add_finding_markers()


def test_measures_are_those_of_the_core_before_and_after(suit):
    raw = playing(suit)
    takemill.repair_take()
    now = playing(suit)
    body = stage.body_of(suit, read_take(bpy.context, suit, raw).motion.skeleton)
    for action in (raw, now):
        motion = stage.work_from_context(bpy.context, action).take.motion
        told = check(motion, body).measures
        kept = json.loads(action.takemill.measures)
        assert set(kept) == set(told)
        np.testing.assert_allclose([kept[name] for name in told], list(told.values()), rtol=0.02, atol=0.05)
    rows = {word: (before, after) for word, before, after in findings.measure_rows(now)}
    assert len(rows) == len([name for name, *_ in MEASURE_WORDS if name in kept])
    before, after = map(float, rows["Jitter, degrees"])
    assert before == pytest.approx(json.loads(raw.takemill.measures)["jitter_deg"], abs=0.005)
    assert before > 5 * after
    assert all(not before for _, before, _ in findings.measure_rows(raw))


def test_what_was_known_of_an_unchanged_take_stays(suit):
    """A repair checks the raw take only where that was not done since its keys changed."""
    takemill.check_take()
    raw = playing(suit)
    raw.takemill.finding_index = 3
    takemill.repair_take()
    assert raw.takemill.finding_index == 3
    curve = next(c for c in actions.channelbag(raw, raw.slots[0]).fcurves if "rotation" in c.data_path)
    curve.keyframe_points[100].co.y += 0.7
    before = raw.takemill.measures
    suit.animation_data.action = raw
    takemill.repair_take()
    assert raw.takemill.measures != before


def test_a_repaired_take_lists_what_was_mended_and_what_is_left(suit):
    takemill.repair_take()
    listed = playing(suit).takemill.findings
    assert any(one.repaired and one.kind == "spike" for one in listed)
    work = stage.work_from_context(bpy.context)
    left = check(work.take.motion, work.body).findings
    stands = {(one.kind, one.joint) for one in listed if not one.repaired}
    assert {(one.kind, one.joint) for one in left} <= stands
    places = [(one.kind, one.joint, one.start, one.repaired) for one in listed]
    assert len(places) == len(set(places))
    assert [one.start for one in listed] == sorted(one.start for one in listed)


def test_the_health_page_tells_the_panels_numbers(suit, tmp_path):
    """Of a raw take it says what a repair would make of it; of a repaired one, what it was made of."""
    raw = playing(suit)
    takemill.health_page(filepath=str(tmp_path / "raw.html"))
    takemill.repair_take()
    takemill.health_page(filepath=str(tmp_path / "repaired.html"))
    pages = [(tmp_path / f"{name}.html").read_text(encoding="utf-8") for name in ("raw", "repaired")]
    assert "What a repair with these settings would make of it." in pages[0]
    for page in pages:
        assert f"Health: {raw.name}" in page
        assert page.count("<svg") > 3
        for _, before, after in findings.measure_rows(playing(suit)):
            assert f">{before}</" in page, (before, after)
    assert playing(suit).takemill.source == raw


def test_a_health_page_that_cannot_be_written_is_an_error(suit, tmp_path):
    names = [action.name for action in bpy.data.actions]
    with pytest.raises(RuntimeError, match="cannot write"):
        takemill.health_page(filepath=str(tmp_path / "gone" / "page.html"))
    assert [action.name for action in bpy.data.actions] == names
    assert playing(suit)


def test_what_is_made_of_a_repaired_take_is_no_repair(suit):
    takemill.repair_take()
    repaired = playing(suit)
    assert findings.raw_of(repaired)
    for stage_of in ("add_contact_events", "thin_keys", "close_loop"):
        suit.animation_data.action = repaired
        getattr(takemill, stage_of)()
        assert findings.raw_of(playing(suit)) is None
