"""Actions to motions and back, against Blender's own evaluated pose matrices."""

from __future__ import annotations

import bpy
import numpy as np
import pytest

from blender_scene import EULER, MODES, empty_scene, keys_of, odd_rig, place, poses, random_take, write_curves
from takemill.base.errors import InputError
from takemill.maths import quat
from takemill_addon.bridge.motion.read_action import read_take
from takemill_addon.bridge.motion.write_action import write_motion
from takemill_addon.bridge.rigs import rotation_modes
from takemill_addon.bridge.rigs.rig import ArmatureFrame
from takemill_addon.bridge.scene import actions


def matrices(motion):
    """The motion's world matrices (F, J, 4, 4), from the core's forward kinematics."""
    rotations, positions = motion.model()
    out = np.zeros((*rotations.shape[:2], 4, 4))
    out[..., :3, :3], out[..., :3, 3], out[..., 3, 3] = quat.to_matrix(rotations), positions, 1
    return out


@pytest.mark.parametrize("mode", [*MODES, "all"])
@pytest.mark.parametrize("seed", [0, 1])
def test_reading_equals_blenders_own_pose(mode, seed):
    """Source: Blender's evaluation, `pose.bones[].matrix` after `frame_set`."""
    empty_scene()
    rig = odd_rig(seed=seed, modes=MODES if mode == "all" else (mode,))
    place(rig)
    action = random_take(rig)
    take = read_take(bpy.context, rig, action)
    assert take.evaluated == ()
    np.testing.assert_allclose(matrices(take.motion), poses(rig, range(1, 9)), atol=1e-5)


@pytest.mark.parametrize("mode", [*MODES, "all"])
def test_written_action_plays_the_same_pose(mode):
    """Source: Blender's evaluation, `pose.bones[].matrix` after `frame_set`."""
    empty_scene()
    rig = odd_rig(seed=2, modes=MODES if mode == "all" else (mode,))
    place(rig)
    old = random_take(rig)
    before, keys, truth = set(bpy.data.actions), keys_of(old), poses(rig, range(1, 9))
    take = read_take(bpy.context, rig, old)
    new = write_motion(bpy.context, rig, take.motion, take.start, "take again")
    assert set(bpy.data.actions) - before == {new}
    assert new.use_fake_user
    assert rig.animation_data.action == new
    assert rig.animation_data.action_slot == new.slots[0]
    assert keys_of(old) == keys
    np.testing.assert_allclose(poses(rig, range(1, 9)), truth, atol=1e-5)


def test_written_keys_are_grouped_linear_and_on_every_frame():
    empty_scene()
    rig = odd_rig(6, seed=3)
    take = read_take(bpy.context, rig, random_take(rig, start=11))
    new = write_motion(bpy.context, rig, take.motion, take.start, "n")
    bag = actions.channelbag(new, new.slots[0])
    assert tuple(new.frame_range) == (11, 18)
    assert {group.name for group in bag.groups} == {bone.name for bone in rig.pose.bones}
    for curve in bag.fcurves:
        assert curve.group.name == actions.bone_channel(curve.data_path)[0]
        assert [point.co.x for point in curve.keyframe_points] == list(range(11, 19))
        assert {point.interpolation for point in curve.keyframe_points} == {"LINEAR"}


def test_writing_shows_at_once_without_moving_the_playhead():
    empty_scene()
    rig = odd_rig(5, seed=4, hinges=0)
    take = read_take(bpy.context, rig, random_take(rig))
    bpy.context.scene.frame_set(4)
    turned = take.motion.with_rotations(
        quat.mul(quat.from_axis_angle(np.array([0, 0, 1.0]), 0.5), take.motion.rotations)
    )
    write_motion(bpy.context, rig, turned, take.start, "turned")
    shown = np.array(rig.matrix_world @ rig.pose.bones[0].matrix)
    assert bpy.context.scene.frame_current == 4
    np.testing.assert_allclose(shown[:3, :3], quat.to_matrix(turned.model()[0][3, 0]), atol=1e-5)


def test_long_names_are_cut_between_letters():
    empty_scene()
    rig = odd_rig(3)
    take = read_take(bpy.context, rig, random_take(rig))
    action = write_motion(bpy.context, rig, take.motion, 1, actions.fitting_name("ö" * 60, " repaired"))
    assert action.name == "ö" * 27 + " repaired"


def test_unkeyed_channels_start_from_the_property():
    empty_scene()
    rig = odd_rig(5, seed=5, modes=("XYZ",), hinges=0, connected=False)
    action = random_take(rig)
    bag = actions.channelbag(action, action.slots[0])
    for curve in [c for c in bag.fcurves if c.array_index == 1]:
        bag.fcurves.remove(curve)
    for bone in rig.pose.bones:
        bone.rotation_euler.y, bone.location.y = 0.7, 0.05
    take = read_take(bpy.context, rig, action)
    np.testing.assert_allclose(matrices(take.motion), poses(rig, range(1, 9)), atol=1e-5)


