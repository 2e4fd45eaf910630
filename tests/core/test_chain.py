"""Ends blended onto a neutral pose, and stretches joined."""

from __future__ import annotations

import numpy as np
import pytest

import open_data
import synthetic
from takemill.base.errors import InputError
from takemill.body.body_map import find_body_map, heading
from takemill.body.motion import Motion
from takemill.clip.chain import blend_ends, find_joins, join_stretches
from takemill.clip.measure import measure_seam, set_gaps
from takemill.clip.root_motion import add_root_joint
from takemill.feet.soles import foot_points
from takemill.loops.loop_close import close_loop
from takemill.maths import quat


def test_blended_ends_chain_with_the_neutral_pose() -> None:
    """The gaps of the set become zero in pose, and zero in speed against a body at rest."""
    punch = open_data.humanoid3d("punch")[0].resampled(60.0)
    kick = open_data.humanoid3d("kick")[0].resampled(60.0)
    body = find_body_map(punch.skeleton)
    rest = Motion(
        punch.skeleton,
        60.0,
        np.repeat(kick.rotations[:1], 30, 0),
        np.repeat(kick.root_translation[:1], 30, 0),
    )
    raw = set_gaps({"rest": rest, "punch": punch, "kick": kick}, body)
    clips = {name: blend_ends(clip, body, rest) for name, clip in (("punch", punch), ("kick", kick))}
    gaps = set_gaps({"rest": rest, **clips}, body)
    assert raw.cm.max() > 1
    assert gaps.cm.max() < 1e-6
    assert gaps.deg.max() < 1e-5
    assert gaps.cm_s.max() < 0.3 * raw.cm_s.max()
    for name, before in (("punch", punch), ("kick", kick)):
        after = clips[name]
        middle = slice(12, len(before) - 12)
        assert np.abs(after.rotations[middle] - before.rotations[middle]).max() < 1e-9
        feet = [foot_points(motion, body)[[0, -1]].mean(axis=(1, 2))[:, :2] for motion in (before, after)]
        assert feet[0] == pytest.approx(feet[1], abs=1e-9)
        turns = [heading(motion, body)[[0, -1]] for motion in (before, after)]
        assert turns[0] == pytest.approx(turns[1], abs=1e-9)
        steps = np.linalg.norm(np.diff(after.model()[1], axis=0), axis=-1).max(axis=1) * 60
        assert max(steps[0], steps[-1]) < 0.25, "metres per second: it starts and ends at rest"


def test_an_end_can_be_left_alone() -> None:
    punch = open_data.humanoid3d("punch")[0]
    body = find_body_map(punch.skeleton)
    neutral = open_data.humanoid3d("walk")[0]
    clip = blend_ends(punch, body, neutral, start_s=0.3, end_s=0.0)
    assert np.abs(clip.rotations[-1] - punch.rotations[-1]).max() < 1e-12
    turned = quat.angle_between(clip.rotations[0], neutral.rotations[0])[1:]
    assert turned.max() < 1e-6


def idle(seed: int, duration_s: float) -> Motion:
    """A calm body that sways slowly and differently with every seed, somewhere on the floor."""
    still = synthetic.idle(rate=60.0, duration_s=duration_s).motion
    rng = np.random.default_rng(seed)
    t = np.arange(len(still)) / 60.0
    sway = sum(
        0.02 * rng.normal() * np.sin(2 * np.pi * f * t + rng.uniform(0, 6)) for f in (0.13, 0.21, 0.34)
    )
    q = still.rotations.copy()
    for joint in ("spine", "chest", "head", "left_upper_arm", "right_lower_arm"):
        place = still.skeleton.index(joint)
        q[:, place] = quat.mul(q[:, place], quat.exp(sway[:, None] * rng.normal(size=3)))
    turn = quat.from_yaw(rng.uniform(-3, 3))
    q[:, 0] = quat.mul(turn, q[:, 0])
    return still.with_rotations(q).with_translation(
        0, quat.rotate(turn, still.root_translation) + np.array([*rng.normal(size=2), 0.0])
    )


def test_joined_stretches_have_no_visible_join() -> None:
    parts = [idle(seed, 6.0) for seed in range(3)]
    body = find_body_map(parts[0].skeleton)
    joined = join_stretches(parts, body)
    assert joined.duration_s > 12.0
    usual = max(
        np.linalg.norm(np.diff(part.model()[1], axis=0), axis=-1).mean(axis=1).max() for part in parts
    )
    steps = np.linalg.norm(np.diff(joined.model()[1], axis=0), axis=-1).mean(axis=1)
    assert steps.max() < 2.5 * usual
    assert np.abs(np.diff(joined.model()[1], 2, axis=0)).max() < 0.002
    seam = measure_seam(close_loop(joined, body), body)
    assert seam.pose_m < 1e-6
    # The start is the first part's, the end the last part's, turned and shifted.
    assert np.abs(joined.rotations[:60] - parts[0].rotations[:60]).max() < 1e-12
    assert quat.angle_between(joined.rotations[-60:, 1:], parts[2].rotations[-60:, 1:]).max() < 1e-7


