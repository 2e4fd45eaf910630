"""What a fitted take of hands kept, measured without the code that keeps it."""

from __future__ import annotations

import numpy as np

from hand_takes import HandTake, Relation
from takemill.base.checks import Array
from takemill.body.body_map import BodyMap
from takemill.body.body_parts import FINGERS
from takemill.body.motion import Motion
from takemill.body.skeleton import Skeleton
from takemill.maths import quat, series
from takemill.maths.capsule_distance import capsule_distances
from takemill.shape.capsules import TRUNK, Capsules

SIDES = ("left", "right")


def arm_m(skeleton: Skeleton, body: BodyMap) -> float:
    """From shoulder over elbow to wrist."""
    at = [skeleton.rest_model[1][body.require(f"left{part}")] for part in ("UpperArm", "LowerArm", "Hand")]
    return float(np.linalg.norm(at[1] - at[0]) + np.linalg.norm(at[2] - at[1]))


def _around(part: str) -> tuple[str, ...]:
    if part.endswith("Hand"):
        side = part.removesuffix("Hand")
        return (part, *(f"{side}{finger}{joint}" for finger, joints in FINGERS.items() for joint in joints))
    return TRUNK if part in TRUNK else ("neck", "head") if part == "head" else (part,)


def gap_m(motion: Motion, shape: Capsules, hand: str, part: str) -> Array:
    """From a hand's surface to a part's (F,), metres."""
    model = motion.model()
    sets = [shape.of(*_around(one)) for one in (hand, part)]
    (a, b), (c, d) = (shape.placed(*model, one) for one in sets)
    mine, others = (shape.radius[one] for one in sets)
    gaps = capsule_distances(a[:, :, None], b[:, :, None], mine[:, None], c[:, None], d[:, None], others)[0]
    return np.asarray(gaps.min(axis=(1, 2)))


def lowest_m(motion: Motion, shape: Capsules, part: str) -> Array:
    """The height of a part's lowest point (F,), metres."""
    chosen = shape.of(*_around(part))
    ends = shape.placed(*motion.model(), chosen)
    return np.asarray((np.minimum(ends[0][..., 2], ends[1][..., 2]) - shape.radius[chosen]).min(axis=1))


def wrists_m(motion: Motion, body: BodyMap) -> Array:
    """How far apart the wrists are (F,), metres."""
    at = motion.model()[1]
    return np.asarray(quat.length(at[:, body.require("leftHand")] - at[:, body.require("rightHand")]))


def palm(motion: Motion, body: BodyMap, hand: str) -> Array:
    """The middle of a hand (F, 3): half way from its joint to its tip."""
    joint = body.require(hand)
    turned, at = motion.model()
    tips = [k for k, one in enumerate(motion.skeleton.tip_joints) if one == joint]
    tip = motion.skeleton.tip_offsets[tips].mean(axis=0)
    return np.asarray(at[:, joint] + quat.rotate(turned[:, joint], tip / 2))


def off_m(
    take: HandTake, relation: Relation, fitted: Motion, body: BodyMap, shapes: tuple[Capsules, Capsules]
) -> float:
    """How far a relation is from its proportional target at most, metres.

    Between wrists: the performer's distance, in arm lengths. On the body: the performer's gap, in arm
    lengths. On the floor: nothing.
    """
    held = slice(relation.start, relation.stop)
    size = arm_m(fitted.skeleton, body) / arm_m(take.motion.skeleton, take.body)
    if relation.kind in ("hands", "prop"):
        return float(np.abs(wrists_m(fitted, body)[held] - size * relation.apart_m).max())
    if relation.kind == "floor":
        return float(np.abs(lowest_m(fitted, shapes[1], relation.part)[held]).max())
    theirs = gap_m(take.motion, shapes[0], relation.part, relation.on)
    return float(np.abs(gap_m(fitted, shapes[1], relation.part, relation.on) - size * theirs)[held].max())


def slide_m_s(fitted: Motion, body: BodyMap, relation: Relation) -> float:
    """How fast the middle of a hand slides over the floor at most, metres a second."""
    speed = quat.length(series.derivative(palm(fitted, body, relation.part)[:, :2], fitted.rate))
    return float(speed[relation.start + 1 : relation.stop - 1].max())


def peak_turn(motion: Motion, body: BodyMap) -> float:
    """The largest angular acceleration of any mapped joint in model space, radians a second squared."""
    turned = motion.model()[0][:, sorted(body.joints.values())]
    spin = series.angular_velocity(turned, motion.rate)
    return float(quat.length(series.derivative(spin, motion.rate)).max())


def least_bend_deg(motion: Motion, body: BodyMap, limb: str) -> float:
    """The smallest bend of elbows ("Arm") or knees ("Leg") about their hinges, degrees; below 0 it is wrong.

    The body rests in a T pose or with arms lowered sideways, and stands on straight legs: elbows bend
    forwards about an axis square to the arm and to the front, knees about the body's side axis.
    """
    turned, at = motion.model()
    low = np.inf
    for side in SIDES:
        upper, lower, end = (
            body.require(side + part)
            for part in (f"Upper{limb}", f"Lower{limb}", "Hand" if limb == "Arm" else "Foot")
        )
        rest_q, rest = motion.skeleton.rest_model
        bone = rest[lower] - rest[upper]
        axis = np.cross(bone, [0.0, -1.0, 0.0]) if limb == "Arm" else np.array([1.0, 0.0, 0.0])
        hinge = quat.rotate(quat.mul(turned[:, upper], quat.inv(rest_q[upper])), axis / np.linalg.norm(axis))
        first, second = at[:, lower] - at[:, upper], at[:, end] - at[:, lower]
        sine = np.einsum("fi,fi->f", np.cross(first, second), hinge)
        low = min(low, float(np.degrees(np.arctan2(sine, np.einsum("fi,fi->f", first, second))).min()))
    return low
