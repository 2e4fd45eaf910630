"""Fingers of a fit: by their joints, however many either hand has in them; and hands that hold a pose.

Where both hands have as many joints in a finger each points as the performer's does. Else each bone of the
target's finger takes the middle of the performer's bones that it stands for, by its share of the finger; a
performer's finger of one joint curls the target's evenly, to the same direction in the middle.
"""

from __future__ import annotations

import numpy as np

from ..base.checks import Array
from ..body.body_map import BodyMap
from ..body.body_parts import FINGERS, SIDES
from ..body.motion import Motion
from ..body.posed import Posed
from ..body.skeleton import Skeleton
from ..maths import quat
from .rest_match import RestMatch


def fit_fingers(
    source: Posed, body: BodyMap, target: Skeleton, target_body: BodyMap, rests: RestMatch
) -> dict[int, Array]:
    """Target joint -> its rotation (F, 4) in model space, of fingers with another number of joints."""
    out: dict[int, Array] = {}
    for side in SIDES:
        for finger, names in FINGERS.items():
            ours, theirs = (
                [part for name in names if (part := f"{side}{finger}{name}") in one.joints]
                for one in (body, target_body)
            )
            if ours and theirs and len(ours) != len(theirs):
                turns = [_turned(source, body, part, rests) for part in ours]
                if len(ours) == 1 and f"{side}Hand" in body.joints:
                    turns = _curled(_turned(source, body, f"{side}Hand", rests), turns[0], len(theirs))
                for part, turn in zip(theirs, _shared(turns, len(theirs)), strict=True):
                    joint = target_body.require(part)
                    back = quat.mul(quat.inv(rests.frames[part][1]), target.reference_model[0][joint])
                    out[joint] = quat.mul(turn, back)
    return out


def _turned(source: Posed, body: BodyMap, part: str, rests: RestMatch) -> Array:
    """The rotation (F, 4) of a part's frame in model space."""
    joint = body.require(part)
    to_part = quat.mul(quat.inv(source.motion.skeleton.reference_model[0][joint]), rests.frames[part][0])
    return quat.mul(source.at(joint)[0], to_part)


def _curled(hand: Array, finger: Array, count: int) -> list[Array]:
    """So many turns (F, 4) from a hand's on, in equal steps, whose middle is the finger's."""
    return [quat.slerp(hand, finger, 2 * k / (count + 1)) for k in range(1, count + 1)]


def _shared(turns: list[Array], count: int) -> list[Array]:
    """Turns (F, 4) of one bone after the other as those of `count` bones along the same finger."""
    out = []
    ends = np.arange(len(turns) + 1) / len(turns)
    for k in range(count):
        low, high = k / count, (k + 1) / count
        shares = np.minimum(ends[1:], high) - np.maximum(ends[:-1], low)
        mean, weight = None, 0.0
        for turn, share in zip(turns, shares, strict=True):
            if share > 1e-9:
                weight += share
                mean = turn if mean is None else quat.slerp(mean, turn, share / weight)
        assert mean is not None
        out.append(mean)
    return out


def hands_without_fingers(body: BodyMap) -> tuple[str, ...]:
    """The hands of a body that has no fingers on them."""
    fingers = tuple(FINGERS)
    return tuple(
        f"{side}Hand"
        for side in SIDES
        if not any(part.startswith(tuple(side + finger for finger in fingers)) for part in body.joints)
    )


def hold_hand_pose(motion: Motion, body: BodyMap, source_body: BodyMap, pose: Array) -> Motion:
    """The motion with a pose's local rotations (J, 4) below hands whose fingers the source does not have.

    What a hand carries as a prop stays as it is.
    """
    held: dict[int, Array] = {}
    props = {joint for part, joint in body.joints.items() if part.startswith("prop.")}
    for hand in hands_without_fingers(source_body):
        if hand in body.joints:
            for joint in motion.skeleton.subtree(body.require(hand))[1:].tolist():
                if not props & set(motion.skeleton.path_to(joint)):
                    held[joint] = np.tile(pose[joint], (len(motion), 1))
    return motion.with_joints(held)
