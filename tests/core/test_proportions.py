"""Shares of a body that are used where a rig says nothing, beside the bodies of open data.

The constants are Drillis and Contini's as Winter prints them, from memory; each must lie within what the rigs
of three sources, made independently, have (tests/open_data.py).
"""

from __future__ import annotations

import numpy as np
import pytest

import open_data
from takemill.body import upright
from takemill.body.body_map import find_body_map, leg_length
from takemill.body.skeleton import Skeleton
from takemill.feet import soles
from takemill.files.bvh import read_bvh


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


@pytest.mark.parametrize(
    ("name", "share"),
    [
        ("leg", upright._LEG_SHARE),
        ("neck", upright._NECK_SHARE),
        ("ankle", upright._SOLE_LEGS),
        ("ankle", soles._ANKLE_HEIGHT_LEGS),
        ("ahead", soles._FOOT_AHEAD_LEGS),
    ],
)
def test_shares_from_a_handbook_lie_within_those_of_open_bodies(name, share):
    found = [shares(skeleton)[name] for skeleton in rigs()]
    assert len(found) >= 3
    assert min(found) < share < max(found)
