"""Fingers with other joints than the performer's, and hands that hold a pose of the character's own."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

import synthetic
import takemill
from fit_bodies import TOON, Build, body, moved
from glb_clips import clip_of
from rigs import character
from takemill.base.checks import Array
from takemill.base.errors import InputError, TakemillError
from takemill.body.body_map import BodyMap
from takemill.body.motion import Motion
from takemill.body.skeleton import Skeleton
from takemill.files.bvh import write_bvh
from takemill.files.glb import append_animations
from takemill.fit.fingers import hands_without_fingers
from takemill.fit.fit import FitSettings, fit
from takemill.fit.own_poses import pose_by_names
from takemill.maths import quat
from takemill.recipe.recipe import Recipe, parse_recipe

FREE = FitSettings(goals=())
JOINTS = ("Proximal", "Intermediate", "Distal")
ALL = [f"leftIndex{name}" for name in JOINTS]


def only(parts: BodyMap, count: int) -> BodyMap:
    """The body map with the first joints alone of each finger."""
    gone = JOINTS[count:]
    return BodyMap({part: joint for part, joint in parts.joints.items() if not part.endswith(gone)})


def a_fist(skeleton: Skeleton, parts: BodyMap, degrees: tuple[float, ...], count: int = 3) -> Motion:
    """One frame at rest, one with each finger's joints bent about the palm's axis, one after the other."""
    rotations = np.tile(skeleton.rest_rotation, (2, 1, 1))
    turn = quat.IDENTITY
    model = skeleton.rest_model[0].copy()
    for side, sign in (("left", 1.0), ("right", -1.0)):
        for finger in ("Index", "Middle", "Ring", "Little"):
            bent = 0.0
            for name, more in zip(JOINTS[:count], degrees, strict=True):
                bent += more
                joint = parts.require(f"{side}{finger}{name}")
                turn = quat.from_axis_angle(np.array([0.0, sign, 0.0]), np.radians(bent))
                model[joint] = quat.mul(turn, skeleton.rest_model[0][joint])
    for joint, parent in enumerate(skeleton.parents):
        if parent >= 0:
            rotations[1, joint] = quat.mul(quat.inv(model[parent]), model[joint])
    return Motion(skeleton, 30.0, rotations, np.tile(skeleton.rest_translation[0], (2, 1)))


def bends_deg(motion: Motion, parts: BodyMap, names: list[str]) -> Array:
    """How far joints are turned away from rest in the second frame, in model space."""
    out = []
    for name in names:
        joint = parts.require(name)
        out.append(quat.angle_between(motion.model()[0][1, joint], motion.skeleton.rest_model[0][joint]))
    return np.degrees(np.array(out))


@pytest.mark.parametrize(
    ("ours", "theirs", "bent", "expected"),
    [
        (3, 3, (30.0, 40.0, 20.0), (30.0, 70.0, 90.0)),
        (3, 2, (30.0, 30.0, 30.0), (40.0, 80.0)),
        (3, 1, (30.0, 30.0, 30.0), (60.0,)),
        (2, 3, (30.0, 40.0), (30.0, 50.0, 70.0)),
        (1, 3, (40.0,), (20.0, 40.0, 60.0)),
        (1, 2, (30.0,), (20.0, 40.0)),
    ],
)
def test_a_finger_curls_as_far_with_other_joints(
    ours: int, theirs: int, bent: tuple[float, ...], expected: tuple[float, ...]
) -> None:
    """The middle of its bones points where that of the performer's does."""
    skeleton, parts = body(Build(fingers=True))
    other, other_parts = body(replace(TOON, fingers=True, arms_down_deg=0.0))
    motion = a_fist(skeleton, parts, bent, ours)
    fitted = fit(motion, only(parts, ours), other, only(other_parts, theirs), FREE)
    names = ALL[:theirs]
    np.testing.assert_allclose(bends_deg(fitted, other_parts, names), expected, atol=1e-6)
    assert np.mean(expected) == pytest.approx(np.mean(np.cumsum(bent)))


