"""Twist bones: joints along a limb that share the turn about it, so that its skin is not wrung at one end.

A target may have joints that no part is mapped to in line with an upper arm, forearm, thigh or shin: between
its ends, or as children by its side. Each takes its share by place. An upper bone turns about itself against
what carries it: at its near end by nothing, at its far end wholly. A lower bone's far end turns with hand or
foot: at its near end by nothing, at its far end as they do (common practice of rigs, no source). Other parts
keep their rotation in model space, and everything its place.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ..base.checks import Array
from ..body.body_map import BodyMap
from ..body.body_parts import SIDES
from ..body.motion import Motion
from ..body.posed import Posed
from ..body.rest_frames import matched_frames
from ..body.skeleton import Skeleton
from ..maths import quat

# Of a limb bone's length, that a joint may lie beside its line: by the side (helpers of muscles lie further
# out), and in the chain itself, where a turn would move what hangs on it.
_MAX_BESIDE_SHARE, _MAX_OFF_LINE_SHARE = 0.12, 0.002
_END_SHARE = 0.05  # so much before and after its ends still counts as along it
_UPPER = ("UpperArm", "LowerArm"), ("UpperLeg", "LowerLeg")
_LOWER = ("LowerArm", "Hand"), ("LowerLeg", "Foot")
_DOWN = np.array([0.0, 0.0, -1.0])


@dataclass(frozen=True)
class Twisted:
    """A limb bone with joints that share its turn.

    Attributes:
        part: of the bone.
        joint, end: where it begins and ends.
        shares: joint along it -> how far along it lies, 0 to 1.
        chain: whether one of them carries the end: then the bone itself has the share of its beginning.
    """

    part: str
    joint: int
    end: int
    shares: dict[int, float]
    chain: bool


def find_twist_joints(skeleton: Skeleton, body: BodyMap) -> tuple[Twisted, ...]:
    """The limb bones of a skeleton that have twist joints."""
    mapped, out = set(body.joints.values()), []
    for side in SIDES:
        for start, stop in (*_UPPER, *_LOWER):
            joint, end = body.get(side + start), body.get(side + stop)
            if joint is None or end is None or joint not in skeleton.path_to(end):
                continue
            between = set(skeleton.path_to(end)) - set(skeleton.path_to(joint)) - {end}
            shares = {}
            for other in skeleton.subtree(joint)[1:].tolist():
                path = skeleton.path_to(other)
                if mapped & set(path[path.index(joint) + 1 :]):
                    continue
                place, beside = _place(skeleton, joint, end, other)
                limit = _MAX_OFF_LINE_SHARE if other in between else _MAX_BESIDE_SHARE
                if beside <= limit and -_END_SHARE <= place <= 1 + _END_SHARE:
                    shares[other] = float(np.clip(place, 0.0, 1.0))
            if between - set(shares):  # a chain that leaves the line carries no twist
                shares = {one: share for one, share in shares.items() if one not in between}
            if shares:
                out.append(Twisted(side + start, joint, end, shares, bool(between & set(shares))))
    return tuple(out)


def _place(skeleton: Skeleton, joint: int, end: int, other: int) -> tuple[float, float]:
    """How far along the line from a joint to its end another lies at rest, and how far beside: in shares."""
    at = skeleton.reference_model[1]
    bone, away = at[end] - at[joint], at[other] - at[joint]
    length = max(float(np.linalg.norm(bone)), 1e-9)
    place = float(away @ bone) / length**2
    return place, float(np.linalg.norm(away - place * bone)) / length


def share_twist(motion: Motion, body: BodyMap) -> Motion:
    """The motion with the turn about each limb shared out among its twist joints."""
    found = find_twist_joints(motion.skeleton, body)
    if not found:
        return motion
    skeleton, posed = motion.skeleton, Posed(motion)
    (turned, at), model = skeleton.reference_model, {}
    for limb in found:
        upper = limb.part.endswith(("UpperArm", "UpperLeg"))
        twist = _against_carrier(posed, body, limb.part) if upper else _of_end(posed, limb)
        bone = at[limb.end] - at[limb.joint]
        whole = quat.mul(posed.at(limb.joint)[0], quat.inv(turned[limb.joint]))
        axis = quat.rotate(whole, bone / np.linalg.norm(bone))
        shares = {limb.joint: 0.0} | limb.shares if limb.chain and upper else limb.shares
        for joint, share in shares.items():
            turn = quat.from_axis_angle(axis, twist * (share - 1.0 if upper else share))
            model[joint] = quat.mul(turn, quat.mul(whole, turned[joint]))
    return motion.with_joints(_local(posed, body, model))


def _local(posed: Posed, body: BodyMap, model: dict[int, Array]) -> dict[int, Array]:
    """Local rotations (F, 4) that give some joints model rotations (F, 4), and leave parts on them theirs.

    What else hangs on them goes along.
    """
    skeleton, out = posed.motion.skeleton, {}
    carries = {above for end in body.joints.values() for above in skeleton.path_to(end)}
    for joint, parent in enumerate(skeleton.parents):
        if joint in model or (parent in model and joint in carries):
            above = model[parent] if parent in model else posed.at(parent)[0]
            out[joint] = quat.mul(quat.inv(above), model[joint] if joint in model else posed.at(joint)[0])
    return out


def _against_carrier(posed: Posed, body: BodyMap, part: str) -> Array:
    """How far (F,) an upper arm or a thigh is turned about itself, radians, against what carries it.

    An arm held sideways and a leg that hangs are not, nor what swings from there the shortest way.
    """
    skeleton = posed.motion.skeleton
    frames = matched_frames(skeleton, body, skeleton, body)
    side = next(side for side in SIDES if part.startswith(side))
    carriers = (
        ("hips",) if part.endswith("Leg") else (f"{side}Shoulder", "upperChest", "chest", "spine", "hips")
    )
    carrier = next(name for name in carriers if name in body.joints)
    axis = _DOWN if part.endswith("Leg") else np.array([1.0 if side == "left" else -1.0, 0.0, 0.0])
    held = []
    for name in (carrier, part):
        joint = body.require(name)
        to_part = quat.mul(quat.inv(skeleton.reference_model[0][joint]), frames[name][0])
        held.append(quat.mul(posed.at(joint)[0], to_part))
    return _about(quat.mul(quat.inv(held[0]), held[1]), axis)


def _of_end(posed: Posed, limb: Twisted) -> Array:
    """How far (F,) a hand or foot is turned about the bone that carries it, radians, away from rest."""
    turned, at = posed.motion.skeleton.reference_model
    away = [quat.mul(posed.at(joint)[0], quat.inv(turned[joint])) for joint in (limb.joint, limb.end)]
    bone = at[limb.end] - at[limb.joint]
    return _about(quat.mul(quat.inv(away[0]), away[1]), bone / np.linalg.norm(bone))


def _about(turns: Array, axis: Array) -> Array:
    """The part (F,) of turns (F, 4) that is about an axis (3,), radians: -pi to pi."""
    half = quat.arctan2(turns[:, 1:] @ axis, turns[:, 0])
    return np.asarray(2 * (half - np.pi * np.round(half / np.pi)))
