"""A part of a take merged onto what a character plays, as Blender shows it."""

from __future__ import annotations

import bpy
import numpy as np
import pytest

import control_rigs
import synthetic
from blender_scene import choose, empty_scene, import_bvh, keys_of
from takemill_addon.bridge.clips.clip_record import ClipRecord
from takemill_addon.bridge.rigs.control_rigs import control_rig
from takemill_addon.bridge.takes import stage

pytestmark = pytest.mark.usefixtures("addon")
takemill = bpy.ops.takemill
ARM = ["left_upper_arm", "left_lower_arm", "left_hand"]
LEG = ["left_upper_leg", "left_lower_leg", "left_foot"]
FRAMES = range(20, 110, 9)


@pytest.fixture
def scene(tmp_path):
    """A suit that walks, and a character of its own size that stands and breathes."""
    empty_scene(30)
    suit = import_bvh(synthetic.walk(rate=30, steps=6).motion, tmp_path, "suit")
    takemill.map_body()
    one = import_bvh(synthetic.idle(rate=30, duration_s=5).motion, tmp_path, "mate", root=True)
    one.name = "mate"
    stage.activate(bpy.context, suit)
    choose(one)
    bpy.context.scene.takemill.fit_part_blend_s = 0.0
    return suit, one


def turns(armature, bones, frames=FRAMES) -> np.ndarray:
    """Local turns (F, bones, 4, 4) as Blender plays them."""
    out = []
    for frame in frames:
        bpy.context.scene.frame_set(frame)
        out.append([np.array(armature.pose.bones[bone].matrix_basis) for bone in bones])
    return np.array(out)


def merge(suit, part: str) -> None:
    stage.activate(bpy.context, suit)
    bpy.context.scene.takemill.fit_part = part
    assert takemill.fit_take() == {"FINISHED"}


@pytest.mark.parametrize(
    ("part", "taken", "kept"),
    [("arms", ARM, LEG), ("left_arm", ARM, LEG), ("upper_body", ARM, LEG), ("legs", LEG, ARM)],
)
def test_the_part_is_the_take_s_and_the_rest_the_action_s(scene, part, taken, kept):
    suit, one = scene
    idle = one.animation_data.action
    before, keys = turns(one, kept), keys_of(idle)
    merge(suit, "whole")
    wanted = turns(one, taken)
    one.animation_data.action = idle
    merge(suit, part)
    merged = one.animation_data.action
    assert merged not in (idle, None)
    assert keys_of(idle) == keys
    assert merged.takemill.source == idle
    assert tuple(merged.frame_range) == tuple(idle.frame_range)
    np.testing.assert_allclose(turns(one, taken), wanted, atol=1e-4)
    np.testing.assert_allclose(turns(one, kept), before, atol=1e-4)


def test_clips_of_a_merged_action_are_its_own(scene):
    """Legs that were merged in make the contacts: they are not looked for on a performer."""
    suit, one = scene
    merge(suit, "legs")
    merged = one.animation_data.action
    stage.activate(bpy.context, one)
    cut = merged.takemill.cuts.add()
    cut.name, cut.start, cut.end, cut.kind, cut.loop = "walk", 45, 130, "locomotion", True
    cut.root_motion = "in_place"
    takemill.make_clips()
    record = ClipRecord.of_action(one.takemill.clips[0].action)
    assert record.loop
    assert record.source == "mate"
    assert record.contacts.heel.any(axis=0).all()
    assert not record.contacts.heel.all(axis=0).any()


def test_without_an_action_there_is_nothing_to_merge_onto(scene):
    suit, one = scene
    one.animation_data_clear()
    bpy.context.scene.takemill.fit_part = "arms"
    stage.activate(bpy.context, suit)
    before = set(bpy.data.actions.keys())
    with pytest.raises(
        RuntimeError, match="'mate': it has no action that a part could be merged onto; assign"
    ):
        takemill.fit_take()
    assert set(bpy.data.actions.keys()) == before


def test_frames_that_do_not_meet_are_refused(scene):
    suit, one = scene
    for action in (one.animation_data.action,):
        for curve in action.layers[0].strips[0].channelbags[0].fcurves:
            for point in curve.keyframe_points:
                point.co.x += 1000
            curve.update()
    bpy.context.scene.takemill.fit_part = "arms"
    stage.activate(bpy.context, suit)
    before = set(bpy.data.actions.keys())
    with pytest.raises(RuntimeError, match="do not meet those of the motion"):
        takemill.fit_take()
    assert set(bpy.data.actions.keys()) == before


def test_on_a_control_rig_too(tmp_path):
    """Arms that wave on a rig that walks by its controls."""
    empty_scene(30)
    suit = import_bvh(synthetic.walk(rate=30, steps=6).motion, tmp_path, "suit")
    takemill.map_body()
    other = import_bvh(synthetic.idle(rate=30, duration_s=5).motion, tmp_path, "other")
    takemill.map_body()
    rig = control_rigs.own_rig()
    choose(rig)
    merge(suit, "whole")
    shins = [f"b.knee_{side}" for side in "lr"]
    walk = [rig_places(rig, frame, shins) for frame in FRAMES]
    fitted = rig.animation_data.action
    wrists = [f"b.wrist_{side}" for side in "lr"]
    swung = [rig_places(rig, frame, wrists) for frame in FRAMES]
    merge(other, "arms")
    assert np.abs(np.array([rig_places(rig, frame, wrists) for frame in FRAMES]) - swung).max() > 0.05
    assert rig.animation_data.action != fitted
    np.testing.assert_allclose([rig_places(rig, frame, shins) for frame in FRAMES], walk, atol=2e-4)
    keyed = {path.split('"')[1] for path, _ in keys_of(rig.animation_data.action)}
    assert keyed == {one.bone for one in control_rig(rig).controls} | {"ground"}


def rig_places(rig, frame: int, bones) -> list:
    bpy.context.scene.frame_set(frame)
    return [tuple(rig.pose.bones[bone].matrix.translation) for bone in bones]
