"""Reference poses: the rest where it is upright, else a neutral pose out of the take."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest

import forms
import open_data
import synthetic
from takemill.body.body_map import find_body_map
from takemill.body.reference_pose import with_reference
from takemill.files.bvh import parse_bvh
from takemill.maths import quat

UP = np.array([0.0, 0.0, 1.0])


def lost(name: str):
    """An open motion, read from a file whose rest pose says nothing; and its body map."""
    motion, _ = open_data.humanoid3d(name)
    parts = find_body_map(motion.skeleton).joints
    plain = forms.plain(motion)
    read, _ = parse_bvh(forms.bvh_text(forms.resting(plain, forms.POSES["random turns"](plain, parts))))
    return read, find_body_map(read.skeleton)


def test_an_upright_rest_pose_is_the_reference():
    for motion in (synthetic.walk(steps=2).motion, open_data.humanoid3d("kick")[0], open_data.cmu()):
        assert with_reference(motion).skeleton.reference is None


@pytest.mark.parametrize("name", ["walk", "punch", "kick", "jump", "dance_a", "run"])
def test_limbs_of_a_neutral_pose_hang_straight_and_feet_lie_flat(name):
    """Bones within a tenth of a degree of straight down, whatever the frame showed; heel and toe level."""
    motion, body = lost(name)
    skeleton = motion.skeleton
    at = skeleton.reference_model[1]
    for side in ("left", "right"):
        for limb in (("UpperLeg", "LowerLeg", "Foot"), ("UpperArm", "LowerArm", "Hand")):
            joints = [body.require(side + part) for part in limb]
            for start, end in pairwise(joints):
                bone = at[end] - at[start]
                assert np.degrees(np.arccos(np.clip(-bone @ UP / np.linalg.norm(bone), -1, 1))) < 0.1
        foot = body.require(f"{side}Foot")
        tips = skeleton.reference_tips[np.asarray(skeleton.tip_joints) == foot]
        assert np.ptp(tips[:, 2]) < 1e-4
    assert np.concatenate([at, skeleton.reference_tips])[:, 2].min() == pytest.approx(0.0, abs=1e-9)


def test_rotations_places_and_rest_stay():
    motion, _ = lost("walk")
    again = with_reference(motion)
    np.testing.assert_array_equal(again.rotations, motion.rotations)
    np.testing.assert_array_equal(again.skeleton.rest_rotation, motion.skeleton.rest_rotation)
    np.testing.assert_array_equal(again.skeleton.rest_translation, motion.skeleton.rest_translation)
    assert motion.skeleton.reference.origin.startswith("frame")
    assert quat.angle(motion.skeleton.rest_rotation).max() == 0.0


def test_a_take_without_a_body_is_left_as_it_is():
    motion, _ = lost("walk")
    chain = motion.skeleton.part([0])
    alone = type(motion)(chain, motion.rate, motion.rotations[:, :1], motion.root_translation)
    assert with_reference(alone).skeleton.reference is None


def test_a_root_that_carries_the_body_is_not_turned_upright_with_it():
    """It rests as it is in the frame: else a packed root joint would lean as the hips of that frame do."""
    walk = synthetic.walk(steps=4).motion
    plain, parts = forms.plain(walk), find_body_map(walk.skeleton).joints
    rested = forms.resting(plain, forms.POSES["crumpled"](plain, parts))
    motion, _ = parse_bvh(forms.bvh_text(forms.under_root(rested)))
    reference = motion.skeleton.reference
    assert reference is not None
    assert reference.origin.startswith("frame")
    assert quat.angle_between(reference.rotation[0], quat.IDENTITY) < 1e-6
