"""One skeleton in other rest poses, and with more or fewer bones in its spine."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import numpy as np

from takemill.base.checks import Array
from takemill.body.body_map import BodyMap, rest_facing
from takemill.body.skeleton import Skeleton
from takemill.maths import kinematics, quat

# Part -> turns in degrees about the body's left, front and up axes; right sides mirror the left.
RESTS: Mapping[str, Mapping[str, tuple[float, float, float]]] = {
    "arms": {"leftUpperArm": (10.0, 50.0, -8.0), "leftLowerArm": (-20.0, 0.0, 15.0)},
    "slouch": {"spine": (12.0, 0.0, 0.0), "chest": (14.0, 3.0, 0.0), "neck": (-12.0, 0.0, 0.0)},
    "hips": {
        "hips": (15.0, 6.0, 0.0),
        "leftUpperLeg": (-15.0, -6.0, 0.0),
        "rightUpperLeg": (-15.0, -6.0, 0.0),
    },
    "head": {"neck": (20.0, 4.0, 0.0), "head": (16.0, -5.0, 0.0)},
    "clavicles": {"leftShoulder": (0.0, 14.0, 10.0)},
}
RESTS = {**RESTS, "all": {part: turn for rest in RESTS.values() for part, turn in rest.items()}}


def in_rest(skeleton: Skeleton, body: BodyMap, turns: Mapping[str, tuple[float, float, float]]) -> Skeleton:
    """The skeleton whose rest is its reference pose with some parts turned in model space."""
    facing = quat.from_yaw(rest_facing(skeleton, body))
    rotations = skeleton.reference_rotation.copy()
    mirrored = {
        part.replace("left", "right"): (about[0], -about[1], -about[2])
        for part, about in turns.items()
        if part.startswith("left") and part.replace("left", "right") not in turns
    }
    for part, about in {**turns, **mirrored}.items():
        if (joint := body.get(part)) is None:
            continue
        turn = quat.exp(quat.rotate(facing, np.radians([about[0], -about[1], about[2]])))
        parent = skeleton.parents[joint]
        above = skeleton.reference_model[0][parent] if parent >= 0 else quat.IDENTITY
        rotations[joint] = quat.mul(quat.mul(quat.mul(quat.inv(above), turn), above), rotations[joint])
    return replace(
        skeleton, rest_rotation=rotations, rest_translation=skeleton.reference_translation, reference=None
    )


def with_spine(skeleton: Skeleton, body: BodyMap, bones: int) -> tuple[Skeleton, BodyMap]:
    """The skeleton with so many joints between hips and neck, along the same curve at rest; axes stay."""
    turned, at = skeleton.reference_model
    hips, neck = body.require("hips"), body.require("neck")
    path = [*skeleton.path_to(neck)]
    path = path[path.index(hips) :]
    along = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(at[path], axis=0), axis=-1))])
    places = along[1] + (along[-1] - along[1]) * np.arange(bones) / bones
    spine = [np.array([np.interp(place, along, at[path, k]) for k in range(3)]) for place in places]
    names: list[str] = []
    parents: list[int] = []
    points: list[Array] = []
    frames: list[Array] = []
    new: dict[int, int] = {}
    for joint, name in enumerate(skeleton.names):
        if joint in path[1:-1]:
            continue
        parent = skeleton.parents[joint]
        top = parent in path[1:-1]
        new[joint] = len(names)
        names.append(name)
        points.append(at[joint])
        frames.append(turned[joint])
        parents.append(new[hips] + bones if top else new.get(parent, -1))
        if joint == hips:
            for k, place in enumerate(spine):
                parents.append(len(names) - 1)
                names.append(f"back{k}")
                points.append(place)
                frames.append(quat.IDENTITY)
    rotations, translations = kinematics.local_from_model(tuple(parents), np.array(frames), np.array(points))
    tips = [
        (new[j], offset)
        for j, offset in zip(skeleton.tip_joints, skeleton.tip_offsets, strict=True)
        if j in new
    ]
    made = Skeleton(
        tuple(names),
        tuple(parents),
        translations,
        rotations,
        tuple(j for j, _ in tips),
        np.array([o for _, o in tips]),
    )
    joints = {part: new[joint] for part, joint in body.joints.items() if joint in new}
    first = joints["hips"] + 1
    last = first + bones - 1
    trunk = {1: [first], 2: [first, last]}.get(bones, [first, first + bones // 2, last])
    joints |= dict(zip(("spine", "chest", "upperChest"), trunk, strict=False))
    return made, BodyMap(joints)
