"""Reference poses: the rest where it is upright, else a neutral pose out of the take."""

from __future__ import annotations

import dataclasses
from itertools import pairwise

import numpy as np
import pytest

import forms
import open_data
import synthetic
from takemill.body.body_map import find_body_map
from takemill.body.reference_pose import with_reference
from takemill.body.upright import find_stance
from takemill.files.bvh import parse_bvh, read_bvh
from takemill.maths import quat

UP = np.array([0.0, 0.0, 1.0])


@pytest.mark.parametrize(("lean_deg", "up"), [(0, "Z"), (40, "Z"), (60, "-Y"), (90, "-Y"), (180, "-Z")])
def test_a_body_stands_along_the_axis_of_its_rest_unless_another_is_clearly_better(lean_deg, up):
    """One who stands, laid back by some degrees: about 45 neither is clearly better."""
    idle = synthetic.idle(duration_s=0.5).motion
    lean = quat.from_axis_angle(np.array([1.0, 0.0, 0.0]), np.radians(lean_deg))
    rotations = idle.rotations.copy()
    rotations[:, 0] = quat.mul(lean, rotations[:, 0])
    laid = idle.with_rotations(rotations).with_translation(0, quat.rotate(lean, idle.root_translation))
    stance = find_stance(laid)
    assert (stance.up, stance.rest_up) == (up, "Z")


def lost(name: str):
    """An open motion, read from a file whose rest pose says nothing; and its body map."""
    motion, _ = open_data.humanoid3d(name)
    parts = find_body_map(motion.skeleton).joints
    plain = forms.plain(motion)
    read, _ = parse_bvh(forms.bvh_text(forms.resting(plain, forms.POSES["random turns"](plain, parts))))
    return read, find_body_map(read.skeleton)


def test_an_upright_rest_pose_is_the_reference():
    for motion in (synthetic.walk(steps=2).motion, open_data.humanoid3d("kick")[0]):
        assert with_reference(motion).skeleton.reference is None


@pytest.mark.parametrize("number", [0, 1])
def test_feet_of_an_upright_rest_pose_that_are_not_level_are_levelled_and_nothing_else(number):
    """By heel and toe tips, or by how planted feet lie.

    Those tips of the CMU humanoid are 21 degrees off level at rest; bvhtoolbox's second file has no heels,
    and its planted feet are 2 to 3 degrees off.
    """
    motion = (open_data.cmu(), read_bvh(open_data.bvh_files()[1])[0])[number]
    motion = with_reference(motion.with_skeleton(motion.skeleton.with_reference(None)))
    skeleton, body = motion.skeleton, find_body_map(motion.skeleton)
    turned = np.degrees(quat.angle_between(skeleton.reference_rotation, skeleton.rest_rotation))
    feet = [body.require(foot) for foot in body.feet]
    below = [joint for foot in feet for joint in skeleton.subtree(foot)]
    assert np.flatnonzero(turned > 1e-6).tolist()
    assert set(np.flatnonzero(turned > 1e-6)) <= set(below)
    assert skeleton.reference.origin == "rest"
    if number:
        assert turned[feet] == pytest.approx([2.6, 2.3], abs=0.1)
    else:
        tips = np.asarray(skeleton.tip_joints)
        ends = [skeleton.reference_tips[np.isin(tips, skeleton.subtree(foot))] for foot in feet]
        assert all(np.ptp(end[:, 2]) < 1e-6 for end in ends)
        assert turned[feet] == pytest.approx(20.7, abs=0.1)


def test_feet_are_levelled_alike_so_that_exchanged_ones_still_show():
    """Pitched by 12 degrees, one up and one down, as exchanged sensors are: no level takes that away."""
    motion = read_bvh(open_data.bvh_files()[1])[0]
    body = find_body_map(motion.skeleton)
    rotations, across = motion.rotations.copy(), np.array([1.0, 0.0, 0.0])
    for part, sign in (("leftFoot", 1.0), ("rightFoot", -1.0)):
        pitch = quat.from_axis_angle(across, sign * np.radians(12.0))
        rotations[:, body.require(part)] = quat.mul(rotations[:, body.require(part)], pitch)
    pitched = with_reference(motion.with_rotations(rotations))
    feet = [body.require(foot) for foot in body.feet]
    now, before = (one.skeleton.reference_model[0][feet] for one in (pitched, motion))
    assert np.degrees(quat.angle_between(now, before)).max() < 3.0


def test_feet_of_a_body_that_lies_are_not_levelled_by_it():
    """Its shins lie on the floor, and its feet with them; without heels, only how they lie would tell."""
    walk = forms.plain(open_data.humanoid3d("walk")[0])
    parts = find_body_map(open_data.humanoid3d("walk")[0].skeleton).joints
    heels = [walk.tips[[joint for joint, _ in walk.tips].index(parts[f"{s}Foot"])] for s in ("left", "right")]
    bare = dataclasses.replace(walk, tips=tuple(tip for tip in walk.tips if not any(tip is h for h in heels)))
    held = dataclasses.replace(
        bare, rotations=bare.rotations[[20] * 30], translations=bare.translations[[20] * 30]
    )
    lying = forms.turned_world(held, quat.from_axis_angle(np.array([0.0, 1.0, 0.0]), np.pi / 2))
    motion, _ = parse_bvh(forms.bvh_text(lying), up="Y")
    assert motion.skeleton.reference is None
    standing, _ = parse_bvh(forms.bvh_text(held))
    assert standing.skeleton.reference is not None


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