def test_hands_hold_a_pose_while_the_take_has_no_fingers() -> None:
    bare, bare_parts = body(Build())
    other, other_parts = body(replace(TOON, fingers=True))
    fist = a_fist(other, other_parts, (60.0, 50.0, 40.0)).rotations[1]
    motion = moved(bare, 4)
    fitted = fit(motion, bare_parts, other, other_parts, FREE, hand_pose=fist)
    plain = fit(motion, bare_parts, other, other_parts, FREE)
    fingers = [j for part, j in other_parts.joints.items() if part.endswith(JOINTS)]
    assert quat.angle_between(fitted.rotations[:, fingers], fist[fingers]).max() < 1e-9
    rest = [j for j in range(len(other)) if j not in fingers]
    np.testing.assert_array_equal(fitted.rotations[:, rest], plain.rotations[:, rest])
    # A take with fingers of its own keeps them; one hand may have them, and the other not.
    whole, whole_parts = body(Build(fingers=True))
    moving = moved(whole, 5)
    np.testing.assert_array_equal(
        fit(moving, whole_parts, other, other_parts, FREE, hand_pose=fist).rotations,
        fit(moving, whole_parts, other, other_parts, FREE).rotations,
    )
    left = BodyMap(
        {p: j for p, j in whole_parts.joints.items() if not (p.startswith("right") and p.endswith(JOINTS))}
    )
    assert hands_without_fingers(left) == ("rightHand",)
    half = fit(moving, left, other, other_parts, FREE, hand_pose=fist)
    joint = other_parts.require("rightRingDistal")
    assert quat.angle_between(half.rotations[:, joint], fist[joint]).max() < 1e-9
    joint = other_parts.require("leftRingDistal")
    assert quat.angle_between(half.rotations[:, joint], fist[joint]).max() > 0.1


def test_what_a_hand_carries_is_no_finger() -> None:
    bare, bare_parts = body(Build())
    other, other_parts = body(Build(fingers=True))
    sword = BodyMap(
        {p: j for p, j in other_parts.joints.items() if p != "leftIndexProximal"}
        | {"prop.sword": other_parts.require("leftIndexProximal")}
    )
    fist = a_fist(other, other_parts, (60.0, 50.0, 40.0)).rotations[1]
    fitted = fit(moved(bare, 4), bare_parts, other, sword, FREE, hand_pose=fist)
    joint = sword.require("prop.sword")
    assert quat.angle_between(fitted.rotations[:, joint], other.rest_rotation[joint]).max() < 1e-9


def test_a_pose_is_read_by_names_and_one_of_another_skeleton_is_refused() -> None:
    skeleton, parts = body(Build(fingers=True))
    motion = a_fist(skeleton, parts, (60.0, 50.0, 40.0)).slice(1, 2)
    other, _ = body(Build(fingers=True, root=True))
    pose = pose_by_names(other, motion)
    joint = other.names.index("leftIndexDistal")
    np.testing.assert_array_equal(pose[joint], motion.rotations[0, parts.require("leftIndexDistal")])
    np.testing.assert_array_equal(pose[0], other.rest_rotation[0])
    with pytest.raises(InputError, match="hand_pose"):
        fit(
            motion,
            parts,
            other,
            BodyMap({p: j + 1 for p, j in parts.joints.items()}),
            FREE,
            hand_pose=pose[:3],
        )


def character_with_a_fist(folder: Path) -> tuple[Path, Array, Skeleton]:
    """A GLB with fingers and an animation "fist", the fist, and the skeleton."""
    skeleton, parts = body(Build(fingers=True, thigh=0.36, shin=0.34))
    fist = a_fist(skeleton, parts, (60.0, 50.0, 40.0)).slice(1, 2)
    held = Motion(
        skeleton, 30.0, np.repeat(fist.rotations, 5, axis=0), np.repeat(fist.root_translation, 5, axis=0)
    )
    path = folder / "hero.glb"
    path.write_bytes(append_animations(character(skeleton), [clip_of("fist", held)]))
    return path, fist.rotations[0], skeleton


def holding(pose: str) -> Recipe:
    return parse_recipe(f'[fit]\nhand_pose = "{pose}"\n')


def test_a_characters_own_animation_gives_the_pose(tmp_path: Path) -> None:
    path, fist, skeleton = character_with_a_fist(tmp_path)
    known = synthetic.walk(rate=30.0, steps=4)
    write_bvh(tmp_path / "walk.bvh", known.motion)
    plain = takemill.fit_take(tmp_path / "walk.bvh", path)
    fitted = takemill.fit_take(tmp_path / "walk.bvh", path, holding("fist"))
    for name in ("leftIndexProximal", "rightLittleDistal"):
        joint, own = fitted.motion.skeleton.index(name), skeleton.index(name)
        assert quat.angle_between(fitted.motion.rotations[:, joint], fist[own]).max() < 0.01
        assert quat.angle_between(plain.motion.rotations[:, joint], fist[own]).max() > 0.5
    with pytest.raises(TakemillError, match="open hand"):
        takemill.fit_take(tmp_path / "walk.bvh", path, holding("open hand"))
    with pytest.raises(InputError, match="hand_pose"):
        takemill.fit_take(tmp_path / "walk.bvh", tmp_path / "walk.bvh", holding("fist"))
