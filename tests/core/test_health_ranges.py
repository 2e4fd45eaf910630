from __future__ import annotations

import numpy as np
import pytest

import open_data
import synthetic
from takemill import quat
from takemill.body_map import BodyMap, find_body_map
from takemill.health_joints import limb_frames
from takemill.health_ranges import RANGES_DEG, body_findings, joint_angles
from takemill.motion import Motion
from takemill.travel import with_root_joint


def body_of(motion: Motion) -> BodyMap:
    return BodyMap.from_names(motion.skeleton, synthetic.parts())


def posed(joint: str, turn: np.ndarray, frames: slice = slice(100, 200)) -> Motion:
    """A standing body with one joint turned from its rest, by a rotation vector, for some frames."""
    idle = synthetic.idle().motion
    rotations = np.tile(idle.skeleton.rest_rotation, (len(idle), 1, 1))
    rotations[frames, idle.skeleton.index(joint)] = quat.exp(np.asarray(turn))
    return idle.with_rotations(rotations)


def test_the_table() -> None:
    """Normal ranges, American Academy of Orthopaedic Surgeons 1965; the numbers here are from memory, too."""
    assert RANGES_DEG["knee flexion"] == (-10, 135)
    assert RANGES_DEG["elbow flexion"] == (0, 150)
    assert RANGES_DEG["hip flexion"] == (-30, 120)
    assert RANGES_DEG["ankle dorsiflexion"] == (-50, 20)
    assert RANGES_DEG["hip abduction"] == (-30, 45)
    assert RANGES_DEG["shoulder extension"] == (-180, 60)
    assert RANGES_DEG["shoulder abduction"] == (0, 180)
    assert RANGES_DEG["wrist flexion"] == (-70, 80)
    assert RANGES_DEG["wrist ulnar deviation"] == (-20, 30)


@pytest.mark.parametrize(
    ("joint", "turn", "angle", "degrees"),
    [
        ("left_lower_leg", [np.radians(60), 0, 0], "left knee flexion", 60),
        ("right_lower_leg", [np.radians(-40), 0, 0], "right knee flexion", -40),
        ("left_upper_leg", [np.radians(-70), 0, 0], "left hip flexion", 70),
        ("left_foot", [np.radians(-15), 0, 0], "left ankle dorsiflexion", 15),
        ("right_foot", [np.radians(30), 0, 0], "right ankle dorsiflexion", -30),
        ("left_lower_arm", [0, 0, np.radians(-100)], "left elbow flexion", 100),
        ("left_upper_leg", [0, np.radians(-40), 0], "left hip abduction", 40),
        ("right_upper_leg", [0, np.radians(-25), 0], "right hip abduction", -25),
        ("left_upper_arm", [0, 0, np.radians(50)], "left shoulder extension", 50),
        ("right_upper_arm", [0, 0, np.radians(70)], "right shoulder extension", -70),
        ("left_hand", [0, np.radians(60), 0], "left wrist flexion", 60),
        ("right_hand", [0, np.radians(50), 0], "right wrist flexion", -50),
        ("left_hand", [0, 0, np.radians(25)], "left wrist ulnar deviation", 25),
        ("right_hand", [0, 0, np.radians(15)], "right wrist ulnar deviation", -15),
    ],
)
def test_angles_of_single_joints(joint: str, turn: list[float], angle: str, degrees: float) -> None:
    """A body facing -Y, Z up: a turn about +X swings what hangs down to the back."""
    motion = posed(joint, np.array(turn))
    found = joint_angles(limb_frames(motion, body_of(motion)))[angle][1]
    assert found[150] == pytest.approx(degrees, abs=0.5)
    assert found[50] == pytest.approx(0, abs=0.5)


@pytest.mark.parametrize(("down_deg", "degrees"), [(90, 0), (0, 90), (-80, 170), (110, -20)])
def test_shoulder_abduction_counts_from_hanging(down_deg: float, degrees: float) -> None:
    """In the plane of the trunk; past hanging, the arm passes through the trunk."""
    for side, aside in (("left", 1), ("right", -1)):
        motion = posed(f"{side}_upper_arm", np.array([0, aside * np.radians(down_deg), 0]))
        angles = joint_angles(limb_frames(motion, body_of(motion)))[f"{side} shoulder abduction"][1]
        assert angles[150] == pytest.approx(degrees, abs=0.5)


