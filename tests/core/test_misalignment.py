from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

import corrupt
import open_data
import synthetic
from reference_poses import HELD, arms, misalign, random_misalignments, take_with_pose
from takemill.base.errors import InputError
from takemill.body.body_map import BodyMap, find_body_map, heading
from takemill.body.motion import Motion
from takemill.body.skeleton import Skeleton
from takemill.files.bvh import read_bvh
from takemill.health.check import check
from takemill.maths import quat
from takemill.repair.repair import RepairSettings, repair
from takemill.sensors import misalignment
from takemill.sensors.misalignment import (
    between_spans,
    correct_misalignment,
    find_reference_pose,
    reference_poses,
)

# Palms down; thumbs down from the shoulder, from the elbow, by the hand (35 degrees: common practice, no
# source).
T_POSES = (
    {},
    {"upper_arm": 35},
    {"lower_arm": 35},
    {"hand": 35},
)
OFF = RepairSettings(heading=False, path=False, floor=False, pin=False)


def off_deg(motion: Motion, truth: Motion) -> float:
    return float(np.degrees(quat.angle_between(motion.model()[0], truth.model()[0])).max())


@pytest.mark.parametrize("rest_lift_deg", [0, -45, -85])
@pytest.mark.parametrize("roll", T_POSES)
def test_seats_are_found_in_a_t_whatever_the_rig_rests_in(
    roll: dict[str, float], rest_lift_deg: float
) -> None:
    """Seats of four degrees about each axis, to 0.1 degrees; the take is repaired as well."""
    truth, body = take_with_pose(arms(0, roll), rest_lift_deg=rest_lift_deg)
    misalignments = random_misalignments(len(truth.skeleton), 1)
    pose = find_reference_pose(misalign(truth, misalignments), body)
    assert pose is not None
    assert (pose.kind, pose.start) == ("T", 0)
    assert abs(pose.stop - HELD) <= 3
    assert np.degrees(quat.angle_between(pose.misalignments, misalignments)).max() < 0.1
    assert off_deg(correct_misalignment(misalign(truth, misalignments), pose), truth) < 0.1


@pytest.mark.parametrize("rest_lift_deg", [0, -45, -85])
@pytest.mark.parametrize("lift_deg", [-30, -45, -60])
def test_seats_are_found_in_an_a_but_for_what_lifts_both_arms(lift_deg: float, rest_lift_deg: float) -> None:
    truth, body = take_with_pose(arms(lift_deg), at_end=True, rest_lift_deg=rest_lift_deg)
    misalignments = random_misalignments(len(truth.skeleton), 2)
    for part in ("upper_arm", "lower_arm", "hand"):  # one arm's misalignment mirrors the other's in front
        left, right = (truth.skeleton.index(f"{side}_{part}") for side in ("left", "right"))
        misalignments[right] = misalignments[left] * [1, -1, 1, -1]
    pose = find_reference_pose(misalign(truth, misalignments), body)
    assert pose is not None
    assert (pose.kind, pose.stop) == ("A", len(truth))
    assert abs(pose.start - len(truth) + HELD) <= 3
    assert np.degrees(quat.angle_between(pose.misalignments, misalignments)).max() < 1.0


def test_seats_under_noise_spikes_and_freezes() -> None:
    """Within 1.2 degrees of misalignments of some seven, and half a degree on average.

    Slow noise of 0.15 degrees about each axis of each joint adds up along a chain of five.
    """
    truth, body = take_with_pose(arms())
    misalignments = random_misalignments(len(truth.skeleton), 3)
    damage = replace(corrupt.Damage(), heading_deg_per_min=0, path_drift=0, floor_m=0)
    raw = corrupt.corrupt(misalign(truth, misalignments), 5, damage).motion
    pose = find_reference_pose(raw, body)
    assert pose is not None
    off = np.degrees(quat.angle_between(pose.misalignments, misalignments))
    assert off.max() < 1.2
    assert off.mean() < 0.5
    repaired, findings = repair(raw, body, replace(OFF, calibration=True))
    (found,) = [one for one in findings if one.kind == "reference_pose"]
    assert found.repaired
    assert np.degrees(quat.angle_between(repaired.rotations, truth.rotations)[HELD + 20 : -20]).mean() < 0.5


