"""Takes that begin or end in a performer's reference pose, and sensors that sit badly."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import numpy as np

import synthetic
from takemill.base.checks import Array
from takemill.body.body_map import BodyMap
from takemill.body.motion import Motion
from takemill.maths import quat

FRONT = np.array([0.0, -1.0, 0.0])
ASIDE = np.array([1.0, 0.0, 0.0])
HELD = 180  # frames of 120 a second


def arms(lift_deg: float = 0.0, roll_deg: Mapping[str, float] = {}) -> dict[str, Array]:
    """Local turns of the synthetic body's arms: lifted from a T, and single joints rolled thumbs down."""
    turns = {
        f"{side}_upper_arm": quat.from_axis_angle(FRONT, np.radians(aside * lift_deg))
        for side, aside in (("left", 1), ("right", -1))
    }
    for part, degrees in roll_deg.items():
        for side in ("left", "right"):
            old = turns.get(f"{side}_{part}", quat.IDENTITY)
            turns[f"{side}_{part}"] = quat.mul(old, quat.from_axis_angle(ASIDE, np.radians(degrees)))
    return turns


def take_with_pose(
    turns: Mapping[str, Array], at_end: bool = False, rest_lift_deg: float = 0.0, facing: float = 0.7
) -> tuple[Motion, BodyMap]:
    """A second and a half in a pose, then a walk, or before it; the rig rests with arms lifted so far."""
    walk = synthetic.walk(steps=6).motion
    rest = walk.skeleton.rest_rotation.copy()
    for name, turn in arms(rest_lift_deg).items():
        rest[walk.skeleton.index(name)] = turn
    held = np.tile(quat.IDENTITY, (HELD, len(walk.skeleton), 1))
    for name, turn in turns.items():
        held[:, walk.skeleton.index(name)] = turn
    place = walk.root_translation[-1 if at_end else 0]
    pieces = [(held, np.tile(place, (HELD, 1))), (walk.rotations, walk.root_translation)]
    rotations, path = (np.concatenate(part) for part in zip(*pieces[:: -1 if at_end else 1], strict=True))
    rotations[:, 0] = quat.mul(quat.from_yaw(facing), rotations[:, 0])
    skeleton = replace(walk.skeleton, rest_rotation=rest)
    motion = Motion(skeleton, walk.rate, rotations, quat.rotate(quat.from_yaw(facing), path))
    return motion, BodyMap.from_names(skeleton, synthetic.parts())


def random_misalignments(joints: int, seed: int, size_deg: float = 4.0) -> Array:
    """Seats (J, 4): turns of that standard deviation about each axis, none about the root's vertical."""
    turns = np.radians(size_deg) * np.random.default_rng(seed).normal(size=(joints, 3))
    turns[0, 2] = 0
    return quat.exp(turns)


def misalign(motion: Motion, misalignments: Array) -> Motion:
    """What sensors report that sit turned by `misalignments` (J, 4) on their bones."""
    rotations = quat.mul(motion.rotations, misalignments)
    for joint, parent in enumerate(motion.skeleton.parents):
        if parent >= 0:
            rotations[:, joint] = quat.mul(quat.inv(misalignments[parent]), rotations[:, joint])
    return motion.with_rotations(rotations)
