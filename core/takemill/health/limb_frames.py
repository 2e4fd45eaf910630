"""How the bones of each limb lie against each other, in axes that mean the same on all bodies and both sides.

Each part's frame is that of a body in a T pose with palms down: left +X, up +Z, front -Y (rest_frames says
how a rig's rest pose is led back to it). Turns of the right side are given as the left side's mirror image.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from ..base.checks import Array
from ..body.body_map import BodyMap
from ..body.body_parts import SIDES
from ..body.motion import Motion
from ..body.posed import chain_in_model
from ..body.rest_frames import matched_frames
from ..maths import quat

ARM, LEG = ("UpperArm", "LowerArm", "Hand"), ("UpperLeg", "LowerLeg", "Foot")
TRUNK = ("upperChest", "chest", "spine", "hips")
# The axes of a body in the pose above: Blender's, with the front at -Y.
LEFT, UP, FRONT = np.array([1.0, 0.0, 0.0]), np.array([0.0, 0.0, 1.0]), np.array([0.0, -1.0, 0.0])
_PELVIS_PARTS = frozenset(("hips", "leftUpperLeg", "rightUpperLeg"))
_MIRROR = np.array([1.0, 1.0, -1.0, -1.0])  # times a quaternion: the rotation mirrored across X

Frames = Mapping[str, Array]
"""Part -> its frame (F, 4) in model space; "trunk" is the part that carries the arms."""


def limb_frames(motion: Motion, body: BodyMap) -> dict[str, Array]:
    """The frames (F, 4) of hips, trunk and of those arms and legs that are mapped whole.

    Nothing for a body without hips and two legs: its front is not known.
    """
    if not body.joints.keys() >= _PELVIS_PARTS:
        return {}
    skeleton = motion.skeleton
    rest = skeleton.reference_model[0]
    upright = matched_frames(skeleton, body, skeleton, body)
    trunk = next(part for part in TRUNK if part in body.joints)
    out: dict[str, Array] = {}

    def keep(name: str, part: str, turned: Array) -> None:
        joint = body.require(part)
        out[name] = quat.mul(turned, quat.mul(quat.inv(rest[joint]), upright[part][0]))

    for name, part in (("hips", "hips"), ("trunk", trunk)):
        keep(name, part, chain_in_model(motion, body.require(part))[1][:, -1])
    for limb in (ARM, LEG):
        for side in SIDES:
            if any(side + part not in body.joints for part in limb):
                continue
            chain, turned, _ = chain_in_model(motion, body.require(side + limb[-1]))
            if all(body.require(side + part) in chain for part in limb):
                for part in limb:
                    keep(side + part, side + part, turned[:, chain.index(body.require(side + part))])
    return out


def turn_in(frames: Frames, above: str, part: str) -> Array:
    """How `part` is turned against the part `above` (F, 4); mirrored for a right one."""
    turned = quat.mul(quat.inv(frames[above]), frames[part])
    return turned * _MIRROR if part.startswith("right") else turned


def arcsin_deg(component: Array) -> Array:
    """Degrees (F,) out of a plane, of a unit vector's component across it."""
    return np.degrees(np.arcsin(np.clip(component, -1.0, 1.0)))


def spin_deg(turn: Array, axis: Array) -> Array:
    """Degrees (F,) that `turn` (F, 4) spins a bone about itself, which lies along `axis` (3,) untouched."""
    swing = quat.between(np.broadcast_to(axis, (*turn.shape[:-1], 3)), quat.rotate(turn, axis))
    return np.degrees(quat.angle(quat.mul(quat.inv(swing), turn)))