def test_sparse_curved_and_fractional_keys_are_resampled_as_blender_plays_them():
    empty_scene()
    rig = odd_rig(5, seed=6, modes=("QUATERNION", "ZXY"))
    action = random_take(rig, 3)
    bag = actions.channelbag(action, action.slots[0])
    for curve in bag.fcurves:
        for point, frame in zip(curve.keyframe_points, (1.25, 7.5, 12.75), strict=True):
            point.co.x, point.interpolation = frame, "BEZIER"
        curve.update()
    take = read_take(bpy.context, rig, action)
    assert take.start == 2
    np.testing.assert_allclose(matrices(take.motion), poses(rig, range(2, 13)), atol=1e-5)


def test_a_hand_set_frame_range_is_the_take():
    empty_scene()
    rig = odd_rig(4, seed=7)
    action = random_take(rig, 20)
    action.use_frame_range = True
    action.frame_start, action.frame_end = 5, 9
    take = read_take(bpy.context, rig, action)
    assert (take.start, len(take.motion)) == (5, 5)
    np.testing.assert_allclose(matrices(take.motion), poses(rig, range(5, 10)), atol=1e-5)


def test_a_29_97_scene_gives_29_97_frames_per_second():
    empty_scene(30, 1.001)
    rig = odd_rig(3)
    motion = read_take(bpy.context, rig, random_take(rig, 30)).motion
    assert motion.rate == pytest.approx(30 / 1.001, rel=1e-7)
    assert motion.duration_s == pytest.approx(29 * 1.001 / 30, rel=1e-7)


def constrained(rig, _):
    constraint = rig.pose.bones[3].constraints.new("LIMIT_ROTATION")
    constraint.use_limit_x, constraint.owner_space = True, "LOCAL"


def driven(rig, _):
    rig.pose.bones[2].rotation_mode = "XYZ"
    driver = rig.pose.bones[2].driver_add("rotation_euler", 1)
    driver.driver.expression = "frame / 10"


def stripped(rig, _):
    other = random_take(rig, seed=9, name="other")
    strip = rig.animation_data.nla_tracks.new().strips.new("other", 1, other)
    strip.blend_type = "ADD"
    rig.animation_data.action_blend_type = "ADD"


def modified(_, action):
    curve = actions.channelbag(action, action.slots[0]).fcurves[0]
    curve.modifiers.new("NOISE")


def muted(_, action):
    for curve in list(actions.channelbag(action, action.slots[0]).fcurves)[:4]:
        curve.mute = True


def scaled(rig, _):
    rig.pose.bones[0].scale = (1.5, 1.5, 1.5)


def object_keyed(_, action):
    bag = actions.channelbag(action, action.slots[0])
    write_curves(bag, "location", np.arange(1, 9), np.linspace((0, 0, 0), (2, 1, 0.5), 8))


@pytest.mark.parametrize(
    ("change", "reason"),
    [
        (constrained, "constraints on 1 bones"),
        (driven, "drivers"),
        (stripped, "NLA strips"),
        (modified, "modifiers"),
        (muted, "muted"),
        (scaled, "scale of 1 bones"),
        (object_keyed, "keys on the armature object"),
    ],
)
def test_what_curves_do_not_tell_is_evaluated_and_said(change, reason):
    """Source: Blender's evaluation, `pose.bones[].matrix` after `frame_set`."""
    empty_scene()
    rig = odd_rig(8, seed=8, modes=("QUATERNION", "XYZ"), hinges=0)
    place(rig)
    action = random_take(rig)
    change(rig, action)
    if rig.animation_data.action != action:
        actions.assign(rig, action, action.slots[0])
    bpy.context.scene.frame_set(3, subframe=0.25)
    state = np.array(rig.matrix_world)
    take = read_take(bpy.context, rig, action)
    assert any(reason in text for text in take.evaluated)
    assert bpy.context.scene.frame_current_final == pytest.approx(3.25)
    np.testing.assert_allclose(np.array(rig.matrix_world), state, atol=1e-6)
    np.testing.assert_allclose(matrices(take.motion), poses(rig, range(1, 9)), atol=2e-5)


def test_evaluating_another_action_leaves_the_playing_one():
    empty_scene()
    rig = odd_rig(8, seed=8, hinges=0)
    first = random_take(rig, seed=1, name="first")
    truth = poses(rig, range(1, 9))
    constrained(rig, first)
    rig.pose.bones[3].constraints[0].influence = 0.001
    second = random_take(rig, seed=2, name="second")
    take = read_take(bpy.context, rig, first)
    assert take.evaluated
    assert rig.animation_data.action == second
    assert rig.animation_data.action_slot == second.slots[0]
    assert np.abs(matrices(take.motion) - truth)[:, :3].max() < 1e-3


def test_the_slot_is_found_when_it_carries_another_name():
    empty_scene()
    rig = odd_rig(4, seed=9)
    action = random_take(rig)
    action.slots[0].name_display = "somebody else"
    foreign = action.slots.new("OBJECT", "aaa")
    rig.animation_data.action = None
    assert actions.slot_for(action, rig) == action.slots[0]
    assert foreign != actions.slot_for(action, rig)
    actions.assign(rig, action, actions.slot_for(action, rig))
    assert rig.animation_data.action_slot == action.slots[0]


