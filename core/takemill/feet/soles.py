"""Where the sole of each foot lies: one heel and one toe point."""

from __future__ import annotations

import numpy as np

from ..base.checks import Array, Mask
from ..body.body_map import BodyMap, leg_length
from ..body.motion import Motion
from ..body.posed import Posed
from ..body.skeleton import Skeleton
from ..maths import quat
from .sole_mesh import lowest_heights, rest_points, rows_below

# A foot without joints or tips ahead of the ankle: in leg lengths. Of 6,068 people of ANSUR II (Gordon et
# al. 2014) 98 of 100 have feet of 0.29 to 0.36 and ankles at 0.07 to 0.10; a quarter of the foot lies
# behind the ankle (common practice). Three open rigs have 0.16 to 0.28 ahead, ankles at 0.06 to 0.13 (both
# in test_proportions.py).
FOOT_AHEAD_LEGS, _FOOT_BEHIND_LEGS, _ANKLE_HEIGHT_LEGS = 0.23, 0.08, 0.08


# A heel rolls: it is taken as one point, at which a foot that lands with its toes up by so much, as in a walk
# (20 to 25 degrees: Perry and Burnfield, Gait Analysis; from memory), touches the floor.
_HEEL_PITCH_RAD = np.radians(20.0)
# A foot that stands on its toes is upright at most, and leans so much further (no source): one that lies on
# its back is turned by 140 degrees and more.
_MAX_BEYOND_UPRIGHT_RAD = np.radians(20.0)


def sole_offsets(skeleton: Skeleton, body: BodyMap) -> Array:
    """Heel and toe point of each mapped foot (K, 2, 3) in the foot joint's space, metres.

    The sole is level in the reference pose: as low as the mesh shows, else as the foot's lowest tip, else,
    where only joints lie there, as ankles lie above soles by anthropometry. The heel lies where the sole
    touches a floor that the foot meets with its toes up, or a little behind the ankle; the toe point below
    the toes joint (the ball of the foot), or else below the foot's foremost point.
    """
    rotations, positions = skeleton.reference_model
    leg = leg_length(skeleton, body)
    out = np.zeros((len(body.feet), 2, 3))
    for k, part in enumerate(body.feet):
        foot = body.require(part)
        ankle, below = positions[foot], skeleton.subtree(foot)
        tips = skeleton.reference_tips[np.isin(skeleton.tip_joints, below)]
        seen = rest_points(skeleton, rows_below(skeleton, below))
        points = np.concatenate([positions[below[1:]], tips])
        ahead = _foot_direction(ankle, points if len(points) else seen)
        touching = seen if len(seen) else points
        sole = touching[:, 2].min(initial=ankle[2])
        if not len(seen) and not len(tips):
            sole = min(sole, ankle[2] - _ANKLE_HEIGHT_LEGS * leg)
        toes = body.get(part.replace("Foot", "Toes"))
        if toes is not None:
            reach = max(float((positions[toes] - ankle) @ ahead), 0.0)
        else:
            reach = ((touching - ankle) @ ahead).max(initial=0.0)
        back = _heel_behind(touching - ankle, ahead, sole - ankle[2])
        reach = reach if reach > 0.02 * leg else FOOT_AHEAD_LEGS * leg
        if back is None:
            back = _FOOT_BEHIND_LEGS * leg
        for place, distance in enumerate((-back, reach)):
            point = ankle + distance * ahead
            out[k, place] = quat.rotate(
                quat.inv(rotations[foot]), np.array([point[0], point[1], sole]) - ankle
            )
    return out


def _heel_behind(points: Array, ahead: Array, sole: float) -> float | None:
    """How far behind the ankle the heel lies, of points (P, 3) about the ankle; None where none lie there.

    At the height of the sole, and as high as the lowest of the points once the toes are up.
    """
    along, height = points @ ahead, points[:, 2]
    behind = along < 0
    if not behind.any():
        return None
    rise, run = np.sin(_HEEL_PITCH_RAD), np.cos(_HEEL_PITCH_RAD)
    lowest = float((height * run + along * rise)[behind].min())
    return max((sole * run - lowest) / rise, 0.0)


def _foot_direction(ankle: Array, points: Array) -> Array:
    """The level unit direction (3,) from heel to toe at rest; without points, Blender's front (-Y)."""
    away = (points - ankle) * np.array([1.0, 1.0, 0.0])
    length = np.linalg.norm(away, axis=-1)
    if length.max(initial=0.0) < 1e-6:
        return np.array([0.0, -1.0, 0.0])
    return away[np.argmax(length)] / length.max()


def foot_points(motion: Motion, body: BodyMap, posed: Posed | None = None) -> Array:
    """Heel and toe point of each mapped foot's sole (F, K, 2, 3) in model space, metres.

    Each lies as low as the mesh shows its end of the sole (`end_drops_m`). `posed` has joints that
    are known already.
    """
    posed = posed or Posed(motion)
    offsets = sole_offsets(motion.skeleton, body)
    out = np.empty((len(motion), *offsets.shape))
    for k, part in enumerate(body.feet):
        rotation, position = posed.at(body.require(part))
        out[:, k] = position[:, None] + quat.rotate(rotation[:, None], offsets[k])
        out[:, k, :, 2] += end_drops_m(posed, body, part, out[:, k])
    return out


def face_down(motion: Motion, body: BodyMap, posed: Posed | None = None) -> Mask:
    """Where (F, K) the sole of each mapped foot faces the floor; those of one who kneels may face up.

    It does up to a foot that stands upright on its toes, and a little beyond. `posed` as for `foot_points`.
    """
    posed, rests = posed or Posed(motion), motion.skeleton.reference_model[0]
    out = np.empty((len(motion), len(body.feet)), bool)
    for k, part in enumerate(body.feet):
        joint = body.require(part)
        turned, _ = posed.at(joint)
        up = quat.rotate(quat.mul(turned, quat.inv(rests[joint])), np.array([0.0, 0.0, 1.0]))
        out[:, k] = up[:, 2] > -np.sin(_MAX_BEYOND_UPRIGHT_RAD)
    return out


def end_drops_m(posed: Posed, body: BodyMap, foot: str, ends: Array) -> Array:
    """How much higher (F, 2) the mesh shows the ends of a foot's sole than its heel and ball (F, 2, 3) lie.

    The lowest vertex counts of those behind the middle between both, and of those before it, toes included:
    toes that lie flat hold the ball up when the heel rises. 0 without a mesh: how far toes reach below their
    joint is not known then.
    """
    skeleton, joint = posed.motion.skeleton, body.require(foot)
    rows = rows_below(skeleton, skeleton.subtree(joint))
    if not len(rows):
        return np.zeros((len(ends), 2))
    rotations, positions = skeleton.reference_model
    heel, ball = positions[joint] + quat.rotate(
        rotations[joint], sole_offsets(skeleton, body)[body.feet.index(foot)]
    )
    is_ahead = (rest_points(skeleton, rows) - (heel + ball) / 2) @ (ball - heel) > 0
    lowest = lowest_heights(posed, rows, np.stack([~is_ahead, is_ahead]))
    return np.where(np.isfinite(lowest), lowest - ends[..., 2], 0.0)
