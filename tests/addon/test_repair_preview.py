"""Repair limited to bones and frames, and its preview: shown, compared, kept or dropped without a trace."""

from __future__ import annotations

from dataclasses import fields

import bpy
import numpy as np
import pytest

import corrupt
import reference_poses
import synthetic
from blender_scene import empty_scene, import_bvh, keys_of, poses
from takemill.maths import quat
from takemill.repair.repair import RepairSettings
from takemill_addon.bridge.scene import actions
from takemill_addon.bridge.takes import findings, stage
from takemill_addon.operators.repair import is_behind, raw_and_preview
from takemill_addon.properties.repair import REPAIR_STEPS

pytestmark = pytest.mark.usefixtures("addon")
takemill = bpy.ops.takemill
SENSORS = ("frozen", "spikes", "jitter")


def playing(armature) -> bpy.types.Action:
    return armature.animation_data.action


@pytest.fixture
def suit(tmp_path):
    empty_scene(60)
    damage = corrupt.Damage(spikes_per_min=120, frozen_per_min=60)
    armature = import_bvh(
        corrupt.corrupt(synthetic.walk(rate=60, steps=6).motion, 5, damage).motion, tmp_path
    )
    takemill.map_body()
    return armature


def turned(one, other) -> np.ndarray:
    """How far (F, J) the bones of two Actions differ, radians."""
    was, now = (stage.work_from_context(bpy.context, action).take.motion for action in (one, other))
    return quat.angle_between(was.rotations, now.rotations)


def only(*steps: str) -> None:
    for step in REPAIR_STEPS:
        setattr(bpy.context.scene.takemill, f"repair_{step}", step in steps)


def select(armature, *names: str) -> None:
    for bone in armature.pose.bones:
        holder = bone if hasattr(bone, "select") else bone.bone
        holder.select = bone.name in names


def test_a_preview_is_compared_and_dropped_without_a_trace(suit):
    raw, names = playing(suit), set(bpy.data.actions.keys())
    keys = keys_of(raw)
    takemill.preview_repair()
    preview = playing(suit)
    assert preview.name == f"{raw.name} preview"
    assert turned(raw, preview).max() > np.radians(5)
    before = poses(suit, [100])
    for expected in (raw, preview, raw):
        takemill.compare_repair()
        assert playing(suit) == expected
    assert not np.allclose(poses(suit, [100]), before, atol=1e-4)
    takemill.compare_repair()
    np.testing.assert_allclose(poses(suit, [100]), before)
    takemill.drop_repair()
    assert playing(suit) == raw
    assert set(bpy.data.actions.keys()) == names
    assert keys_of(raw) == keys
    for name in ("compare_repair", "keep_repair", "drop_repair"):
        with pytest.raises(RuntimeError, match="There is no preview"):
            getattr(takemill, name)()


def test_a_kept_preview_is_the_repaired_take(suit):
    raw = playing(suit)
    takemill.preview_repair()
    takemill.compare_repair()
    takemill.keep_repair()
    kept = playing(suit)
    assert (kept.name, kept.use_fake_user, kept.takemill.source) == (f"{raw.name} repaired", True, raw)
    keys = keys_of(kept)
    assert raw_and_preview(raw) == (raw, None)
    assert raw_and_preview(kept) == (kept, None)
    suit.animation_data.action = raw
    takemill.repair_take()
    assert keys_of(playing(suit)) == keys


def test_another_preview_takes_the_place_of_the_first(suit):
    raw = playing(suit)
    takemill.preview_repair()
    names = set(bpy.data.actions.keys())
    only("spikes")
    takemill.preview_repair()
    assert set(bpy.data.actions.keys()) == names
    second = keys_of(playing(suit))
    takemill.compare_repair()
    takemill.preview_repair()
    assert set(bpy.data.actions.keys()) == names
    assert keys_of(playing(suit)) == second
    assert playing(suit).takemill.source == raw


