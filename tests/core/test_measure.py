"""Measures with known answers."""

from __future__ import annotations

import numpy as np
import pytest

import open_data
import synthetic
from sliding import sliding_cm_s
from takemill.base.errors import InputError
from takemill.body.body_map import find_body_map
from takemill.body.motion import Motion
from takemill.clip.clouds import main_joints
from takemill.clip.measure import End, ends_at, gap_between, measure_seam, moved_onto, set_gaps
from takemill.feet.contacts import Contacts
from takemill.loops.loop_close import close_loop
from takemill.maths import quat

FEET = ("leftFoot", "rightFoot")


def test_the_gap_of_a_pose_to_itself_elsewhere_is_zero() -> None:
    motion = open_data.humanoid3d("run")[0]
    body = find_body_map(motion.skeleton)
    q = motion.rotations.copy()
    q[:, 0] = quat.mul(quat.from_yaw(2.0), q[:, 0])
    place = quat.rotate(quat.from_yaw(2.0), motion.root_translation) + np.array([3.0, 4.0, 0.0])
    moved = motion.with_rotations(q).with_translation(0, place)
    joints = main_joints(body)
    (a,), (b,) = ends_at(motion, joints, [9], 3), ends_at(moved, joints, [9], 3)
    gap = gap_between(a, b)
    assert gap.cm == pytest.approx(0, abs=1e-9)
    assert gap.cm_s == pytest.approx(0, abs=1e-9)
    assert gap.deg == pytest.approx(0, abs=1e-5)


def test_a_lifted_body_has_its_lift_as_gap_and_its_speed_as_gap_of_speed() -> None:
    still = synthetic.idle(rate=60.0, duration_s=2.0).motion
    body = find_body_map(still.skeleton)
    frozen = Motion(
        still.skeleton,
        60.0,
        np.repeat(still.rotations[:1], 60, 0),
        np.repeat(still.root_translation[:1], 60, 0),
    )
    rising = frozen.with_translation(0, frozen.root_translation + np.arange(60)[:, None] * [0, 0, 0.01])
    gaps = set_gaps({"idle": frozen, "rising": rising}, body)
    assert gaps.names == ("idle", "rising")
    assert gaps.worst[0][0] == (), "nothing is apart"
    assert gaps.cm == pytest.approx(np.array([[0, 0], [59, 59]]), abs=1e-9)
    assert gaps.cm_s == pytest.approx(np.array([[0, 60], [60, 0]]), abs=1e-9)
    assert gaps.deg == pytest.approx(np.zeros((2, 2)), abs=1e-6)


def test_the_worst_joint_is_named() -> None:
    still = synthetic.idle(rate=60.0, duration_s=2.0).motion
    body = find_body_map(still.skeleton)
    q = still.rotations.copy()
    arm = still.skeleton.index("left_upper_arm")
    q[:, arm] = quat.mul(quat.exp(np.array([0.0, -1.0, 0.0])), q[:, arm])
    gaps = set_gaps({"idle": still, "wave": still.with_rotations(q)}, body)
    assert gaps.worst[0][1][0] == "left_hand"
    assert "head" not in gaps.worst[0][1], "it is not apart"
    assert gaps.cm[0, 1] > 1


def test_all_pairs_at_once_are_the_pairs_one_by_one() -> None:
    """At random starts of real motion, so that heading and place differ."""
    motion = open_data.humanoid3d("run")[0]
    body = find_body_map(motion.skeleton)
    clips = {f"{k}": motion.slice(k, k + 9) for k in range(0, 16, 3)}
    gaps = set_gaps(clips, body)
    joints = main_joints(body)
    for row, one in enumerate(clips.values()):
        for column, other in enumerate(clips.values()):
            (end,), (start,) = ends_at(one, joints, [8], 1), ends_at(other, joints, [0], 1)
            names = [motion.skeleton.names[int(joint)] for joint in joints]
            gap = gap_between(end, start, names)
            found = [getattr(gaps, unit)[row, column] for unit in ("cm", "deg", "cm_s")]
            np.testing.assert_allclose(found, [gap.cm, gap.deg, gap.cm_s], atol=1e-9)
            assert gaps.worst[row][column] == gap.worst
            turned = end.positions - end.positions.mean(axis=0) * [1, 1, 0]
            other_way = start.positions - start.positions.mean(axis=0) * [1, 1, 0]
            tries = quat.from_yaw(np.linspace(-np.pi, np.pi, 721))[:, None]
            sums = ((turned - quat.rotate(tries, other_way)) ** 2).sum(axis=(1, 2))
            best = tries[int(np.argmin(sums))]
            away = 100 * np.linalg.norm(turned - quat.rotate(best, other_way), axis=-1).mean()
            assert gap.cm == pytest.approx(away, abs=0.3), "the best turn of a search"


