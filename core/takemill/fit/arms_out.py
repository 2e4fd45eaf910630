"""Arms that hang further out by one angle, whatever the body."""

from __future__ import annotations

import numpy as np

from ..body.body_map import BodyMap, rest_facing
from ..body.body_parts import SIDES
from ..body.motion import Motion
from ..body.posed import joint_in_model
from ..maths import quat
from ..maths.easing import smoothstep

# The axes of a body at rest: Blender's, with the front at -Y.
_FRONT, _UP = np.array([0.0, -1.0, 0.0]), np.array([0.0, 0.0, 1.0])


def hold_arms_out(motion: Motion, body: BodyMap, clearance: float) -> Motion:
    """Arms turned away from the body about the chest's front, by `clearance` (radians) when they hang."""
    chest = next(j for part in ("upperChest", "chest", "spine", "hips") if (j := body.get(part)) is not None)
    skeleton, rotations = motion.skeleton, motion.rotations.copy()
    turned, _ = joint_in_model(motion, chest)
    front, up = (
        quat.rotate(quat.mul(turned, quat.inv(skeleton.reference_model[0][chest])), axis)
        for axis in (quat.rotate(quat.from_yaw(rest_facing(skeleton, body)), _FRONT), _UP)
    )
    for side, sign in zip(SIDES, (1.0, -1.0), strict=True):
        upper, lower = body.get(f"{side}UpperArm"), body.get(f"{side}LowerArm")
        if upper is None or lower is None or skeleton.parents[upper] < 0:
            continue
        bone = joint_in_model(motion, lower)[1] - joint_in_model(motion, upper)[1]
        hangs = np.clip(-np.einsum("fi,fi->f", bone, up) / np.linalg.norm(bone, axis=-1), 0.0, 1.0)
        above = joint_in_model(motion, skeleton.parents[upper])[0]
        axis = quat.rotate(quat.inv(above), front)
        turn = quat.from_axis_angle(axis, sign * clearance * smoothstep(hangs))
        rotations[:, upper] = quat.mul(turn, rotations[:, upper])
    return motion.with_rotations(rotations)