def test_arms_crossed_before_the_trunk_are_no_fault() -> None:
    motion = posed("left_upper_arm", np.array([0, 0, np.radians(-120)]))
    assert body_findings(motion, body_of(motion)) == []
    behind = posed("left_upper_arm", np.array([0, 0, np.radians(85)]))
    (finding,) = body_findings(behind, body_of(behind))
    assert (finding.kind, finding.joint, finding.start, finding.stop) == ("range", "left_upper_arm", 100, 200)
    assert finding.amount == pytest.approx(25, abs=1)


def test_the_palm_may_turn_in_the_forearm_or_the_wrist() -> None:
    """The wrist's angles do not change when a rig gives the forearm's turn to the hand."""
    turn = quat.from_axis_angle(np.array([1.0, 0, 0]), np.radians(70))
    bent = quat.mul(turn, quat.exp(np.array([0, np.radians(60), 0])))
    motion = posed("left_hand", quat.log(bent))
    angles = joint_angles(limb_frames(motion, body_of(motion)))
    assert angles["left wrist flexion"][1][150] == pytest.approx(60, abs=0.5)
    assert angles["left wrist ulnar deviation"][1][150] == pytest.approx(0, abs=0.5)


def test_a_joint_beyond_its_range_is_said_with_its_frames() -> None:
    motion = posed("left_lower_leg", np.array([np.radians(-60), 0, 0]))
    (finding,) = [f for f in body_findings(motion, body_of(motion)) if f.kind == "range"]
    assert (finding.joint, finding.start, finding.stop) == ("left_lower_leg", 100, 200)
    assert finding.amount == pytest.approx(50, abs=1)
    assert "-10 to 135" in finding.message
    assert not finding.mended


def test_real_motion_of_everyday_is_within_range() -> None:
    for name in ("walk", "punch", "dance_a", "walker/turn_left0"):
        motion = open_data.humanoid3d(name)[0]
        assert body_findings(motion, find_body_map(motion.skeleton)) == []


def test_a_foot_turned_over() -> None:
    motion = posed("right_foot", np.array([0, np.pi, 0]))
    flipped = [f for f in body_findings(motion, body_of(motion)) if f.kind == "flipped"]
    assert [(f.joint, f.start, f.stop) for f in flipped] == [("right_foot", 100, 200)]


def test_a_bone_that_changes_its_length() -> None:
    motion = synthetic.idle().motion
    joint = motion.skeleton.index("left_lower_arm")
    track = np.tile(motion.skeleton.rest_translation[joint], (len(motion), 1))
    track[200:220] *= 1.1
    longer = motion.with_translation(joint, track)
    (finding,) = [f for f in body_findings(longer, body_of(motion)) if f.kind == "bone"]
    assert (finding.joint, finding.start, finding.stop) == ("left_lower_arm", 200, 220)
    assert finding.amount == pytest.approx(10, abs=0.1)


def test_the_way_of_the_hips_under_a_root_is_no_bone() -> None:
    motion = synthetic.idle().motion
    rooted, body = with_root_joint(motion, body_of(motion))
    hips = body.require("hips")
    squat = rooted.translation_of(hips) * (1 - 0.2 * np.sin(np.arange(len(motion)) / 60)[:, None] ** 2)
    assert [f for f in body_findings(rooted.with_translation(hips, squat), body) if f.kind == "bone"] == []


def test_a_flickering_length_is_one_finding() -> None:
    motion = synthetic.idle().motion
    joint = motion.skeleton.index("left_lower_arm")
    track = np.tile(motion.skeleton.rest_translation[joint], (len(motion), 1))
    track[200:260:2] *= 1.1
    found = [
        f for f in body_findings(motion.with_translation(joint, track), body_of(motion)) if f.kind == "bone"
    ]
    assert [(f.start, f.stop) for f in found] == [(200, 259)]
