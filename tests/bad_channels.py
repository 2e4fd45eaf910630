"""Channels as a suit gets them wrong: sensors exchanged left for right, a foot's sensor turned over."""

from __future__ import annotations

import numpy as np

from takemill.base.checks import Array
from takemill.body.body_map import BodyMap, rest_facing
from takemill.body.motion import Motion
from takemill.maths import quat

ARMS, LEGS = ("UpperArm", "LowerArm", "Hand"), ("UpperLeg", "LowerLeg", "Foot")
_DOWN = np.array([0.0, 0.0, -1.0])


def exchanged(motion: Motion, body: BodyMap, parts: str | tuple[str, ...], held: str = "T") -> Motion:
    """The take with the sensors of some pairs exchanged, of a suit calibrated in a "T" or "hanging".

    A sensor's turn since the calibration pose goes to the other side's bone; all other bones stay as they
    are in the room.
    """
    model = motion.model()[0]
    posed = _calibration_pose(motion, body, held)
    turned = {}
    for part in (parts,) if isinstance(parts, str) else parts:
        left, right = (body.require(side + part) for side in ("left", "right"))
        turned |= {a: quat.mul(quat.mul(model[:, b], quat.inv(posed[b])), posed[a])
                   for a, b in ((left, right), (right, left))}  # fmt: skip
    return in_the_room(motion, turned, model)


def turned_over(motion: Motion, body: BodyMap, part: str, axis: str = "along") -> Motion:
    """The take with a foot's sensor half a turn off, about the foot ("along") or what points "up"."""
    model, joint = motion.model()[0], body.require(part)
    rest = motion.skeleton.rest_model[0][joint]
    ahead = quat.rotate(quat.from_yaw(rest_facing(motion.skeleton, body)), np.array([0.0, -1.0, 0.0]))
    flip = quat.from_axis_angle(quat.rotate(quat.inv(rest), ahead if axis == "along" else -_DOWN), np.pi)
    return in_the_room(motion, {joint: quat.mul(model[:, joint], flip)}, model)


def in_the_room(motion: Motion, turned: dict[int, Array], model: Array) -> Motion:
    """The take with some joints' model rotations replaced by others (F, 4), and none of the others moved."""
    model, rotations = model.copy(), motion.rotations.copy()
    for joint, rotation in turned.items():
        model[:, joint] = rotation
    for joint, parent in enumerate(motion.skeleton.parents):
        if joint in turned or parent in turned:
            above = model[:, parent] if parent >= 0 else quat.IDENTITY
            rotations[:, joint] = quat.mul(quat.inv(above), model[:, joint])
    return motion.with_rotations(rotations)


def _calibration_pose(motion: Motion, body: BodyMap, held: str) -> Array:
    """Model rotations (J, 4) of the rig with its arms held sideways or hanging, the rest at rest."""
    skeleton = motion.skeleton
    turned, at = skeleton.rest_model
    facing = quat.from_yaw(rest_facing(skeleton, body))
    out = turned.copy()
    for side, aside in (("left", 1.0), ("right", -1.0)):
        aim = _DOWN if held == "hanging" else quat.rotate(facing, np.array([aside, 0.0, 0.0]))
        for part, end in (("UpperArm", "LowerArm"), ("LowerArm", "Hand")):
            joint, below = body.require(side + part), body.require(side + end)
            bone = (at[below] - at[joint]) / np.linalg.norm(at[below] - at[joint])
            swing = quat.between(bone, aim)
            out[joint] = quat.mul(swing, turned[joint])
        hand = body.require(f"{side}Hand")
        out[hand] = quat.mul(swing, turned[hand])
    return out
