"""Where the sole of each foot lies: one heel and one toe point."""

from __future__ import annotations

import numpy as np

from ..base.checks import Array
from ..body.body_map import BodyMap, leg_length
from ..body.motion import Motion
from ..body.posed import joint_in_model
from ..body.skeleton import Skeleton
from ..maths import quat

# A foot without joints or tips ahead of the ankle: in leg lengths, from the body segment lengths of Drillis
# and Contini 1966 as printed in Winter, Biomechanics and Motor Control of Human Movement, fig. 4.1 (foot
# 0.152 H, leg 0.491 H, ankle 0.039 H; from memory), a quarter of the foot behind the ankle (common practice).
# Trial: three open bodies have 0.16 to 0.28 ahead, and ankles at 0.06 to 0.13 (test_proportions.py).
_FOOT_AHEAD_LEGS, _FOOT_BEHIND_LEGS, _ANKLE_HEIGHT_LEGS = 0.23, 0.08, 0.08


def sole_offsets(skeleton: Skeleton, body: BodyMap) -> Array:
    """Heel and toe point of each mapped foot (K, 2, 3) in the foot joint's space, metres.

    The sole is level at rest, through the lowest joint or tip of the foot. The heel lies below the tip
    behind the ankle, or a little behind the ankle; the toe point below the toes joint (the ball of
    the foot), or else below the foot's foremost tip.
    """
    rotations, positions = skeleton.reference_model
    leg = leg_length(skeleton, body)
    out = np.zeros((len(body.feet), 2, 3))
    for k, part in enumerate(body.feet):
        foot = body.require(part)
        ankle, below = positions[foot], skeleton.subtree(foot)
        tips = skeleton.reference_tips[np.isin(skeleton.tip_joints, below)]
        points = np.concatenate([positions[below[1:]], tips])
        sole = points[:, 2].min(initial=ankle[2] - (0.0 if len(points) else _ANKLE_HEIGHT_LEGS * leg))
        ahead = _foot_direction(ankle, points)
        along = (points - ankle) @ ahead
        toes = body.get(part.replace("Foot", "Toes"))
        if toes is not None:
            reach = max(float((positions[toes] - ankle) @ ahead), 0.0)
        else:
            reach = along.max(initial=0.0)
        back = -along.min(initial=0.0)
        reach = reach if reach > 0.02 * leg else _FOOT_AHEAD_LEGS * leg
        back = back if back > 0.02 * leg else _FOOT_BEHIND_LEGS * leg
        for place, distance in enumerate((-back, reach)):
            point = ankle + distance * ahead
            out[k, place] = quat.rotate(
                quat.inv(rotations[foot]), np.array([point[0], point[1], sole]) - ankle
            )
    return out


def _foot_direction(ankle: Array, points: Array) -> Array:
    """The level unit direction (3,) from heel to toe at rest; without points, Blender's front (-Y)."""
    away = (points - ankle) * np.array([1.0, 1.0, 0.0])
    length = np.linalg.norm(away, axis=-1)
    if length.max(initial=0.0) < 1e-6:
        return np.array([0.0, -1.0, 0.0])
    return away[np.argmax(length)] / length.max()


def foot_points(motion: Motion, body: BodyMap) -> Array:
    """Heel and toe point of each mapped foot's sole (F, K, 2, 3) in model space, metres."""
    offsets = sole_offsets(motion.skeleton, body)
    out = np.empty((len(motion), *offsets.shape))
    for k, part in enumerate(body.feet):
        rotation, position = joint_in_model(motion, body.require(part))
        out[:, k] = position[:, None] + quat.rotate(rotation[:, None], offsets[k])
    return out
