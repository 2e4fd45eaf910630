"""Fewer keys, judged by Blender's own evaluation on frames and between them."""

from __future__ import annotations

import bpy
import numpy as np
import pytest

import synthetic
from blender_scene import empty_scene, import_bvh, keys_of, odd_rig, place, random_take
from takemill_addon.bridge.clips.clip_record import ClipRecord
from takemill_addon.bridge.scene import actions
from takemill_addon.bridge.takes import stage

pytestmark = pytest.mark.usefixtures("addon")
takemill = bpy.ops.takemill


def playing(armature) -> bpy.types.Action:
    return armature.animation_data.action


def ends(armature, action, frames) -> np.ndarray:
    """Heads and tails (T, 2 J, 3) of all bones in world metres, as Blender plays `action`."""
    actions.assign(armature, action, actions.slot_for(action, armature))
    out = []
    for frame in frames:
        bpy.context.scene.frame_set(int(frame // 1), subframe=float(frame % 1))
        world = armature.matrix_world
        out.append([world @ end for bone in armature.pose.bones for end in (bone.head, bone.tail)])
    return np.array(out)


def gap_m(armature, one, other, frames) -> float:
    return float(np.linalg.norm(ends(armature, one, frames) - ends(armature, other, frames), axis=-1).max())


def key_count(action) -> int:
    return sum(len(keys) for keys in keys_of(action).values()) // 8


@pytest.fixture
def suit(tmp_path):
    """A walk whose rig stands tilted, turned and small in the scene."""
    empty_scene(60)
    armature = import_bvh(synthetic.walk(rate=60, steps=3, idle_s=0.3).motion, tmp_path)
    takemill.map_body()
    place(armature)
    return armature


def quarters(action) -> np.ndarray:
    first, last = action.frame_range
    return np.arange(first, last + 0.1, 0.25)


@pytest.mark.parametrize("limit_mm", [0.5, 3.0])
def test_straight_keys_stay_within_the_bound_on_and_between_frames(suit, limit_mm):
    take = playing(suit)
    keys = keys_of(take)
    takemill.thin_keys(max_error_mm=limit_mm, smooth=False)
    thin = playing(suit)
    assert gap_m(suit, take, thin, quarters(take)) < limit_mm / 1000
    assert key_count(thin) < 0.6 * key_count(take)
    assert keys_of(take) == keys
    assert (thin.name, thin.takemill.source, thin.use_fake_user) == (f"{take.name} thin", take, True)


@pytest.mark.parametrize("limit_mm", [0.5, 3.0])
def test_smooth_keys_stay_within_the_bound_on_and_between_frames(suit, limit_mm):
    """Between frames a baked take has straight lines, which nobody means.

    There the measure is the smooth curves through all of its frames.
    """
    take = playing(suit)
    takemill.thin_keys(max_error_mm=limit_mm)
    thin = playing(suit)
    actions.assign(suit, take, actions.slot_for(take, suit))
    takemill.thin_keys(max_error_mm=1e-3)
    every = playing(suit)
    assert gap_m(suit, take, thin, range(*map(int, take.frame_range))) < limit_mm / 1000
    assert gap_m(suit, every, thin, quarters(take)) < limit_mm / 1000
    assert key_count(thin) < 0.3 * key_count(take)
    for curve in actions.channelbag(thin, thin.slots[0]).fcurves:
        if len(curve.keyframe_points) > 1:
            assert {point.interpolation for point in curve.keyframe_points} == {"BEZIER"}
            assert {point.handle_left_type for point in curve.keyframe_points} == {"ALIGNED"}
        curve.update()
    assert gap_m(suit, every, thin, quarters(take)) < limit_mm / 1000  # handles are as Blender keeps them


@pytest.mark.parametrize("smooth", [True, False])
def test_any_rotation_mode_and_inheritance(smooth):
    """All rotation modes, hinges, connected bones; and the curves of one property are keyed together."""
    empty_scene(30)
    rig = odd_rig(18, seed=3)
    take = random_take(rig, 40)
    for curve in actions.channelbag(take, take.slots[0]).fcurves:  # smoother than the noise of its steps
        for _ in range(6):
            values = np.array([point.co.y for point in curve.keyframe_points])
            values[1:-1] = (values[:-2] + 2 * values[1:-1] + values[2:]) / 4
            for point, value in zip(curve.keyframe_points, values, strict=True):
                point.co.y = value
    takemill.thin_keys(max_error_mm=5.0, smooth=smooth)
    thin = playing(rig)
    frames = range(1, 41) if smooth else quarters(take)
    assert gap_m(rig, take, thin, frames) < 0.005
    assert key_count(thin) < 0.9 * key_count(take)
    times = {}
    for (path, _), keys in keys_of(thin).items():
        times.setdefault(path, set()).add(np.frombuffer(keys, np.float32)[::2].tobytes())
    assert {len(one) for one in times.values()} == {1}


def test_all_else_in_the_action_stays(suit):
    """Custom properties, scale, curves with modifiers, markers, ranges and what is known of a clip."""
    take = playing(suit)
    bag = actions.channelbag(take, take.slots[0])
    other = bag.fcurves.new('pose.bones["head"]["glow"]')
    other.keyframe_points.insert(1, 0.5)
    shaped = next(c for c in bag.fcurves if "left_hand" in c.data_path and "rotation" in c.data_path)
    shaped.modifiers.new("NOISE")
    take.pose_markers.new("here").frame = 12
    ClipRecord(kind="locomotion", source="x").keep(take)
    before = keys_of(take)
    stage.activate(bpy.context, suit)
    takemill.add_clip()
    takemill.thin_keys()
    thin = playing(suit)
    for curve in (other, shaped):
        place_of = (curve.data_path, curve.array_index)
        assert keys_of(thin)[place_of] == before[place_of]
    assert [(m.name, m.frame) for m in thin.pose_markers] == [("here", 12)]
    assert thin.takemill.record == take.takemill.record
    assert suit.takemill.clips[0].action == thin


def test_keys_outside_the_actions_own_range_are_thinned_too(suit):
    """The range says what is played, not what is there."""
    take = playing(suit)
    first, last = take.frame_range
    take.use_frame_range = True
    take.frame_start, take.frame_end = first + 20, last - 20
    takemill.thin_keys()
    thin = playing(suit)
    assert tuple(thin.curve_frame_range) == (first, last)
    assert tuple(thin.frame_range) == (first + 20, last - 20)
    assert gap_m(suit, take, thin, range(int(first), int(last) + 1)) < 0.002


def test_thinning_again_adds_no_key(suit):
    takemill.thin_keys()
    once = key_count(playing(suit))
    takemill.thin_keys()
    assert key_count(playing(suit)) <= once


def test_a_thinned_loop_closes_as_smoothly_as_it_did(tmp_path):
    """The slopes at both ends of a loop are one slope, so that it does not twitch when it repeats."""
    empty_scene(60)
    suit = import_bvh(synthetic.walk(rate=60).motion, tmp_path)
    takemill.map_body()
    takemill.close_loop()
    takemill.thin_keys()
    for curve in actions.channelbag(playing(suit), playing(suit).slots[0]).fcurves:
        points = curve.keyframe_points
        if len(points) > 1:
            first, last = points[0], points[-1]
            steep = [
                (a.y - b.y) / (a.x - b.x)
                for a, b in ((first.handle_right, first.co), (last.handle_left, last.co))
            ]
            assert steep[0] == pytest.approx(steep[1], abs=1e-3 * max(map(abs, steep)) + 1e-6), (
                curve.data_path
            )


def test_an_action_without_pose_curves_is_an_error(suit):
    suit.animation_data.action = bpy.data.actions.new("empty")
    with pytest.raises(RuntimeError, match="it has no keys on the bones of"):
        takemill.thin_keys()
