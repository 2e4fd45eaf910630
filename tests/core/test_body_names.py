"""What single joint names say. The names are put together from the words of the trade; no source."""

from __future__ import annotations

import pytest

from takemill.body.body_names import read_name, words_of


@pytest.mark.parametrize(
    ("name", "words"),
    [
        ("LeftUpLeg", ("left", "up", "leg")),
        ("upper_arm.L", ("upper", "arm", "l")),
        ("LHipJoint", ("l", "hip", "joint")),
        ("lfemur", ("l", "femur")),
        ("rhipjoint", ("r", "hip", "joint")),
        ("footr", ("foot", "r")),
        ("lefthandthumb1", ("left", "hand", "thumb", "1")),
        ("lowerback", ("lower", "back")),
        ("Spine02", ("spine", "02")),
        ("B-thigh-01.R", ("b", "thigh", "01", "r")),
        ("lantern", ("lantern",)),  # no l + "antern"
        ("roar", ("roar",)),
        ("", ()),
        ("\u9ab0\u76e4", ()),
    ],
)
def test_names_are_cut_into_words(name, words):
    assert words_of(name) == words


@pytest.mark.parametrize(
    ("name", "side", "part"),
    [
        ("Hips", "", "hips"), ("hip", "", "hips"), ("pelvis.L", "left", ""), ("LeftHip", "left", "UpperLeg"),
        ("hip.R", "right", "UpperLeg"), ("thigh_l", "left", "UpperLeg"), ("r_upleg", "right", "UpperLeg"),
        ("Left leg", "left", "LowerLeg"),
        ("lower_leg.l", "left", "LowerLeg"), ("UpperLeg_R", "right", "UpperLeg"),
        ("right knee", "right", "LowerLeg"), ("LeftAnkle", "left", "Foot"), ("leg_foot_l", "left", "Foot"),
        ("ball_r", "right", "Toes"), ("LeftToeBase", "left", "Toes"), ("toe_middle_01.L", "left", "Toes"),
        ("spine.003", "", "spine"), ("chest", "", "chest"),
        ("UpperChest", "", "chest"), ("thorax", "", "chest"),
        ("neck_01", "", "neck"), ("skull", "", "head"), ("forehead.L", "left", ""), ("eye.R", "right", "Eye"),
        ("jaw", "", "jaw"), ("jaw.L.001", "left", ""),
        ("clavicle_r", "right", "Shoulder"),
        ("LeftCollar", "left", "Shoulder"), ("shoulder.L", "left", "Shoulder"),
        ("LeftArm", "left", "UpperArm"),
        ("arm_upper_l", "left", "UpperArm"), ("RightForeArm", "right", "LowerArm"),
        ("arm_lower_r", "right", "LowerArm"), ("l_elbow", "left", "LowerArm"), ("hand.L", "left", "Hand"),
        ("RightWrist", "right", "Hand"), ("palm.02.L", "left", ""), ("LeftFinger1", "left", ""),
        ("LeftHandThumb2", "left", "Thumb"),
        ("f_ring.01.R", "right", "Ring"), ("index_metacarpal_l", "left", "Index"),
        ("pinky_03_r", "right", "Little"), ("earring", "", "Ring"),
        ("tail.004", "", "tail"), ("root", "", "root"),
        ("prop.oar", "", "prop"), ("hand_prop_r", "right", "prop"),
        ("some:ns:LeftFoot", "left", "Foot"), ("a|b|RightFoot", "right", "Foot"), ("left_right", "", ""),
        ("j17", "", ""), ("belt", "", ""),
    ],
)  # fmt: skip
def test_a_name_names_a_side_and_a_part(name, side, part):
    hint = read_name(name)
    assert (hint.side, hint.best) == (side, part)


def test_the_word_hip_says_less_of_a_thigh_than_its_own_names():
    """A joint called after the hip may be the thigh, or a stub above it that carries the thigh."""
    sure = [read_name(name).says("UpperLeg") for name in ("l_hip_joint", "l_hip", "l_upper_leg")]
    assert 0 < sure[0] < sure[1] < sure[2] <= 1
    assert read_name("hip").says("hips") == 1


@pytest.mark.parametrize(
    "name",
    ["foot_ik.L", "LeftForeArmTwist", "upperarm_twist_01_l",
     "knee_pole.R", "HeadTop_End", "LeftToeNub", "heel.02.L",
     "hair_01", "PonyTail", "skirt_front", "CTRL_spine", "LeftHandRoll", "thigh_target"],
)  # fmt: skip
def test_a_helper_plays_no_part(name):
    hint = read_name(name)
    assert hint.helper
    assert hint.best == ""
    assert hint.says("Foot") < 0