def test_a_preview_says_when_the_settings_were_changed_since(suit):
    """Each setting counts, and counts no more when it is set back; a renewed preview is up to date."""
    scene, raw = bpy.context.scene, playing(suit)
    chosen = scene.takemill
    takemill.preview_repair()
    select(suit, "head")

    def behind() -> bool:
        return is_behind(bpy.context, suit, raw_and_preview(playing(suit))[1])

    assert not behind()
    select(suit)  # does not matter while all bones are repaired
    scene.frame_preview_start, scene.frame_preview_end = 61, 160
    assert not behind()
    for step in REPAIR_STEPS:
        setattr(chosen, f"repair_{step}", not getattr(chosen, f"repair_{step}"))
        assert behind(), step
        setattr(chosen, f"repair_{step}", not getattr(chosen, f"repair_{step}"))
        assert not behind(), step
    part = suit.takemill.parts["leftToes"]
    part.bone, bone = "", part.bone
    assert behind()
    part.bone = bone
    chosen.repair_bones = "SELECTED"
    select(suit, "head")
    assert behind()
    takemill.preview_repair()
    assert not behind()
    select(suit, "head", "neck")
    assert behind()
    chosen.repair_bones, chosen.repair_frames = "ALL", "PREVIEW"
    scene.use_preview_range = True
    takemill.compare_repair()  # it says so beside the raw take, too
    assert behind()
    takemill.preview_repair()
    assert not behind()
    scene.frame_preview_end = 150
    assert behind()
    chosen.repair_frames = "MARKERS"
    for frame in (61, 160):
        marker = raw.pose_markers.new("here")
        marker.frame, marker.select = frame, True
    takemill.preview_repair()
    assert not behind()
    raw.pose_markers[0].frame = 70
    assert behind()


@pytest.mark.usefixtures("suit")
def test_nothing_is_built_on_a_preview():
    takemill.preview_repair()
    for name in ("repair_take", "suggest_cuts", "close_loop", "add_contact_events", "add_clip"):
        with pytest.raises(RuntimeError, match="Keep or drop the preview"):
            getattr(takemill, name)()
    takemill.compare_repair()
    takemill.add_clip()


def test_a_preview_that_nobody_plays_is_not_saved(suit, tmp_path):
    raw = playing(suit).name
    takemill.preview_repair()
    takemill.compare_repair()
    bpy.ops.wm.save_as_mainfile(filepath=str(tmp_path / "kept.blend"))
    bpy.ops.wm.open_mainfile(filepath=str(tmp_path / "kept.blend"))
    assert list(bpy.data.actions.keys()) == [raw]


def test_undo_takes_a_preview_and_its_dropping_back(suit):
    rig, raw = suit.name, playing(suit).name
    bpy.ops.ed.undo_push(message="before")
    takemill.preview_repair("EXEC_DEFAULT", True)
    takemill.drop_repair("EXEC_DEFAULT", True)
    bpy.ops.ed.undo()
    assert playing(bpy.data.objects[rig]).name == f"{raw} preview"
    bpy.ops.ed.undo()
    assert playing(bpy.data.objects[rig]).name == raw
    assert list(bpy.data.actions.keys()) == [raw]


def test_only_selected_bones_are_mended(suit):
    raw, chosen = playing(suit), bpy.context.scene.takemill
    only(*SENSORS)
    chosen.repair_bones = "SELECTED"
    select(suit)
    with pytest.raises(RuntimeError, match="No bone is selected"):
        takemill.preview_repair()
    assert playing(suit) == raw
    names = ("left_lower_arm", "head")
    select(suit, *names)
    takemill.preview_repair()
    moved = turned(raw, playing(suit)).max(axis=0) > 1e-5
    assert {bone.name for bone, flag in zip(suit.data.bones, moved, strict=True) if flag} == set(names)


@pytest.mark.parametrize("by", ["PREVIEW", "MARKERS"])
def test_only_the_chosen_frames_are_mended(suit, by):
    raw, scene = playing(suit), bpy.context.scene
    only(*SENSORS)
    scene.takemill.repair_frames = by
    with pytest.raises(
        RuntimeError, match="no preview range" if by == "PREVIEW" else "Select one pose marker"
    ):
        takemill.repair_take()
    first, last = 61, 160
    if by == "PREVIEW":
        scene.use_preview_range = True
        scene.frame_preview_start, scene.frame_preview_end = first, last
    else:
        for frame, select_it in ((20, False), (last, True), (first, True)):
            marker = raw.pose_markers.new("here")
            marker.frame, marker.select = frame, select_it
    takemill.repair_take()
    start = int(raw.frame_range[0])
    moved = np.flatnonzero(turned(raw, playing(suit)).max(axis=1) > 1e-5) + start
    assert first <= moved[0] < first + 5
    assert last - 5 < moved[-1] <= last