def test_a_take_without_a_held_pose_says_so_and_stays() -> None:
    walk = synthetic.walk().motion
    repaired, findings = repair(
        walk, find_body_map(walk.skeleton), replace(OFF, jitter=False, calibration=True)
    )
    (found,) = [one for one in findings if one.kind == "reference_pose"]
    assert (found.start, found.stop, found.repaired) == (0, len(walk), False)
    assert "no T or A pose is held" in found.message
    np.testing.assert_allclose(repaired.rotations, walk.rotations, atol=1e-12)


@pytest.mark.parametrize("yaw_deg", [0.0, 130.0])
def test_legs_that_rest_astride_lean_to_no_side_in_the_pose(yaw_deg: float) -> None:
    """Thighs and shins spread by 8 degrees at rest: they go straight down, as far forward as before."""
    old = synthetic.skeleton()
    ways, turned = old.rest_translation.copy(), old.rest_rotation.copy()
    for side, sign in (("left", 1), ("right", -1)):
        for part in ("lower_leg", "foot"):
            joint = old.index(f"{side}_{part}")
            out = quat.from_axis_angle(np.array([0.0, -1.0, 0.0]), sign * np.radians(8))
            ways[joint] = quat.rotate(out, ways[joint] + [0, -0.03, 0])
    turned[0] = quat.from_yaw(np.radians(yaw_deg))
    skeleton = Skeleton(old.names, old.parents, ways, turned, old.tip_joints, old.tip_offsets)
    body = BodyMap.from_names(skeleton, synthetic.parts())
    motion = Motion(skeleton, 30.0, turned[None], ways[:1])
    left = quat.rotate(turned[0], np.array([1.0, 0.0, 0.0]))
    found, (rest, places) = misalignment._upright_legs(motion, body), skeleton.rest_model
    assert len(found) == 4
    for part, turn in found.items():
        end = {"UpperLeg": "LowerLeg", "LowerLeg": "Foot"}[part[-8:]]
        joint, below = body.require(part), body.require(part[:-8] + end)
        bone = quat.rotate(quat.inv(rest[joint]), places[below] - places[joint])
        now = quat.rotate(turn, bone)
        assert abs(now @ left) < 1e-9
        assert now[2] < -0.38
        ahead = np.cross(left, [0.0, 0.0, 1.0])
        before = (places[below] - places[joint]) @ ahead / np.linalg.norm(bone)
        assert now @ ahead / np.linalg.norm(bone) == pytest.approx(before, abs=0.002)


def test_the_heading_stays() -> None:
    truth, body = take_with_pose(arms())
    raw = misalign(truth, random_misalignments(len(truth.skeleton), 4))
    repaired, _ = repair(raw, body, replace(OFF, jitter=False, calibration=True))
    assert np.degrees(np.abs(heading(repaired, body) - heading(truth, body))).max() < 0.1
    assert np.array_equal(repaired.root_translation, raw.root_translation)


def test_only_the_joints_that_are_asked_for_are_calibrated() -> None:
    truth, body = take_with_pose(arms())
    raw = misalign(truth, random_misalignments(len(truth.skeleton), 4))
    names = ("left_upper_arm", "head")
    repaired, _ = repair(raw, body, replace(OFF, jitter=False, calibration=True, joints=names))
    model, before, true = (one.model()[0] for one in (repaired, raw, truth))
    for joint, name in enumerate(truth.skeleton.names):
        goal = true if name in names else before
        assert np.degrees(quat.angle_between(model[:, joint], goal[:, joint])).max() < 0.1, name


def test_the_finding_offers_the_trim_and_seats_are_taken_out_only_on_request() -> None:
    truth, body = take_with_pose(arms())
    misalignments = random_misalignments(len(truth.skeleton), 4)
    raw = misalign(truth, misalignments)
    (found,) = [one for one in check(raw, body).findings if one.kind == "reference_pose"]
    assert (found.start, abs(found.stop - HELD) <= 3, found.repaired) == (0, True, False)
    assert f"frames {found.stop} to {len(raw) - 1} " in found.message
    assert found.amount == pytest.approx(np.degrees(quat.angle(misalignments)).max(), abs=0.1)
    assert found.joint == truth.skeleton.names[int(quat.angle(misalignments).argmax())]
    same, findings = repair(raw, body, replace(OFF, jitter=False))
    assert quat.angle_between(same.rotations, raw.rotations).max() < 1e-9
    assert "reference_pose" not in {one.kind for one in findings}