def test_of_very_many_clips_the_joints_are_not_named() -> None:
    still = synthetic.idle(rate=60.0, duration_s=2.0).motion
    gaps = set_gaps(
        {f"{k}": still.slice(k % 40, k % 40 + 9) for k in range(65)}, find_body_map(still.skeleton)
    )
    assert gaps.cm.shape == (65, 65)
    assert gaps.worst == ()


def test_clips_of_other_joints_are_refused() -> None:
    a, b = synthetic.idle(rate=60.0).motion, open_data.humanoid3d("walk")[0]
    with pytest.raises(InputError, match="same joints"):
        set_gaps({"a": a, "b": b}, find_body_map(a.skeleton))
    assert set_gaps({}, find_body_map(a.skeleton)).cm.shape == (0, 0)


def test_the_seam_of_a_smooth_loop_is_like_the_rest_and_of_a_cut_is_not() -> None:
    motion = open_data.humanoid3d("walk")[0].resampled(60.0)
    body = find_body_map(motion.skeleton)
    cut = motion.slice(0, 70)
    plain, closed = measure_seam(cut, body), measure_seam(close_loop(cut, body), body)
    assert closed.pose_m < 1e-6
    assert plain.pose_m > 0.05
    assert plain.speed_jump > 5 * plain.usual_speed_jump
    assert closed.speed_jump < 2 * closed.usual_speed_jump
    with pytest.raises(InputError):
        measure_seam(motion.slice(0, 4), body)


def test_sliding_is_the_speed_of_planted_points_and_counts_the_seam() -> None:
    still = synthetic.idle(rate=60.0, duration_s=1.0).motion
    body = find_body_map(still.skeleton)
    count = len(still)
    frozen = Motion(
        still.skeleton,
        60.0,
        np.repeat(still.rotations[:1], count, 0),
        still.root_translation[0] + np.arange(count)[:, None] * [0.001, 0, 0],
    )
    planted = np.zeros((count, 2), bool)
    planted[:, 0] = True
    contacts = Contacts(60.0, FEET, planted, ~planted & False, 0.0)
    speed = sliding_cm_s(frozen, body, contacts)
    assert speed == pytest.approx(np.full(count - 1, 6.0))
    assert sliding_cm_s(frozen, body, contacts, loop=True) == pytest.approx(np.full(count, 6.0))
    off = Contacts(60.0, FEET, ~planted & False, ~planted & False, 0.0)
    assert sliding_cm_s(frozen, body, off).size == 0


def test_a_pose_moved_onto_another_is_as_far_off_as_the_gap_says():
    """Onto a copy of itself, turned and shifted on the floor, it lies exactly; else as `away_cm` says."""
    rng = np.random.default_rng(5)
    count = 9
    at = rng.normal(size=(count, 3))
    still, turns = np.zeros((count, 3)), np.tile(quat.IDENTITY, (count, 1))
    tops = (False,) * count
    pose = End(at, still, turns, tops)
    placed = quat.rotate(quat.from_yaw(np.array(0.8)), at) + np.array([3.0, -2.0, 0.0])
    np.testing.assert_allclose(moved_onto(End(placed, still, turns, tops), pose), placed, atol=1e-12)
    other = End(placed + 0.1 * rng.normal(size=(count, 3)), still, turns, tops)
    away = np.linalg.norm(moved_onto(other, pose) - other.positions, axis=-1)
    np.testing.assert_allclose(100 * away, gap_between(other, pose).away_cm, atol=1e-9)
