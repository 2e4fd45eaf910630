"""Shares of a body that are used where a rig says nothing, beside rigs and people of open data.

Each must lie within what the rigs of three sources, made independently, have, and within what 98 of 100 of
the 6,068 people of ANSUR II have (Gordon et al. 2014; tests/open_data.py).
"""

from __future__ import annotations

import numpy as np
import pytest

import open_data
from takemill.base.checks import Array
from takemill.body import body_map, upright
from takemill.body.body_map import find_body_map, leg_length
from takemill.body.skeleton import Skeleton
from takemill.feet import soles
from takemill.files.bvh import read_bvh
from takemill.health.joint_limits import RANGES_DEG


def rigs() -> list[Skeleton]:
    motions = [open_data.humanoid3d("walk")[0], *(read_bvh(path)[0] for path in open_data.bvh_files())]
    return [motion.skeleton for motion in motions]


def shares(skeleton: Skeleton) -> dict[str, float]:
    """Of the left leg and foot at rest: leg and shoulder by the height; ankle and foot by the leg."""
    body, at, tips = find_body_map(skeleton), skeleton.reference_model[1], skeleton.reference_tips
    foot, leg = body.require("leftFoot"), leg_length(skeleton, body)
    below = skeleton.subtree(foot)
    ends = np.concatenate([at[below[1:]], tips[np.isin(skeleton.tip_joints, below)]])
    low, high = (limit(np.concatenate([at, tips])[:, 2]) for limit in (np.min, np.max))
    hip, shoulder = (at[body.require(f"left{part}")][2] for part in ("UpperLeg", "UpperArm"))
    return {
        "leg": leg / (high - low),
        "neck": (leg + shoulder - hip) / (high - low),
        "ankle": (at[foot][2] - ends[:, 2].min()) / leg,
        "ahead": np.linalg.norm((ends - at[foot])[:, :2], axis=1).max() / leg,
    }


def people() -> dict[str, Array]:
    """The same shares of people. A hip lies as high as the trochanter (common practice, no source)."""
    measures = open_data.body_measures()
    height, ankle = measures["stature"], measures["lateralmalleolusheight"]
    leg = measures["trochanterionheight"] - ankle
    return {
        "leg": leg / height,
        "ankle": ankle / leg,
        "foot": measures["footlength"] / leg,
        "acromion": (measures["acromialheight"] - ankle) / height,
        "half shoulders": measures["biacromialbreadth"] / 2 / height,
    }


@pytest.mark.parametrize(
    ("name", "share"),
    [
        ("leg", upright._LEG_SHARE),
        ("neck", upright._NECK_SHARE),
        ("ankle", upright._SOLE_LEGS),
        ("ankle", soles._ANKLE_HEIGHT_LEGS),
        ("ahead", soles.FOOT_AHEAD_LEGS),
    ],
)
def test_shares_from_a_handbook_lie_within_those_of_open_bodies(name, share):
    found = [shares(skeleton)[name] for skeleton in rigs()]
    assert len(found) >= 3
    assert min(found) < share < max(found)


@pytest.mark.parametrize(
    ("name", "share"),
    [
        ("leg", upright._LEG_SHARE),
        ("ankle", upright._SOLE_LEGS),
        ("ankle", soles._ANKLE_HEIGHT_LEGS),
        ("foot", soles.FOOT_AHEAD_LEGS + soles._FOOT_BEHIND_LEGS),
        ("acromion", upright._NECK_SHARE),
    ],
)
def test_shares_lie_within_those_of_people(name, share):
    low, high = np.percentile(people()[name], [1.0, 99.0])
    assert low < share < high


def test_nobodys_upper_arm_lies_as_near_the_middle_as_a_collar_bone():
    assert people()["half shoulders"].min() / 2 > body_map._MIN_SHOULDER_SHARE


def test_ranges_of_joints_are_those_of_a_published_model():
    """Rajagopal et al. 2016, "Full-body musculoskeletal model for muscle-driven simulation of human gait".

    A model of gait: its ranges are round, and its shoulders move less than people's. All others must agree
    within 15 degrees, which is what a finding allows on top of them.
    """
    model = open_data.model_ranges_deg()
    pairs = {
        "knee flexion": ("knee_angle_r", 1),
        "hip flexion": ("hip_flexion_r", 1),
        "hip abduction": ("hip_adduction_r", -1),
        "hip internal rotation": ("hip_rotation_r", 1),
        "ankle dorsiflexion": ("ankle_angle_r", 1),
        "elbow flexion": ("elbow_flex_r", 1),
        "wrist flexion": ("wrist_flex_r", 1),
        "wrist ulnar deviation": ("wrist_dev_r", 1),
    }
    for ours, (theirs, sign) in pairs.items():
        limits = sorted(sign * value for value in model[theirs])
        np.testing.assert_allclose(RANGES_DEG[ours], limits, atol=15.0, err_msg=ours)
