"""The character's rest pose beside the performer's: one skeleton in other rests answers what is right."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

import numpy as np
import pytest

import open_data
from fit_bodies import BROAD, TOON, Build, body, moved, rolled
from rest_bodies import RESTS, in_rest, with_spine
from takemill.base.errors import InputError
from takemill.body.body_map import BodyMap, find_body_map
from takemill.body.motion import Motion
from takemill.body.skeleton import Skeleton
from takemill.fit.fit import FitSettings, fit
from takemill.fit.rest_match import has_same_bones, posture_note, rest_turns
from takemill.maths import quat

MATCH = FitSettings(posture="match")


def standing(skeleton: Skeleton) -> Motion:
    return Motion(skeleton, 30.0, skeleton.rest_rotation[None], skeleton.rest_translation[:1])


def performer(name: str) -> tuple[Motion, BodyMap]:
    if name == "synthetic":
        skeleton, parts = body(
            Build(trunk=("spine", "chest", "upperChest"), fingers=True, tail=2, roll_seed=3)
        )
        return moved(skeleton, 1), parts
    motion = open_data.cmu(0) if name == "cmu" else open_data.humanoid3d(name)[0]
    return motion, find_body_map(motion.skeleton)


def forms(skeleton: Skeleton) -> Iterator[tuple[Skeleton, float]]:
    """A skeleton, its axes drawn at random, and half and twice as large, with their sizes."""
    yield skeleton, 1.0
    other = rolled(standing(skeleton), 4).skeleton
    for size in (1.0, 0.5, 2.0):
        yield (
            replace(
                other, rest_translation=size * other.rest_translation, tip_offsets=size * other.tip_offsets
            ),
            size,
        )


@pytest.mark.parametrize("rest", RESTS)
@pytest.mark.parametrize("name", ["synthetic", "spinkick", "cmu"])
def test_ones_own_skeleton_in_another_rest_moves_the_same(name: str, rest: str) -> None:
    """Within 0.1 mm, whichever rest and however the joints' axes lie; half and twice the size too."""
    motion, parts = performer(name)
    other = in_rest(motion.skeleton, parts, RESTS[rest])
    assert find_body_map(other).joints == parts.joints or name == "synthetic"
    for skeleton, size in forms(other):
        fitted = fit(motion, parts, skeleton, parts, MATCH)
        away_m = np.linalg.norm(fitted.model()[1] - size * motion.model()[1], axis=-1).max(axis=0)
        named = dict(zip(skeleton.names, away_m, strict=True))
        assert away_m.max() < 1e-4, (size, max(named.items(), key=lambda item: item[1]))


def test_one_skeleton_in_another_rest_has_the_same_local_rotations() -> None:
    """Where names, parents and places in the parents' axes agree, twists that no joint shows are kept too."""
    motion, parts = performer("synthetic")
    turns = {**RESTS["all"], "leftLowerArm": (70.0, 0.0, 0.0), "rightLowerLeg": (0.0, 0.0, 20.0)}
    other = in_rest(motion.skeleton, parts, turns)
    assert has_same_bones(motion.skeleton, other)
    assert not has_same_bones(motion.skeleton, rolled(standing(other), 4).skeleton)
    fitted = fit(motion, parts, other, parts, replace(MATCH, plant_feet=False))
    assert quat.angle_between(fitted.rotations, motion.rotations).max() < 1e-6


def test_who_keeps_the_posture_adds_the_turn_to_the_characters_own_rest() -> None:
    motion, parts = performer("synthetic")
    slouched = in_rest(motion.skeleton, parts, RESTS["slouch"])
    fitted = fit(motion, parts, slouched, parts)
    for part in ("spine", "chest", "upperChest", "head", "leftShoulder"):
        joint = parts.require(part)
        turned = [
            quat.mul(one.model()[0][:, joint], quat.inv(one.skeleton.rest_model[0][joint]))
            for one in (motion, fitted)
        ]
        assert quat.angle_between(turned[0], turned[1]).max() < 1e-6, part
    stands = fit(standing(motion.skeleton), parts, slouched, parts)
    trunk = [parts.require(part) for part in ("hips", "spine", "chest", "upperChest", "neck", "head")]
    np.testing.assert_allclose(stands.rotations[0, trunk], slouched.rest_rotation[trunk], atol=1e-6)


