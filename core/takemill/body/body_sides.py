"""Left and right of a body, found by how its feet point and its knees bend while it stands."""

from __future__ import annotations

import numpy as np

from ..base.checks import Array
from ..maths import quat
from .body_names import read_name
from .body_parts import SIDES, BodyMap
from .skeleton import Skeleton
from .upright import Poses

_UP = np.array([0.0, 0.0, 1.0])  # poses are Z-up here


def has_named_sides(skeleton: Skeleton, body: BodyMap) -> bool:
    """Whether the names of the legs say which is the left one."""
    said = [
        {
            read_name(skeleton.names[body.require(side + part)]).side
            for part in ("UpperLeg", "LowerLeg", "Foot")
        }
        for side in SIDES
    ]
    return "left" in said[0] and "right" in said[1]


def forwardness(skeleton: Skeleton, poses: Poses, body: BodyMap) -> float:
    """How surely feet point and knees bend the way that the body's sides say is ahead: -1 to 1; 0 unknown.

    Poses are Z-up; below 0 the legs stand exchanged.
    """
    at = poses.positions
    left, right = (at[:, body.require(f"{side}UpperLeg")] for side in SIDES)
    ahead = _unit(np.cross(left - right, _UP))
    votes = []
    for side in SIDES:
        hip, knee, ankle = (at[:, body.require(side + part)] for part in ("UpperLeg", "LowerLeg", "Foot"))
        straight = (hip + ankle) / 2
        leg = quat.length(knee - hip) + quat.length(ankle - knee)
        votes.append(((knee - straight) * ahead).sum(axis=-1) / np.maximum(leg, 1e-12))
        end = _far_end(skeleton, poses, body.require(f"{side}Foot"))
        if end is not None:
            votes.append(((end - ankle) * ahead).sum(axis=-1) / np.maximum(leg, 1e-12))
    return float(np.clip(10 * np.median(np.sum(votes, axis=0)), -1.0, 1.0))


def sides_exchanged(body: BodyMap) -> BodyMap:
    """The map with left and right parts exchanged."""
    names = {"left": "right", "right": "left"}
    out = {}
    for part, joint in body.joints.items():
        side = next((one for one in SIDES if part.startswith(one)), "")
        out[names[side] + part[len(side) :] if side else part] = joint
    return BodyMap(out)


def _unit(vectors: Array) -> Array:
    return vectors / np.maximum(quat.length(vectors), 1e-12)[..., None]


def _far_end(skeleton: Skeleton, poses: Poses, foot: int) -> Array | None:
    """The point (N, 3) of a foot that lies farthest from its ankle; None where nothing hangs on it."""
    below = skeleton.subtree(foot).tolist()
    ends = [poses.positions[:, joint] for joint in below[1:]]
    ends += [
        poses.positions[:, joint] + quat.rotate(poses.rotations[:, joint], tip)
        for joint, tip in zip(skeleton.tip_joints, skeleton.tip_offsets, strict=True)
        if joint in below
    ]
    sizes = [float(np.median(quat.length(end - poses.positions[:, foot]))) for end in ends]
    return ends[int(np.argmax(sizes))] if sizes and max(sizes) > 0 else None