def test_errors_name_what_to_mend():
    empty_scene()
    rig = odd_rig(4, seed=9)
    with pytest.raises(InputError, match="'suit': it has no action"):
        actions.active_action(rig)
    empty = bpy.data.actions.new("empty")
    empty.slots.new("OBJECT", "suit")
    with pytest.raises(InputError, match="'empty': it has no keys on the bones of 'suit'"):
        read_take(bpy.context, rig, empty)
    action = random_take(rig)
    rig.scale = (1, 2, 1)
    bpy.context.view_layer.update()
    with pytest.raises(InputError, match="'suit': its scale is mirrored or differs"):
        read_take(bpy.context, rig, action)
    rig.scale = (1, 1, 1)
    bpy.context.view_layer.update()
    bag = actions.channelbag(action, action.slots[0])
    bag.fcurves[0].keyframe_points[2].co.y = float("nan")
    with pytest.raises(InputError, match="one of its keys holds no number"):
        read_take(bpy.context, rig, action)


def test_hidden_armatures_are_evaluated_as_shown_ones_and_disabled_ones_refused_when_they_must_be():
    empty_scene()
    rig = odd_rig(5, seed=9, hinges=0)
    action = random_take(rig)
    constrained(rig, action)
    shown = read_take(bpy.context, rig, action).motion
    rig.hide_set(True)
    hidden = read_take(bpy.context, rig, action).motion
    np.testing.assert_allclose(hidden.rotations, shown.rotations, atol=1e-6)
    rig.hide_viewport = True
    with pytest.raises(InputError, match="enable it"):
        read_take(bpy.context, rig, action)
    for bone in rig.pose.bones:
        for held in list(bone.constraints):
            bone.constraints.remove(held)
    assert len(read_take(bpy.context, rig, action).motion) == 8


def test_what_depends_on_the_users_scene_is_played_there():
    """A script of the user's moves a bone whenever the scene's frame changes; no other scene does that."""
    empty_scene()
    rig = odd_rig(5, seed=9, hinges=0, connected=False)
    action = random_take(rig, moving="roots")
    bone = rig.pose.bones[-1]
    rig["height"] = 0.0
    driver = bone.driver_add("location", 1).driver
    driver.variables.new().targets[0].id = rig
    driver.variables[0].targets[0].data_path = '["height"]'
    driver.expression = driver.variables[0].name

    def lift(scene, _) -> None:
        rig["height"] = 0.1 * scene.frame_current
        rig.update_tag()

    bpy.app.handlers.frame_change_pre.append(lift)
    try:
        expected = poses(rig, range(1, 9))[:, -1, :3, 3]
        motion = read_take(bpy.context, rig, action).motion
    finally:
        bpy.app.handlers.frame_change_pre.remove(lift)
    assert np.ptp(np.linalg.norm(expected - expected[0], axis=-1)) > 0.1
    np.testing.assert_allclose(motion.model()[1][:, -1], expected, atol=1e-5)


def test_a_connected_bone_cannot_be_pulled_off_its_parent():
    empty_scene()
    rig = odd_rig(12, seed=0)
    take = read_take(bpy.context, rig, random_take(rig))
    bone = int(np.flatnonzero(take.rig.connected)[0])
    torn = take.motion.with_translation(bone, take.motion.translation_of(bone) + 0.3)
    count = len(bpy.data.actions)
    with pytest.raises(InputError, match="is connected to its parent"):
        write_motion(bpy.context, rig, torn, 1, "torn")
    assert len(bpy.data.actions) == count


@pytest.mark.parametrize("mode", MODES)
def test_rotation_values_run_on_without_a_jump(mode):
    """A spin of three turns about a slanted axis: no channel may leap, or frames between keys would flip."""
    angle = np.linspace(-3 * np.pi, 3 * np.pi, 400)
    axis = np.array([0.1, 1.0, 0.2]) if mode in EULER else np.array([1.0, 2.0, -0.5])
    spin = quat.from_axis_angle(np.broadcast_to(axis, (400, 3)), angle)
    values = rotation_modes.from_quaternions(spin, mode)
    back = rotation_modes.to_quaternions(values, mode)
    assert quat.angle_between(spin, back).max() < 1e-7
    assert np.abs(np.diff(values, axis=0)).max() < 0.6


def test_world_and_back_is_the_same_motion():
    empty_scene()
    rig = odd_rig(seed=3)
    place(rig)
    take = read_take(bpy.context, rig, random_take(rig))
    inside = take.frame.armature_motion(take.motion, take.rig.skeleton)
    again = take.frame.world_motion(inside, take.motion.skeleton)
    np.testing.assert_allclose(again.rotations, take.motion.rotations, atol=1e-12)
    np.testing.assert_allclose(again.local_translations(), take.motion.local_translations(), atol=1e-12)
    lengths = np.array([bone.length for bone in rig.data.bones]) * ArmatureFrame.of(rig).size
    np.testing.assert_allclose(np.linalg.norm(take.motion.skeleton.tip_offsets, axis=1), lengths, rtol=1e-5)
