"""Legs that reach: ankles put where they are wanted, knees kept on their hinge."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from ..base.checks import Array, Mask
from ..body.body_map import BodyMap, rest_facing
from ..body.motion import Motion
from ..body.posed import Posed
from ..maths import quat

# Share of the leg's length that a goal may ask for: beyond it a knee straightens too fast (chosen by eye).
MAX_REACH_SHARE = 0.9995
# Of the body's side axis in the knee's axis: it decides below a bend of about 6 degrees, asin(0.1). Trial:
# a third less or half as much again changes nothing in five damaged takes (sensitivity.py).
_SIDE_AXIS_WEIGHT = 0.1
# Sine squared: a straighter limb counts as bent by so much, since it bends as it corrects (chosen by eye).
# Trial: a third less or half as much again changes the repair's error by 0.6 % at most (sensitivity.py).
_MIN_BEND_SINE2 = 0.05


def place_ankles(motion: Motion, body: BodyMap, goals: Mapping[str, Array]) -> Motion:
    """The motion with its legs bent so that ankles stand at their goals; feet keep their model rotation.

    Args:
        motion: any.
        body: with hips and the legs of the goals mapped.
        goals: "leftFoot" and/or "rightFoot" -> (F, 3) in model space, metres. A goal out of reach is
            approached with a straight leg.

    Raises:
        BodyMapError: a joint of such a leg is not mapped.
    """
    return motion.with_joints(reach_ankles(Posed(motion), body, goals))


def reach_ankles(
    posed: Posed, body: BodyMap, goals: Mapping[str, Array], backwards: Mapping[str, Mask] | None = None
) -> dict[int, Array]:
    """Joint -> its local rotation (F, 4), of the legs that `place_ankles` bends.

    With `backwards`, foot -> (F,), all knees bend the right way but for those.
    """
    skeleton, rotations = posed.motion.skeleton, {}
    for foot, goal in goals.items():
        leg = [body.require(foot.replace("Foot", part)) for part in ("UpperLeg", "LowerLeg", "Foot")]
        hip, knee, ankle = (posed.at(joint)[1] for joint in leg)
        axis = hinge_axis(posed, body, leg[0])
        swing, bend = reach(
            hip, knee, ankle, goal, axis, backwards=None if backwards is None else backwards[foot]
        )
        for joint, turn in zip(leg, (swing, bend, quat.inv(quat.mul(swing, bend))), strict=True):
            # A turn in model space, applied to a joint, is this turn seen from the joint's parent.
            if (parent := skeleton.parents[joint]) >= 0:
                above = posed.at(parent)[0]
                turn = quat.mul(quat.mul(quat.inv(above), turn), above)
            rotations[joint] = quat.mul(turn, posed.motion.rotations[:, joint])
    return rotations


def hinge_axis(posed: Posed, body: BodyMap, upper: int) -> Array:
    """The body's side axis (F, 3) as the joint of a thigh turns it: a knee bends about it."""
    skeleton = posed.motion.skeleton
    side = quat.rotate(quat.from_yaw(rest_facing(skeleton, body)), np.array([1.0, 0.0, 0.0]))
    return quat.rotate(quat.mul(posed.at(upper)[0], quat.inv(skeleton.reference_model[0][upper])), side)


def reach(
    hip: Array,
    knee: Array,
    ankle: Array,
    goal: Array,
    axis: Array,
    share: float = MAX_REACH_SHARE,
    backwards: Mask | None = None,
) -> tuple[Array, Array]:
    """Two turns (F, 4), (F, 4) that bring the ankle to its goal, all points (F, 3) in model space.

    The second acts at the knee, the first at the hip on all below it. The knee turns in the plane it is
    bent in, or about `axis` (F, 3), its unit hinge, when it is straight; a positive turn bends it. The hip
    swings the shortest way, so the leg's twist stays. The leg is stretched to this `share` of its length at
    most, but for one that was longer. With `backwards` (F,) the knee bends about `axis`, but in those
    frames against it, whichever way it was bent before.
    """
    thigh, shin, line = knee - hip, ankle - knee, goal - hip
    hinge = np.cross(thigh, shin) / (_length(thigh) * _length(shin))
    if backwards is not None:
        hinge = np.where(_dot(hinge, axis)[:, None] < 0, -hinge, hinge)
    hinge += _SIDE_AXIS_WEIGHT * axis
    hinge /= _length(hinge)
    # |thigh + turned shin|^2 = goal distance^2 is  constant + c cos + s sin = wanted  in the knee's turn.
    constant = _dot(thigh, hinge) * _dot(shin, hinge)
    c, s = _dot(thigh, shin) - constant, _dot(thigh, np.cross(hinge, shin))
    longest = np.maximum(share * (_length(thigh) + _length(shin)), _length(ankle - hip))[:, 0]
    distance = np.minimum(_length(line)[:, 0], longest)
    wanted = (distance**2 - _dot(thigh, thigh) - _dot(shin, shin)) / 2 - constant
    turn = np.arccos(np.clip(wanted / np.hypot(c, s), -1, 1))
    turn = np.arctan2(s, c) + (turn if backwards is None else np.where(backwards, -turn, turn))
    bend = quat.from_axis_angle(hinge, turn)
    return quat.between(thigh + quat.rotate(bend, shin), line), bend


def _length(v: Array) -> Array:
    return quat.length(v)[..., None]


def _dot(a: Array, b: Array) -> Array:
    return np.einsum("...i,...i->...", a, b)


def bend_cost(start: Array, bend: Array, end: Array) -> Array:
    """What a limb with joints at (F, 3) each turns by for a small step of its end: (F, 3, 3).

    The sum of the squared turns of its joints, with that of a foot or hand that keeps its direction; in units
    of that for a step across the limb. A step along a nearly straight one costs a hundred times as much.
    """
    first, second, line = bend - start, end - bend, end - start
    lengths = np.sum(first**2, axis=-1) * np.sum(second**2, axis=-1)
    sine = np.sum(np.cross(first, second) ** 2, axis=-1) / lengths
    squared = np.maximum(np.sum(line**2, axis=-1), 1e-12)
    # The bend turns by distance / (first * second * sine) for each metre, both ends by half of that.
    along = 0.75 * squared**2 / (lengths * (sine + _MIN_BEND_SINE2)) - 1.0
    return np.eye(3) + (along / squared)[:, None, None] * line[:, :, None] * line[:, None, :]