def test_frames_outside_the_take_are_an_error(suit):
    scene, raw = bpy.context.scene, playing(suit)
    scene.takemill.repair_frames = "PREVIEW"
    scene.use_preview_range = True
    scene.frame_preview_start, scene.frame_preview_end = 9000, 9100
    with pytest.raises(RuntimeError, match="no two frames in the chosen range"):
        takemill.repair_take()
    assert playing(suit) == raw
    assert list(bpy.data.actions) == [raw]


def test_each_step_can_be_switched_off(suit):
    raw = playing(suit)
    only()
    takemill.preview_repair()
    assert turned(raw, playing(suit)).max() < 1e-5
    bag = actions.channelbag(raw, raw.slots[0])
    assert len(bag.fcurves) > 0


def test_every_step_of_the_core_has_its_tick():
    """And each tick stands as the core has it by itself; the trim is a button."""
    steps = {one.name: one.default for one in fields(RepairSettings) if isinstance(one.default, bool)}
    chosen = bpy.context.scene.takemill
    assert {*REPAIR_STEPS, "trim"} == set(steps)
    for step in REPAIR_STEPS:
        assert chosen.bl_rna.properties[f"repair_{step}"].default == steps[step]


def test_a_reference_pose_seats_the_sensors_and_is_trimmed(tmp_path):
    """A T pose of a second and a half, its sensors askew by some degrees."""
    empty_scene(120)
    truth, _ = reference_poses.take_with_pose({})
    askew = reference_poses.misalign(truth, reference_poses.random_misalignments(len(truth.skeleton), 3))
    suit = import_bvh(askew, tmp_path)
    takemill.map_body()
    raw = playing(suit)
    takemill.check_take()
    assert "reference_pose" in {one.kind for one in raw.takemill.findings}
    only("calibration")
    takemill.repair_take()
    assert any(one.kind == "reference_pose" and one.repaired for one in playing(suit).takemill.findings)
    held = turned(raw, playing(suit))[50]
    assert held.max() > np.radians(5)
    arm = [bone.name for bone in suit.data.bones].index("left_lower_arm")
    local = stage.work_from_context(bpy.context).take.motion.rotations[50, arm]
    rest = stage.work_from_context(bpy.context).take.motion.skeleton.rest_rotation[arm]
    assert quat.angle_between(local, rest) < np.radians(0.1)
    takemill.trim_pose()
    start = int(playing(suit).frame_range[0]) - int(raw.frame_range[0])
    assert reference_poses.HELD - 12 < start <= reference_poses.HELD + 12
    with pytest.raises(RuntimeError, match="neither begins nor ends in a T or an A pose"):
        takemill.trim_pose()


def test_cuts_are_trimmed_at_the_pose(tmp_path):
    empty_scene(120)
    suit = import_bvh(reference_poses.take_with_pose({})[0], tmp_path)
    takemill.map_body()
    raw = playing(suit)
    known, (first, last) = raw.takemill, map(int, raw.frame_range)
    assert findings.between_poses(raw) is None  # nobody has looked yet
    takemill.add_cut()
    with pytest.raises(RuntimeError, match="no pose to trim"):
        takemill.trim_cut()
    takemill.check_take()
    start, end = findings.between_poses(raw)
    assert abs(start - first - reference_poses.HELD) <= 3
    assert end == last
    cut = known.cuts[0]
    cut.start, cut.end = first, last - 10
    takemill.trim_cut()
    assert (cut.start, cut.end) == (start, last - 10)
    takemill.trim_cut()
    assert (cut.start, cut.end) == (start, last - 10)
    cut.start, cut.end = first, start - 20
    with pytest.raises(RuntimeError, match="nothing of it lies outside"):
        takemill.trim_cut()
    assert (cut.start, cut.end) == (first, start - 20)


def test_a_take_without_a_reference_pose_says_so(suit):
    only("calibration")
    takemill.repair_take()
    assert any("how the sensors sat is not known" in one.message for one in playing(suit).takemill.findings)
