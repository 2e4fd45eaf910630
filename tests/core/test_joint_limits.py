from __future__ import annotations

import numpy as np
import pytest

import open_data
import synthetic
from clean_takes import clean_take
from takemill.body.body_map import BodyMap, find_body_map
from takemill.body.motion import Motion
from takemill.clip.root_motion import add_root_joint
from takemill.feet.contacts import Contacts
from takemill.health.check import check
from takemill.health.joint_limits import RANGES_DEG, body_findings, joint_angles
from takemill.health.limb_frames import limb_frames
from takemill.maths import quat

NAMES = ("walk", "run", "punch", "kick", "spinkick", "jump", "spin", "dance_a", "cartwheel")
BAD = ("joint_limit", "swapped", "flipped", "bone_length")


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
    assert RANGES_DEG["hip internal rotation"] == (-45, 45)
    assert RANGES_DEG["shoulder internal rotation"] == (-90, 70)
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


def bent_and_turned(**turns_deg: tuple[float, ...]) -> Motion:
    """A standing body with some joints turned by rotation vectors in degrees, for frames 100 to 200."""
    motion = posed("head", np.zeros(3))
    rotations = motion.rotations.copy()
    for name, turn in turns_deg.items():
        rotations[100:200, motion.skeleton.index(name)] = quat.exp(np.radians(turn))
    return motion.with_rotations(rotations)


@pytest.mark.parametrize("degrees", [-80, -30, 0, 40, 90])
@pytest.mark.parametrize(("side", "aside"), [("left", 1), ("right", -1)])
def test_rotation_of_the_shoulder_is_told_by_the_forearm(side: str, aside: int, degrees: float) -> None:
    """Arm sideways, elbow at a right angle: the forearm ahead is 0, down internal, up external."""
    bend = {f"{side}_lower_arm": (0.0, 0.0, -90.0 * aside)}
    motion = bent_and_turned(**{f"{side}_upper_arm": (float(degrees), 0.0, 0.0)}, **bend)
    angles = joint_angles(limb_frames(motion, body_of(motion)))[f"{side} shoulder internal rotation"][1]
    assert angles[150] == pytest.approx(degrees, abs=0.5)
    assert angles[50] == 0  # the elbow is straight
    other = "right" if side == "left" else "left"
    assert not joint_angles(limb_frames(motion, body_of(motion)))[f"{other} shoulder internal rotation"][
        1
    ].any()


def test_a_hanging_arm_with_its_forearm_ahead_is_not_rotated() -> None:
    hanging = quat.from_axis_angle(np.array([0.0, 1.0, 0.0]), np.pi / 2)
    for across_deg in (0, 60):  # the forearm ahead, or across the belly
        turn = quat.log(quat.mul(hanging, quat.exp(np.radians([across_deg, 0.0, 0.0]))))
        motion = bent_and_turned(left_upper_arm=tuple(np.degrees(turn)), left_lower_arm=(0.0, 0.0, -90.0))
        angles = joint_angles(limb_frames(motion, body_of(motion)))["left shoulder internal rotation"][1]
        assert angles[150] == pytest.approx(across_deg, abs=0.5)


@pytest.mark.parametrize("flexed_deg", [0, 60, 90])
@pytest.mark.parametrize(("side", "aside"), [("left", 1), ("right", -1)])
def test_rotation_of_the_hip_is_told_by_the_shin(side: str, aside: int, flexed_deg: float) -> None:
    """Knee at a right angle: a foot that goes outward is the thigh's internal rotation."""
    for degrees in (-50, 0, 35):
        turn = quat.mul(
            quat.exp(np.radians([-flexed_deg, 0.0, 0.0])), quat.exp(np.radians([0, 0, -aside * degrees]))
        )
        motion = bent_and_turned(
            **{f"{side}_upper_leg": tuple(np.degrees(quat.log(turn))), f"{side}_lower_leg": (90.0, 0.0, 0.0)}
        )
        angles = joint_angles(limb_frames(motion, body_of(motion)))[f"{side} hip internal rotation"][1]
        assert angles[150] == pytest.approx(degrees, abs=1)
        assert angles[50] == 0


