"""Where the sole of each foot lies: one heel and one toe point."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from ..base.checks import Array, Index, Mask
from ..body.body_map import BodyMap, leg_length
from ..body.motion import Motion
from ..body.posed import Posed, joint_in_model
from ..body.skeleton import Skeleton
from ..maths import quat

# A foot without joints or tips ahead of the ankle: in leg lengths. Of 6,068 people of ANSUR II (Gordon et
# al. 2014) 98 of 100 have feet of 0.29 to 0.36 and ankles at 0.07 to 0.10; a quarter of the foot lies
# behind the ankle (common practice). Three open rigs have 0.16 to 0.28 ahead, ankles at 0.06 to 0.13 (both
# in test_proportions.py).
FOOT_AHEAD_LEGS, _FOOT_BEHIND_LEGS, _ANKLE_HEIGHT_LEGS = 0.23, 0.08, 0.08


# A heel rolls: it is taken as one point, at which a foot that lands with its toes up by so much, as in a walk
# (20 to 25 degrees: Perry and Burnfield, Gait Analysis; from memory), touches the floor.
_HEEL_PITCH_RAD = np.radians(20.0)
# Of a mesh's height: what lies lower stands on the floor; joints that lie higher do not (a shin may have
# vertices of the heel). Common practice, no source.
_MAX_FLOOR_HEIGHT, _MAX_JOINT_HEIGHT = 0.02, 0.15
# Of a vertex's strongest weight, that makes it another joint's, too: heels often hang on foot and shin alike.
MIN_SOLE_SHARE = 0.6
# A foot that stands on its toes is upright at most, and leans so much further (no source): one that lies on
# its back is turned by 140 degrees and more.
_MAX_BEYOND_UPRIGHT_RAD = np.radians(20.0)
# A sole is kept as the points that touch a floor which leans by so much, any way: enough for feet that roll.
_LEANS_RAD, _AZIMUTHS = np.radians([10.0, 20.0, 35.0, 50.0]), 8


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
        seen = _mesh_points(skeleton, below)
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


def _mesh_points(skeleton: Skeleton, below: Index) -> Array:
    """The points (P, 3) of the mesh that some joints put on the floor, in the reference pose."""
    mine = np.flatnonzero(np.isin(skeleton.sole_joints, below))
    joints = np.asarray(skeleton.sole_joints, np.intp)[mine]
    rotations, positions = skeleton.reference_model
    return positions[joints] + quat.rotate(rotations[joints], skeleton.sole_points[mine])


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


def touching_points(
    vertices: Mapping[int, Array], positions: Array, up: Array, height: float = 0.0
) -> tuple[tuple[int, ...], Array]:
    """The points of a mesh that can touch the floor, few for each joint.

    Args:
        vertices: joint -> (N, 3) those that hang on it most, at rest.
        positions: (J, 3) of the joints in the same space.
        up: (3,) which way is up there.
        height: of the whole mesh, where `vertices` are its lower part.

    Returns:
        The joints (P,) that they hang on, and the points (P, 3).
    """
    if not vertices:
        return (), np.zeros((0, 3))
    heights = {joint: points @ up for joint, points in vertices.items()}
    everything = np.concatenate(list(heights.values()))
    low, height = float(everything.min()), height or float(np.ptp(everything))
    ways = _floor_normals(up)
    found: list[tuple[int, Array]] = []
    for joint in sorted(vertices):
        near = heights[joint].min() <= low + _MAX_FLOOR_HEIGHT * height
        if near and positions[joint] @ up <= low + _MAX_JOINT_HEIGHT * height:
            touching = np.unique((vertices[joint] @ ways.T).argmin(axis=0))
            found += [(joint, vertices[joint][k]) for k in touching]
    return tuple(joint for joint, _ in found), np.array([point for _, point in found]).reshape(-1, 3)


def _floor_normals(up: Array) -> Array:
    """The normals (W, 3) of a level floor and of such as lean any way."""
    side = np.cross(up, np.eye(3)[int(np.abs(up).argmin())])
    side /= np.linalg.norm(side)
    turns = 2 * np.pi * np.arange(_AZIMUTHS) / _AZIMUTHS
    around = np.cos(turns)[:, None] * side + np.sin(turns)[:, None] * np.cross(up, side)
    leaning = [np.cos(lean) * up + np.sin(lean) * around for lean in _LEANS_RAD]
    return np.concatenate([up[None], *leaning])


def _foot_direction(ankle: Array, points: Array) -> Array:
    """The level unit direction (3,) from heel to toe at rest; without points, Blender's front (-Y)."""
    away = (points - ankle) * np.array([1.0, 1.0, 0.0])
    length = np.linalg.norm(away, axis=-1)
    if length.max(initial=0.0) < 1e-6:
        return np.array([0.0, -1.0, 0.0])
    return away[np.argmax(length)] / length.max()


def foot_points(motion: Motion, body: BodyMap, posed: Posed | None = None) -> Array:
    """Heel and toe point of each mapped foot's sole (F, K, 2, 3) in model space, metres.

    The toe point lies as low as foot or toes have it (`ball_drop_m`). `posed` has joints that are
    known already.
    """
    posed = posed or Posed(motion)
    offsets = sole_offsets(motion.skeleton, body)
    out = np.empty((len(motion), *offsets.shape))
    for k, part in enumerate(body.feet):
        rotation, position = posed.at(body.require(part))
        out[:, k] = position[:, None] + quat.rotate(rotation[:, None], offsets[k])
        out[:, k, 1, 2] += ball_drop_m(posed, body, part, out[:, k, 1])
    return out


def face_down(motion: Motion, body: BodyMap) -> Mask:
    """Where (F, K) the sole of each mapped foot faces the floor; those of one who kneels may face up.

    It does up to a foot that stands upright on its toes, and a little beyond.
    """
    rests = motion.skeleton.reference_model[0]
    out = np.empty((len(motion), len(body.feet)), bool)
    for k, part in enumerate(body.feet):
        joint = body.require(part)
        turned, _ = joint_in_model(motion, joint)
        up = quat.rotate(quat.mul(turned, quat.inv(rests[joint])), np.array([0.0, 0.0, 1.0]))
        out[:, k] = up[:, 2] > -np.sin(_MAX_BEYOND_UPRIGHT_RAD)
    return out


def ball_drop_m(posed: Posed, body: BodyMap, foot: str, ball: Array) -> Array:
    """How much lower (F,) than a foot's own ball (F, 3) its toes have it: 0 or less.

    When the heel rises, toes that lie flat keep their joint, and what the mesh shows below it, as high as
    they stand. 0 for a skeleton without a mesh: how far its toes reach below their joint is not known.
    """
    toes = body.get(foot.replace("Foot", "Toes"))
    if toes is None or not len(posed.motion.skeleton.sole_points):
        return np.zeros(len(ball))
    rotations, positions = posed.motion.skeleton.reference_model
    joint = body.require(foot)
    turned, at = posed.at(joint)
    ahead = _foot_direction(positions[joint], positions[toes][None])
    heel_up = quat.rotate(quat.mul(turned, quat.inv(rotations[joint])), ahead)[:, 2] < 0
    still = quat.rotate(quat.mul(rotations[joint], quat.inv(turned[0])), ball[0] - at[0])
    under = positions[joint] + still - positions[toes]
    turned, at = posed.at(toes)
    by_toes = at + quat.rotate(quat.mul(turned, quat.inv(rotations[toes])), under)
    drop: Array = np.where(heel_up, np.minimum(by_toes[:, 2] - ball[:, 2], 0.0), 0.0)
    return drop
