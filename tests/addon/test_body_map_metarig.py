"""The body map of Blender's bundled human metarig, against hand-written truth."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

import addon_utils
import bpy
import numpy as np
import pytest

from takemill.body.body_map import find_body_map, leg_length, rest_facing
from takemill.body.skeleton import Skeleton
from takemill.maths import quat
from takemill.maths.kinematics import local_from_model

TRUNK = {
    "hips": "spine", "spine": "spine.001", "chest": "spine.002", "upperChest": "spine.003",
    "neck": "spine.004", "head": "spine.006", "jaw": "jaw",
}  # fmt: skip
SIDED = {
    "UpperLeg": "thigh", "LowerLeg": "shin", "Foot": "foot", "Toes": "toe",
    "Shoulder": "shoulder", "UpperArm": "upper_arm", "LowerArm": "forearm", "Hand": "hand", "Eye": "eye",
    "ThumbMetacarpal": "thumb.01", "ThumbProximal": "thumb.02", "ThumbDistal": "thumb.03",
    **{
        f"{finger}{bone}": f"f_{name}.{number:02}"
        for finger, name in (("Index", "index"), ("Middle", "middle"), ("Ring", "ring"), ("Little", "pinky"))
        for number, bone in enumerate(("Proximal", "Intermediate", "Distal"), 1)
    },
}  # fmt: skip
TRUTH = TRUNK | {
    side + part: f"{bone}.{event}"
    for part, bone in SIDED.items()
    for side, event in (("left", "L"), ("right", "R"))
}


@pytest.fixture(scope="module")
def armature() -> Iterator[bpy.types.Armature]:
    was_on, handlers = addon_utils.check("rigify")[1], list(bpy.app.handlers.load_post)
    addon_utils.enable("rigify", default_set=True)
    bpy.ops.object.armature_human_metarig_add()
    made = bpy.context.object
    yield made.data
    bpy.data.objects.remove(made)
    if not was_on:
        addon_utils.disable("rigify", default_set=True)
        bpy.app.handlers.load_post[:] = (
            handlers  # rigify leaves one of its own, which then fails on each load
        )


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
    assert body.names(metarig) == TRUTH
    assert rest_facing(metarig, body) == pytest.approx(0.0, abs=1e-6)  # Blender's front is -Y
    assert leg_length(metarig, body) == pytest.approx(0.99, abs=0.01)


def test_the_metarig_maps_without_its_names(metarig):
    silent = replace(metarig, names=tuple(f"j{number}" for number in range(len(metarig))))
    found = {part: metarig.names[joint] for part, joint in find_body_map(silent).joints.items()}
    assert found == {part: name for part, name in TRUTH.items() if part not in ("jaw", "leftEye", "rightEye")}
