"""Findings as rows, as the way to where they lie, and as pose markers."""

from __future__ import annotations

import json
import re

import bpy
import numpy as np
import pytest

import corrupt
import synthetic
from blender_scene import empty_scene, import_bvh, keys_of
from takemill.health.check import check
from takemill.health.table import MEASURE_WORDS
from takemill.maths import quat
from takemill.recipe.recipe import read_recipe
from takemill_addon.bridge.motion.read_action import read_take
from takemill_addon.bridge.scene import actions
from takemill_addon.bridge.takes import findings, stage

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


def test_a_row_clears_a_preview_range_that_is_left_over(suit):
    takemill.check_take()
    scene = bpy.context.scene
    scene.use_preview_range, scene.frame_preview_start, scene.frame_preview_end = True, 1, 5
    playing(suit).takemill.finding_index = 0
    assert not scene.use_preview_range


def test_the_list_is_shown_by_kind_and_size_and_walked_through_both_ways(suit):
    takemill.check_take()
    known, chosen = playing(suit).takemill, bpy.context.scene.takemill
    assert findings.shown_rows(known, bpy.context.scene) == list(range(len(known.findings)))
    chosen.finding_kind, chosen.finding_order = "spike", "SIZE"
    rows = findings.shown_rows(known, bpy.context.scene)
    sizes = [abs(known.findings[k].amount) for k in rows]
    assert {known.findings[k].kind for k in rows} == {"spike"}
    assert len(rows) == sum(one.kind == "spike" for one in known.findings) > 3
    assert sizes == sorted(sizes, reverse=True)
    seen = []
    for _ in rows:
        takemill.step_finding()
        seen.append(known.finding_index)
    assert seen == rows
    takemill.step_finding()
    assert known.finding_index == rows[0]
    takemill.step_finding(back=True)
    assert known.finding_index == rows[-1]
    chosen.finding_kind = "no_path"
    with pytest.raises(RuntimeError, match="The list shows no finding; choose All Kinds"):
        takemill.step_finding()


def turned_deg(suit, action, raw, joint: str) -> np.ndarray:
    """How far (F,) a bone's own turn differs between two Actions."""
    motions = [read_take(bpy.context, suit, one).motion for one in (action, raw)]
    number = motions[0].skeleton.index(joint)
    return np.degrees(quat.angle_between(*(one.rotations[:, number] for one in motions)))


def test_an_accepted_finding_is_left_by_the_repair_and_goes_into_the_recipe(suit, tmp_path):
    """In all lists of the take; the frames of its bone are as they came, others of it are repaired."""
    raw = playing(suit)
    takemill.check_take()
    known = raw.takemill
    arms = [k for k, one in enumerate(known.findings) if one.kind == "frozen" and "arm" in one.joint]
    takemill.accept_finding(index=arms[0])
    one = known.findings[arms[0]]
    joint, start, stop = one.joint, one.start, one.stop
    takemill.repair_take()
    repaired = playing(suit)
    same = [item for item in repaired.takemill.findings if item.accepted]
    assert [(item.kind, item.joint, item.start) for item in same] == [("frozen", joint, start)]
    first = round(raw.frame_range[0])
    turned = turned_deg(suit, repaired, raw, joint)
    assert turned[start - first : stop - first].max() < 1e-3
    assert turned.max() > 0.3
    path = tmp_path / "r.toml"
    takemill.save_recipe(filepath=str(path))
    ((left, begin, end),) = read_recipe(path).repair.leave_s
    assert (left, round(60 * begin), int(60 * end)) == (joint, start - first, stop - 1 - first)
    number = next(k for k, item in enumerate(repaired.takemill.findings) if item.accepted)
    takemill.accept_finding(index=number)
    assert not any(item.accepted for item in raw.takemill.findings)
    takemill.repair_take()
    again = playing(suit)
    assert (again.takemill.source, again != repaired) == (raw, True)
    assert turned_deg(suit, again, raw, joint)[start - first : stop - first].max() > 0.3


def test_what_is_about_the_whole_body_cannot_be_accepted(suit):
    takemill.check_take()
    known = playing(suit).takemill
    index = next(k for k, one in enumerate(known.findings) if not one.joint)
    with pytest.raises(RuntimeError, match="about the whole body; untick its step in the panel Repair"):
        takemill.accept_finding(index=index)


def test_half_of_a_repair_lies_between(suit):
    raw = playing(suit)
    turns = []
    for percent in (100.0, 50.0):
        bpy.context.scene.takemill.repair_amount = percent
        takemill.repair_take()
        turns.append(turned_deg(suit, playing(suit), raw, "left_lower_arm"))
        actions.assign(suit, raw, actions.slot_for(raw, suit))
    assert turns[0].max() > 1
    np.testing.assert_allclose(turns[1], turns[0] / 2, atol=0.01)


@pytest.mark.usefixtures("suit")
def test_check_and_repair_count_alike(capfd):
    """By the engine's rule: as many of each kind in both messages, in the same order."""
    takemill.check_take()
    checked = capfd.readouterr().out.splitlines()[-1]
    counts = re.findall(r"(\d+) ([a-z_]+)(?:,|$)", checked.partition(": ")[2].partition(": ")[2])
    assert len(counts) > 3
    takemill.repair_take()
    repaired = capfd.readouterr().out.splitlines()[-1]
    told = {kind: int(count) for count, kind in re.findall(r"(\d+) ([a-z_]+)", repaired)}
    for count, kind in counts:
        assert told[kind] == int(count)
    assert re.search(r"(\d+) findings: \d+ repaired, \d+ left: ", repaired)