def test_an_exact_pose_changes_nothing() -> None:
    motion, body = take_with_pose(arms())
    pose = find_reference_pose(motion, body)
    assert pose is not None
    assert pose.largest_deg < 1e-6
    assert quat.angle_between(correct_misalignment(motion, pose).rotations, motion.rotations).max() < 1e-9


def test_what_has_no_sensor_keeps_its_local_turns() -> None:
    motion = take_with_pose(arms())[0]
    parts = {part: name for part, name in synthetic.parts().items() if not part.endswith("Toes")}
    fewer = BodyMap.from_names(motion.skeleton, parts)
    raw = misalign(motion, random_misalignments(len(motion.skeleton), 4))
    pose = find_reference_pose(raw, fewer)
    assert pose is not None
    toes = motion.skeleton.index("left_toes")
    assert not pose.sensed[toes]
    assert np.abs(correct_misalignment(raw, pose).rotations[:, toes] - raw.rotations[:, toes]).max() < 1e-12


def test_a_pose_at_both_ends_leaves_what_lies_between() -> None:
    first, body = take_with_pose(arms())
    last, _ = take_with_pose(arms(), at_end=True)
    rotations = np.concatenate([first.rotations, last.rotations])
    both = Motion(
        first.skeleton, first.rate, rotations, np.concatenate([first.root_translation, last.root_translation])
    )
    poses = reference_poses(both, body)
    assert [pose.kind for pose in poses] == ["T", "T"]
    start, stop = between_spans([(one.start, one.stop) for one in poses], len(both))
    assert abs(start - HELD) <= 3
    assert abs(stop - len(both) + HELD) <= 3
    assert between_spans((), 50) == (0, 50)


OPEN = [*open_data.HUMANOID3D, "bvh 0", "bvh 1", "cmu 0", "cmu 1", "marsh"]


@pytest.mark.parametrize("name", [*OPEN, "idle", "walk from standing"])
def test_no_take_without_a_reference_pose_has_one(name: str) -> None:
    kind, _, number = name.partition(" ")
    if name in open_data.HUMANOID3D:
        motion = open_data.humanoid3d(name)[0]
    elif kind in ("bvh", "cmu"):
        motion = (
            read_bvh(open_data.bvh_files()[int(number)])[0] if kind == "bvh" else open_data.cmu(int(number))
        )
    elif name == "marsh":
        motion = read_bvh("sample_blends/marsh_take.bvh")[0]
    else:
        known = synthetic.idle() if name == "idle" else synthetic.walk(steps=4, idle_s=3)
        motion = known.motion
    body = find_body_map(motion.skeleton)
    assert reference_poses(motion, body) == ()
    if len(motion) < 500:  # asked for, it is said that there is none, and nothing is done
        settings = replace(OFF, jitter=False, frozen=False, spikes=False, calibration=True)
        repaired, (finding,) = repair(motion, body, settings)
        assert quat.angle_between(repaired.rotations, motion.rotations).max() < 1e-9
        assert (finding.kind, finding.repaired) == ("reference_pose", False)


def test_odd_bodies_and_poses_of_other_skeletons() -> None:
    motion, body = take_with_pose(arms())
    pose = find_reference_pose(motion, body)
    assert pose is not None
    parts = {part: name for part, name in synthetic.parts().items() if not part.endswith("Hand")}
    assert reference_poses(motion, BodyMap.from_names(motion.skeleton, parts)) == ()
    for frames in (1, 2, 3, 30):
        assert reference_poses(motion.slice(0, frames), body) == ()
    lying = motion.rotations.copy()
    lying[:, 0] = quat.mul(quat.from_axis_angle(np.array([1.0, 0, 0]), np.pi / 2), lying[:, 0])
    assert reference_poses(motion.with_rotations(lying), body) == ()
    small = Motion(synthetic.skeleton().__class__(("a",), (-1,), np.zeros((1, 3)), quat.IDENTITY[None]), 30.0,
                   quat.IDENTITY[None, None], np.zeros((1, 3)))  # fmt: skip
    with pytest.raises(InputError, match="joints"):
        correct_misalignment(small, pose)
