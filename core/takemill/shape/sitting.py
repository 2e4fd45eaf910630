"""What a mesh shows of the part of a body that is sat on: few vertices, as they are skinned."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ..base.checks import Array, Index
from ..body.body_map import BodyMap, leg_length
from ..body.body_parts import SIDES
from ..body.skeleton import Skeleton
from ..maths import quat
from .skin import Skin

_THIGH_SHARE = 1 / 3  # of a thigh, from the hip joint on, is sat on with the hips (by eye)
_OWN_SHARE = 0.75  # of a vertex's weight: with less on one joint it moves as none of them does
_WAYS = 192  # in which vertices are looked for that lie furthest out
# People's buttocks lie 0.118 m below hip joints that are 0.18 m apart, on legs of 0.85 m (shape_of_people of
# the tests' body); a skirt or a coat hangs lower, and its hem would be what a body sits on.
_MOST_BELOW_APART, _MOST_BELOW_LEGS = 0.65, 0.14
_MIN_VERTICES = 4  # fewer show no surface (no source)


@dataclass(frozen=True)
class SitPoints:
    """Vertices of hips and upper thighs that can touch a chair, a row for each joint that one hangs on.

    Attributes:
        joints: (P,) the joint.
        points: (P, 3) where that joint alone would have the vertex, in its space, metres.
        vertices: (P,) numbers from 0 on that tell which rows are one vertex.
        weights: (P,) how much it hangs on the joint; those of a vertex sum to 1.
    """

    joints: Index
    points: Array
    vertices: Index
    weights: Array


def find_sit_points(skeleton: Skeleton, body: BodyMap, skin: Skin) -> SitPoints | None:
    """The vertices that can touch a chair; None where the mesh does not show them.

    They lie little further below the hip joints, or off a thigh's axis, than people's: what does is worn.
    """
    owners = _owners(skeleton, body)
    total = skin.weights.sum(axis=1, keepdims=True)
    weights = skin.weights / np.where(total > 0, total, 1.0)
    main = skin.joints[np.arange(len(skin.points)), weights.argmax(axis=1)]
    at = skeleton.rest_model[1]
    hips = np.array([at[body.require(f"{side}UpperLeg")] for side in SIDES])
    apart = float(np.linalg.norm(hips[0] - hips[1]))
    most = max(_MOST_BELOW_APART * apart, _MOST_BELOW_LEGS * leg_length(skeleton, body))
    knees = np.array([at[body.require(f"{side}LowerLeg")] for side in SIDES])
    down = knees.mean(axis=0) - hips.mean(axis=0)
    below = (skin.points - hips.mean(axis=0)) @ down / max(float(np.linalg.norm(down)), 1e-9)
    mine = (owners[main] == 0) & (below < most)
    for number, (hip, knee) in enumerate(zip(hips, knees, strict=True), 1):
        thigh, off = knee - hip, skin.points - hip
        along = off @ thigh / max(float(thigh @ thigh), 1e-12)
        out = np.linalg.norm(off - along[:, None] * thigh, axis=1)
        mine |= (owners[main] == number) & (along < _THIGH_SHARE) & (out < most)
    mine &= total[:, 0] > 0
    if mine.sum() < _MIN_VERTICES:
        return None
    kept = _outermost(skin.points, np.where(weights.max(axis=1) < _OWN_SHARE, -1, owners[main]), mine)
    vertices, slots = np.nonzero(weights[kept] > 0)
    joints = skin.joints[kept][vertices, slots]
    turned = skeleton.rest_model[0][joints]
    points = quat.rotate(quat.inv(turned), skin.points[kept][vertices] - at[joints])
    return SitPoints(joints, points, vertices, weights[kept][vertices, slots])


def _owners(skeleton: Skeleton, body: BodyMap) -> Index:
    """By joint (J,): 0 of the hips, 1 and 2 of the left and the right thigh, 3 of anything else."""
    known = {body.require(part): n for n, part in enumerate(("hips", *(f"{side}UpperLeg" for side in SIDES)))}
    mapped = set(body.joints.values())
    out = np.full(len(skeleton), 3)
    for joint, parent in enumerate(skeleton.parents):
        if joint in known:
            out[joint] = known[joint]
        elif joint not in mapped and parent >= 0:
            out[joint] = out[parent]
    return out


def _outermost(points: Array, groups: Index, mine: Array) -> Index:
    """The vertices that lie furthest out in some way, of those of each group that move alike."""
    turn = np.pi * (3 - np.sqrt(5)) * np.arange(_WAYS)  # a spiral over the sphere
    height = 1 - 2 * (np.arange(_WAYS) + 0.5) / _WAYS
    ways = np.stack([np.cos(turn), np.sin(turn), np.zeros(_WAYS)], axis=-1) * np.sqrt(1 - height**2)[:, None]
    ways[:, 2] = height
    found = []
    for group in np.unique(groups[mine]).tolist():
        some = np.flatnonzero(mine & (groups == group))
        found.append(some[(points[some] @ ways.T).argmax(axis=0)])
    return np.unique(np.concatenate(found))