@pytest.mark.parametrize(
    ("turns", "joint", "words", "over"),
    [
        ({"left_upper_arm": (120.0, 0.0, 0.0), "left_lower_arm": (0.0, 0.0, -90.0)}, "left_upper_arm",
         "shoulder internal rotation of 120 degrees, usual is up to 70", 50),
        ({"right_upper_arm": (-125.0, 0.0, 0.0), "right_lower_arm": (0.0, 0.0, 90.0)}, "right_upper_arm",
         "shoulder external rotation of 125 degrees, usual is up to 90", 35),
        ({"left_upper_leg": (0.0, 0.0, -75.0), "left_lower_leg": (90.0, 0.0, 0.0)}, "left_upper_leg",
         "hip internal rotation of 75 degrees, usual is up to 45", 30),
        ({"right_upper_leg": (0.0, 0.0, -80.0), "right_lower_leg": (90.0, 0.0, 0.0)}, "right_upper_leg",
         "hip external rotation of 80 degrees, usual is up to 45", 35),
        ({"left_upper_leg": (0.0, -70.0, 0.0)}, "left_upper_leg",
         "hip abduction of 70 degrees, usual is up to 45", 25),
        ({"left_upper_leg": (0.0, 50.0, 0.0)}, "left_upper_leg",
         "hip adduction of 50 degrees, usual is up to 30", 20),
        ({"left_upper_leg": (55.0, 0.0, 0.0)}, "left_upper_leg",
         "hip extension of 55 degrees, usual is up to 30", 25),
        ({"right_upper_leg": (-150.0, 0.0, 0.0)}, "right_upper_leg",
         "hip flexion of 150 degrees, usual is up to 120", 30),
        ({"left_lower_arm": (0.0, 0.0, 40.0)}, "left_lower_arm",
         "elbow hyperextension of 40 degrees, usual is up to 0", 40),
        ({"left_lower_arm": (0.0, 0.0, 90.0)}, "left_lower_arm",
         "elbow hyperextension of 90 degrees, usual is up to 0", 90),
        ({"left_foot": (80.0, 0.0, 0.0)}, "left_foot",
         "ankle plantar flexion of 80 degrees, usual is up to 50", 30),
    ],
)  # fmt: skip
def test_a_joint_turned_too_far_is_said_once(
    turns: dict[str, tuple[float, ...]], joint: str, words: str, over: float
) -> None:
    motion = bent_and_turned(**turns)
    (finding,) = [one for one in body_findings(motion, body_of(motion)) if one.kind == "joint_limit"]
    assert (finding.joint, finding.start, finding.stop) == (joint, 100, 200)
    assert finding.message == f"{joint}: {words}"
    assert finding.amount == pytest.approx(over, abs=1)


@pytest.mark.parametrize(("over", "found"), [(-1.0, 0), (1.0, 1)])
def test_what_lies_within_the_tolerance_is_no_finding(over: float, found: int) -> None:
    """15 degrees for bends, 20 for rotations; and excursions of less than a twentieth of a second."""
    bent = bent_and_turned(left_lower_leg=(135.0 + 15 + over, 0.0, 0.0))
    spun = bent_and_turned(left_upper_leg=(0.0, 0.0, -45.0 - 20 - over), left_lower_leg=(90.0, 0.0, 0.0))
    for motion in (bent, spun):
        assert (
            len([one for one in body_findings(motion, body_of(motion)) if one.kind == "joint_limit"]) == found
        )
    short = posed("left_lower_leg", np.radians([170.0, 0.0, 0.0]), slice(100, 105))
    assert body_findings(short, body_of(short)) == []


def test_an_ankle_that_carries_the_body_may_bend_further() -> None:
    motion = bent_and_turned(left_foot=(-50.0, 0.0, 0.0), right_foot=(-50.0, 0.0, 0.0))
    planted = np.zeros((len(motion), 2), bool)
    planted[:, 0] = True
    contacts = Contacts(motion.rate, ("leftFoot", "rightFoot"), planted, planted, 0.0)
    (finding,) = body_findings(motion, body_of(motion), contacts)
    assert (finding.joint, finding.amount) == ("right_foot", pytest.approx(30, abs=1))
    assert "usual is up to 20" in finding.message
    lunged = bent_and_turned(left_foot=(-65.0, 0.0, 0.0))
    (finding,) = body_findings(lunged, body_of(lunged), contacts)
    assert "ankle dorsiflexion of 65 degrees, usual is up to 45" in finding.message


@pytest.mark.parametrize("name", NAMES)
def test_clean_open_motion_bends_within_range(name: str) -> None:
    """The motions that a repair is measured on; the one exception bends 62 degrees in a crouch."""
    motion = clean_take(name)
    found = [one for one in check(motion, find_body_map(motion.skeleton)).findings if one.kind in BAD]
    assert [(one.joint, one.kind) for one in found] == (
        [("right_ankle", "joint_limit")] if name == "jump" else []
    )


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
    assert (finding.kind, finding.joint, finding.start, finding.stop) == (
        "joint_limit",
        "left_upper_arm",
        100,
        200,
    )
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
    (finding,) = [f for f in body_findings(motion, body_of(motion)) if f.kind == "joint_limit"]
    assert (finding.joint, finding.start, finding.stop) == ("left_lower_leg", 100, 200)
    assert finding.amount == pytest.approx(50, abs=1)
    assert "knee hyperextension of 60 degrees, usual is up to 10" in finding.message
    assert not finding.repaired


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
    (finding,) = [f for f in body_findings(longer, body_of(motion)) if f.kind == "bone_length"]
    assert (finding.joint, finding.start, finding.stop) == ("left_lower_arm", 200, 220)
    assert finding.amount == pytest.approx(10, abs=0.1)
    assert not finding.repaired


def test_the_way_of_the_hips_under_a_root_is_no_bone() -> None:
    motion = synthetic.idle().motion
    rooted, body = add_root_joint(motion, body_of(motion))
    hips = body.require("hips")
    squat = rooted.translation_of(hips) * (1 - 0.2 * np.sin(np.arange(len(motion)) / 60)[:, None] ** 2)
    assert [
        f for f in body_findings(rooted.with_translation(hips, squat), body) if f.kind == "bone_length"
    ] == []


def test_a_flickering_length_is_one_finding() -> None:
    motion = synthetic.idle().motion
    joint = motion.skeleton.index("left_lower_arm")
    track = np.tile(motion.skeleton.rest_translation[joint], (len(motion), 1))
    track[200:260:2] *= 1.1
    found = [
        f
        for f in body_findings(motion.with_translation(joint, track), body_of(motion))
        if f.kind == "bone_length"
    ]
    assert [(f.start, f.stop) for f in found] == [(200, 259)]
