"""A pose of the character's own that stands for its rest."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

import synthetic
import takemill
from fit_bodies import Build, body, moved
from glb_clips import clip_of
from rest_bodies import RESTS, in_rest
from rigs import character
from takemill.base.errors import InputError, TakemillError
from takemill.body.motion import Motion
from takemill.files.bvh import write_bvh
from takemill.files.glb import append_animations
from takemill.fit.fit import FitSettings, fit
from takemill.fit.own_poses import with_rest_pose
from takemill.maths import quat
from takemill.recipe.recipe import parse_recipe

MATCH = FitSettings(posture="match", goals=())


def test_a_character_posed_as_the_performer_rests_moves_the_same() -> None:
    """Its own rest is slouched; the pose that stands for it is the performer's rest."""
    skeleton, parts = body(Build(trunk=("spine", "chest", "upperChest"), roll_seed=3))
    motion = moved(skeleton, 1)
    slouched = in_rest(skeleton, parts, RESTS["all"])
    straight = Motion(slouched, 30.0, skeleton.rest_rotation[None], skeleton.rest_translation[:1])
    posed = with_rest_pose(slouched, parts, straight, "stand")
    assert posed.reference is not None
    assert posed.reference.origin == "stand"
    fitted = fit(motion, parts, posed, parts, FitSettings(goals=()))  # its posture is kept: that of the pose
    np.testing.assert_allclose(fitted.model()[1], motion.model()[1], atol=1e-4)
    other = fit(motion, parts, slouched, parts, FitSettings(goals=()))
    assert np.abs(other.model()[1] - motion.model()[1]).max() > 0.05


def test_a_pose_that_does_not_stand_is_refused() -> None:
    skeleton, parts = body(Build())
    rotations = skeleton.rest_rotation[None].copy()
    rotations[0, 0] = quat.from_axis_angle(np.array([1.0, 0.0, 0.0]), np.radians(90.0))
    lying = Motion(skeleton, 30.0, rotations, skeleton.rest_translation[:1])
    with pytest.raises(
        InputError, match="rest pose: in the first frame of 'sleep' the character does not stand"
    ):
        with_rest_pose(skeleton, parts, lying, "sleep")


def test_a_characters_animation_stands_for_its_rest(tmp_path: Path) -> None:
    skeleton, parts = body(Build(thigh=0.36, shin=0.34))
    bowed = in_rest(skeleton, parts, {"head": (30.0, 0.0, 0.0)})
    held = np.repeat(bowed.rest_rotation[None], 5, axis=0)
    nod = Motion(skeleton, 30.0, held, np.repeat(skeleton.rest_translation[:1], 5, axis=0))
    path = tmp_path / "hero.glb"
    path.write_bytes(append_animations(character(skeleton), [clip_of("nod", nod)]))
    write_bvh(tmp_path / "walk.bvh", synthetic.walk(rate=30.0, steps=4).motion)
    heads, told = [], []
    for pose in ("", "nod"):
        recipe = parse_recipe(f'[fit]\nrest_pose = "{pose}"\n')
        motion = takemill.fit_take(tmp_path / "walk.bvh", path, recipe, say=told.append).motion
        heads.append(motion.model()[0][:, motion.skeleton.index("head")])
    assert np.degrees(quat.angle_between(*heads)).min() == pytest.approx(30.0, abs=0.1)
    assert [line.partition("head is held ")[2].partition(" degrees")[0] for line in told] == ["30"]
    with pytest.raises(TakemillError, match="bow"):
        takemill.fit_take(tmp_path / "walk.bvh", path, parse_recipe('[fit]\nrest_pose = "bow"\n'))
