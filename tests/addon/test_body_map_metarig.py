"""The body map of Blender's bundled human metarig, against hand-written truth."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

import bpy
import numpy as np
import pytest

import hand_takes
from control_rigs import generator
from rig_variants import CHANGES, METARIG_BONES, METARIGS
from rig_variants import metarig as changed_metarig
from takemill.body.body_map import find_body_map, leg_length, rest_facing
from takemill.body.skeleton import Skeleton
from takemill.fit.fit import fit_with_goals
from takemill.maths import quat
from takemill.maths.kinematics import local_from_model

ARMS = [side + part for side in ("left", "right") for part in ("UpperArm", "LowerArm", "Hand", "Foot")]


@pytest.fixture(scope="module")
def armature() -> Iterator[bpy.types.Armature]:
    with generator():
        bpy.ops.object.armature_human_metarig_add()
        made = bpy.context.object
        yield made.data
        bpy.data.objects.remove(made)


@pytest.fixture(params=["all tails", "tails of the ends", "no tails"])
def metarig(request: pytest.FixtureRequest, armature: bpy.types.Armature) -> Skeleton:
    """The metarig at rest from `bone.matrix_local`, with the bones' tails as tips."""
    bones = list(armature.bones)
    places = {bone.name: number for number, bone in enumerate(bones)}
    parents = tuple(places[bone.parent.name] if bone.parent else -1 for bone in bones)
    matrices = np.array([bone.matrix_local for bone in bones], np.float64)
    rotations, translations = local_from_model(
        parents, quat.from_matrix(matrices[:, :3, :3]), matrices[:, :3, 3]
    )
    tipped = {
        "all tails": list(range(len(bones))),
        "tails of the ends": [number for number, bone in enumerate(bones) if not bone.children],
        "no tails": [],
    }[request.param]
    tips = np.array([[0.0, bones[number].length, 0.0] for number in tipped]).reshape(-1, 3)
    return Skeleton(tuple(places), parents, translations, rotations, tuple(tipped), tips)


def test_the_metarig_maps_without_help(metarig):
    body = find_body_map(metarig)
    assert body.names(metarig) == METARIG_BONES
    assert rest_facing(metarig, body) == pytest.approx(0.0, abs=1e-6)  # Blender's front is -Y
    assert leg_length(metarig, body) == pytest.approx(0.99, abs=0.01)


def test_the_metarig_maps_without_its_names(metarig):
    silent = replace(metarig, names=tuple(f"j{number}" for number in range(len(metarig))))
    found = {part: metarig.names[joint] for part, joint in find_body_map(silent).joints.items()}
    assert found == {
        part: name for part, name in METARIG_BONES.items() if part not in ("jaw", "leftEye", "rightEye")
    }


@pytest.mark.parametrize("kind", METARIGS)
def test_a_fit_is_the_same_however_a_metarig_is_written(kind):
    """Numbered, rolled, in centimetres and scaled as an object: the same map, places and contacts."""
    take, unseen = hand_takes.hips(30.0), {"jaw", "leftEye", "rightEye"}
    with generator():
        rigs = {change: changed_metarig(kind, change) for change in CHANGES}
    found = {}
    for change, (skeleton, bones) in rigs.items():
        body = find_body_map(skeleton)
        wanted = {part: bone for part, bone in bones.items() if change != "numbered" or part not in unseen}
        assert body.names(skeleton) == wanted, change
        fitted = fit_with_goals(take.motion, take.body, skeleton, body)
        assert len(fitted.goals) == 2
        assert all(one.worst_m < 0.001 for one in fitted.goals)
        found[change] = fitted.motion.model()[1][:, [body.require(part) for part in ARMS]]
    for change, places in found.items():
        size = 0.4 if change == "small" else 1.0
        np.testing.assert_allclose(places, size * found["as it comes"], atol=1e-4, err_msg=change)