@pytest.mark.parametrize("posture", ["keep", "match"])
@pytest.mark.parametrize("bones", range(1, 7))
def test_a_spine_of_other_bones_carries_the_head_to_the_same_place(bones: int, posture: str) -> None:
    """Within 10 mm: the performer's spine has three bones, and is bent as in the open motion."""
    for name in (0, 1):
        motion = open_data.cmu(name)
        parts = find_body_map(motion.skeleton)
        skeleton, other_parts = with_spine(motion.skeleton, parts, bones)
        fitted = fit(motion, parts, skeleton, other_parts, FitSettings(posture=posture, plant_feet=False))
        away_m = np.linalg.norm(
            fitted.model()[1][:, other_parts.require("head")] - motion.model()[1][:, parts.require("head")],
            axis=-1,
        )
        assert away_m.max() < 0.0105


@pytest.mark.parametrize("build", [TOON, BROAD], ids=["toon", "broad"])
def test_other_builds_are_held_as_the_performer_is(build: Build) -> None:
    """On another skeleton, whose chest has another shape, trunk and neck point where the performer's do."""
    performer_body, parts = body(Build(trunk=("spine", "chest")))
    other, other_parts = body(replace(build, trunk=("spine", "chest"), helpers=0, facing_deg=70.0))
    slouched = in_rest(other, other_parts, RESTS["slouch"])
    found = rest_turns(performer_body, parts, slouched, other_parts)
    assert np.degrees(quat.angle(found["chest"])) == pytest.approx(26.0, abs=6.0)
    fitted = fit(standing(performer_body), parts, slouched, other_parts, MATCH)
    at, ours = fitted.model()[1][0], performer_body.rest_model[1]
    for start, end in (("spine", "chest"), ("chest", "neck"), ("neck", "head")):
        bones = [p[b.require(end)] - p[b.require(start)] for p, b in ((at, other_parts), (ours, parts))]
        assert np.degrees(quat.angle(quat.between(*bones))) < 1.0, (start, bones)


def test_a_posture_that_is_none_is_named() -> None:
    motion, parts = performer("synthetic")
    with pytest.raises(InputError, match="posture: expected one of keep, match, got 'stoop'"):
        fit(motion, parts, motion.skeleton, parts, FitSettings(posture="stoop"))


@pytest.mark.parametrize("posture", ["keep", "match"])
def test_another_posture_at_rest_is_said_and_what_becomes_of_it(posture: str) -> None:
    performer_body, parts = body(Build())
    other, other_parts = body(replace(BROAD, facing_deg=40.0))
    assert posture_note(performer_body, parts, other, other_parts, posture) == ""
    stooped = in_rest(other, other_parts, {"head": (25.0, 0.0, 0.0)})
    told = posture_note(performer_body, parts, stooped, other_parts, posture)
    assert "its head is held 25 degrees from the performer's" in told
    assert ("its own posture is kept" in told) == (posture == "keep")
    assert ("the performer's posture is taken" in told) == (posture == "match")


def test_collar_bones_that_begin_elsewhere_go_along_with_the_chest() -> None:
    """Rigs begin them anywhere: of the sample's and the CMU body's the lines differ by 38 degrees."""
    motion = open_data.cmu(0)
    parts = find_body_map(motion.skeleton)
    other, other_parts = body(Build())
    turns = rest_turns(motion.skeleton, parts, other, other_parts)
    for side in ("left", "right"):
        assert quat.angle_between(turns[f"{side}Shoulder"], turns["chest"]) < 1e-9
