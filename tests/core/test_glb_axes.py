"""The one place where the core's axes become glTF's."""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

import takemill
from odd_motion import odd_motion
from takemill.body.motion import Motion
from takemill.body.skeleton import Reference
from takemill.files.glb_axes import Y_UP, motions_in_gltf, skeleton_in_gltf, to_y_up
from takemill.maths import quat

MOTION = odd_motion()


def test_up_and_front_are_gltf_s() -> None:
    """GlTF 2.0, section 3.4: +Y up, the front of an asset faces +Z, +X to its left. Ours: +Z, -Y, +X."""
    ours = np.array([[0.0, 0.0, 1.0], [0.0, -1.0, 0.0], [1.0, 0.0, 0.0]])
    theirs = np.array([[0.0, 1.0, 0.0], [0.0, 0.0, 1.0], [1.0, 0.0, 0.0]])
    np.testing.assert_array_equal(to_y_up(ours), theirs)
    np.testing.assert_allclose(quat.rotate(Y_UP, ours), theirs, atol=1e-15)


def test_a_motion_plays_the_same_in_gltf_s_axes() -> None:
    """Two roots and a joint that slides; what hangs below a root keeps its numbers."""
    before = MOTION.rotations.tobytes()
    (inside,) = motions_in_gltf([MOTION])
    rotations, positions = MOTION.model()
    found_rotations, found_positions = inside.model()
    np.testing.assert_allclose(found_positions, to_y_up(positions), atol=1e-14)
    assert quat.angle_between(found_rotations, quat.mul(Y_UP, rotations)).max() < 1e-14
    hanging = [joint for joint, parent in enumerate(MOTION.skeleton.parents) if parent >= 0]
    np.testing.assert_array_equal(inside.rotations[:, hanging], MOTION.rotations[:, hanging])
    assert MOTION.rotations.tobytes() == before
    fresh = Motion(
        inside.skeleton, inside.rate, inside.rotations, inside.root_translation, inside.translations
    )
    np.testing.assert_allclose(inside.rotations, fresh.rotations, atol=1e-15)
    assert dict(inside.translations).keys() == dict(MOTION.translations).keys()
    for array in (inside.rotations, inside.root_translation, *inside.translations.values()):
        with pytest.raises(ValueError, match="read-only"):
            array[0] = 0.0


def test_rest_and_reference_poses_and_tips_go_along() -> None:
    bones = MOTION.skeleton
    reference = Reference(MOTION.rotations[3], bones.rest_translation + 0.1, "frame 3", 0.7)
    inside = skeleton_in_gltf(replace(bones, reference=reference))
    np.testing.assert_allclose(inside.rest_model[1], to_y_up(bones.rest_model[1]), atol=1e-14)
    np.testing.assert_allclose(inside.rest_tips, to_y_up(bones.rest_tips), atol=1e-14)
    there = replace(bones, reference=reference).reference_model[1]
    np.testing.assert_allclose(inside.reference_model[1], to_y_up(there), atol=1e-14)
    assert inside.reference is not None
    assert (inside.reference.origin, inside.reference.score) == ("frame 3", 0.7)


def test_motions_of_one_skeleton_have_one_skeleton_again() -> None:
    """The writer looks up a skeleton once for all clips that share it."""
    other = odd_motion(seed=3)
    first, second, third = motions_in_gltf([MOTION, MOTION.slice(0, 5), other])
    assert first.skeleton is second.skeleton
    assert (third.skeleton is first.skeleton) == (other.skeleton is MOTION.skeleton)


def test_no_file_outside_files_speaks_of_y_up() -> None:
    """Key reduction, clip sets and the add-on take what files/ gives them.

    `verify` reads the file's own numbers back, and `clips.json` says in whose axes its numbers are: both name
    glTF's axes and turn nothing.
    """
    core = Path(takemill.__file__).parent
    addon = core.parents[1] / "blender_addon"
    spoken = re.compile(r"\by[-_]?up\b|file_axes", re.IGNORECASE)
    places = [one for folder in (core, addon) for one in folder.rglob("*.py")]
    places = [one for one in places if core / "files" not in one.parents]
    assert len(places) > 150
    found = [f"{one.name}:{n}" for one in places for n, line in enumerate(one.read_text().splitlines(), 1)
             if spoken.search(line)]  # fmt: skip
    assert not found
