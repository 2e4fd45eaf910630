from __future__ import annotations

import numpy as np
import pytest

import open_data
import synthetic
from takemill import quat
from takemill.body_map import BodyMap, find_body_map
from takemill.health_ranges import RANGES_DEG, body_findings, joint_angles
from takemill.motion import Motion


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


@pytest.mark.parametrize(
    ("joint", "turn", "angle", "degrees"),
    [
        ("left_lower_leg", [np.radians(60), 0, 0], "left knee flexion", 60),
        ("right_lower_leg", [np.radians(-40), 0, 0], "right knee flexion", -40),
        ("left_upper_leg", [np.radians(-70), 0, 0], "left hip flexion", 70),
        ("left_foot", [np.radians(-15), 0, 0], "left ankle dorsiflexion", 15),
        ("right_foot", [np.radians(30), 0, 0], "right ankle dorsiflexion", -30),
        ("left_lower_arm", [0, 0, np.radians(-100)], "left elbow flexion", 100),
    ],
)
def test_angles_of_single_joints(joint: str, turn: list[float], angle: str, degrees: float) -> None:
    """A body facing -Y, Z up: a turn about +X swings what hangs down to the back."""
    motion = posed(joint, np.array(turn))
    found = joint_angles(motion, body_of(motion))[angle][1]
    assert found[150] == pytest.approx(degrees, abs=0.5)
    assert found[50] == pytest.approx(0, abs=0.5)


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


def test_shins_exchanged_left_for_right() -> None:
    walk, _ = open_data.humanoid3d("walk")
    body = find_body_map(walk.skeleton)
    model, _ = walk.model()
    left, right = body.require("leftLowerLeg"), body.require("rightLowerLeg")
    rotations = walk.rotations.copy()
    for knee, other in ((left, right), (right, left)):
        above = model[:, walk.skeleton.parents[knee]]
        rotations[:, knee] = quat.mul(quat.inv(above), model[:, other])
    assert "swapped" in {f.kind for f in body_findings(walk.with_rotations(rotations), body)}
    assert body_findings(walk, body) == []


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