def test_no_stretch_is_left_out_though_one_before_it_is_more_alike() -> None:
    """The fifth begins as the third ended, frame by frame; the fourth is played all the same."""
    long = idle(7, 7.0)
    third, fifth = long.slice(0, 180), long.slice(120, 300)
    parts = [idle(1, 3.0), idle(2, 3.0), third, idle(3, 3.0), fifth]
    joined = join_stretches(parts, find_body_map(long.skeleton))
    for part in parts:
        middle = part.rotations[len(part) // 2, 1:]
        assert quat.angle_between(joined.rotations[:, 1:], middle).max(axis=-1).min() < 1e-7


@pytest.mark.parametrize("shift", [0.8, 2.4, 5.6])
def test_stretches_are_joined_where_they_move_alike_too(shift: float) -> None:
    """One swing joined to the same a part of a swing on: every pose is there twice, once on the way back."""
    still = synthetic.idle(rate=60.0, duration_s=9.0).motion
    body = find_body_map(still.skeleton)
    phase = 2 * np.pi * np.arange(len(still)) / 240
    spine = still.skeleton.index("spine")
    parts = []
    for start in (0.0, shift):
        q = still.rotations.copy()
        q[:, spine] = quat.mul(q[:, spine], quat.exp(0.2 * np.sin(phase + start)[:, None] * [1.0, 0, 0]))
        parts.append(still.with_rotations(q))
    joined, alone = (
        np.linalg.norm(np.diff(motion.model()[1], 2, axis=0), axis=-1).mean(axis=1).max()
        for motion in (join_stretches(parts, body), parts[0])
    )
    assert joined < 1.3 * alone


def test_a_blend_shorter_than_a_frame_is_a_cut() -> None:
    """Each frame is one of a stretch or of the other: none lies between them."""
    parts = [idle(seed, 1.0) for seed in range(2)]
    body = find_body_map(parts[0].skeleton)
    joined = join_stretches(parts, body, find_joins(parts, body, 0.001))
    off = [quat.angle_between(joined.rotations[:, None, 1:], part.rotations[:, 1:]) for part in parts]
    assert np.minimum(*(one.max(axis=-1).min(axis=1) for one in off)).max() < 1e-7


def test_one_stretch_is_itself_and_bad_ones_are_refused() -> None:
    part = idle(0, 3.0)
    body = find_body_map(part.skeleton)
    assert join_stretches([part], body) is part
    with pytest.raises(InputError, match="no stretches"):
        join_stretches([], body)
    with pytest.raises(InputError, match="too short"):
        join_stretches([part, part.slice(0, 60)], body)
    with pytest.raises(InputError, match="rate"):
        join_stretches([part, part.resampled(30.0)], body)
    with pytest.raises(InputError, match="blend_s"):
        find_joins([part], body, 0.0)
    with pytest.raises(InputError, match="fit"):
        blend_ends(part, body, part, 2.0, 2.0)
    with pytest.raises(InputError, match="0 or more"):
        blend_ends(part, body, part, -0.1)
    with pytest.raises(InputError, match="joints"):
        blend_ends(part, body, open_data.humanoid3d("walk")[0])


def test_a_root_joint_changes_nothing() -> None:
    """A turn that ends far from where it began: the neutral pose is laid there, root and all."""
    turn = synthetic.walk(rate=60.0, steps=6, turn_deg=150.0).motion
    neutral = idle(1, 4.0)
    body = find_body_map(turn.skeleton)
    rooted = [add_root_joint(motion, body)[0] for motion in (turn, neutral)]
    with_root = add_root_joint(turn, body)[1]
    plain = blend_ends(turn, body, neutral).model()[1]
    assert np.abs(blend_ends(rooted[0], with_root, rooted[1]).model()[1][:, 1:] - plain).max() < 1e-9
    plain = join_stretches([neutral, idle(2, 4.0)], body).model()[1]
    parts = [add_root_joint(motion, body)[0] for motion in (neutral, idle(2, 4.0))]
    assert np.abs(join_stretches(parts, with_root).model()[1][:, 1:] - plain).max() < 1e-9
