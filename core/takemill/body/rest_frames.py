"""A frame for each body part at rest that means the same on every body, whatever its joints' axes.

Each frame is a rotation of the body's own axes at rest (left +X, up +Z, front -Y, turned to where the rest
pose faces). Two skeletons pose alike when their parts' frames, carried by the joints, agree in model space:

- Trunk, head, shoulders: the body's axes. They keep what they turned away from rest, so the shapes of
  spine and collar bones are the skeleton's own.
- Arms and fingers: the shortest swing from an arm held sideways to the rest direction. A T pose with palms
  down, an A pose, and hanging arms with thumbs forward reach each other by such swings, so elbows and
  palms keep their sides.
- Hands: the direction to the fingers and the line across the palm, where both skeletons have fingers.
- Legs: the shortest swing from straight down. Feet and toes: level, along the foot, so flat stays flat.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ..base.checks import Array
from ..maths import quat
from .body_map import BodyMap, rest_facing
from .body_parts import FINGERS, HUMANOID, SIDES
from .skeleton import Skeleton

# The joint of each finger that is next to the hand; straight down; and what takes the height out of a vector.
_FINGER_ROOTS = tuple(joints[0] for joints in FINGERS.values())
_PALM = ("IndexProximal", "LittleProximal")
_DOWN = np.array([0.0, 0.0, -1.0])
_ALONG_FLOOR = np.array([1.0, 1.0, 0.0])


@dataclass(frozen=True)
class RestAxes:
    """What the rest pose of one skeleton says about its parts.

    Attributes:
        facing: heading, radians.
        directions: part -> unit direction (3,) of its bone in model space; level ones for feet. Parts whose
            direction is not known are missing.
        across: side -> direction (3,) across the palm from the little finger to the index finger, where
            fingers show it; of any length.
    """

    facing: float
    directions: dict[str, Array]
    across: dict[str, Array]


def rest_axes(skeleton: Skeleton, body: BodyMap) -> RestAxes:
    """The directions that the joints and tips of a skeleton give to its body's parts."""
    at = skeleton.reference_model[1]
    directions: dict[str, Array] = {}
    for part in body.joints:
        joint = body.require(part)
        if part.endswith("Foot"):
            away = _foot_points(skeleton, joint) - at[joint]
            away = (
                away[np.argmax(np.linalg.norm(away * _ALONG_FLOOR, axis=-1))] * _ALONG_FLOOR
                if len(away)
                else None
            )
        elif (end := _bone_end(skeleton, body, part)) is not None:
            away = end - at[joint]
        else:
            continue
        if away is not None and np.linalg.norm(away) > 1e-4 * skeleton.height:
            directions[part] = away / np.linalg.norm(away)
    across = {}
    for side in SIDES:
        index, little = (body.get(side + part) for part in _PALM)
        if index is not None and little is not None and np.linalg.norm(at[index] - at[little]) > 0:
            across[side] = at[index] - at[little]
    return RestAxes(rest_facing(skeleton, body), directions, across)


def matched_frames(
    skeleton: Skeleton, body: BodyMap, other: Skeleton, other_body: BodyMap
) -> dict[str, tuple[Array, Array]]:
    """Part -> its frame (4,) at rest on each of two skeletons, in model space.

    A direction counts only when both skeletons show it; else the part keeps the frame of the part above.
    """
    axes = rest_axes(skeleton, body), rest_axes(other, other_body)
    directed = axes[0].directions.keys() & axes[1].directions.keys()
    palms = axes[0].across.keys() & axes[1].across.keys()
    first, second = (_frames(one, directed, palms) for one in axes)
    return {part: (first[part], second[part]) for part in first}


def _frames(axes: RestAxes, directed: set[str], palms: set[str]) -> dict[str, Array]:
    upright = quat.from_yaw(axes.facing)
    frames = {"hips": upright, "root": upright}
    for part, above in HUMANOID.items():
        if above is None:
            continue
        side = next((s for s in SIDES if part.startswith(s)), "")
        limb, directed_here = part[len(side) :], part in directed
        sideways = np.array([1.0 if side == "left" else -1.0, 0.0, 0.0])
        if limb in ("UpperArm", "LowerArm"):
            frames[part] = (
                _swung(upright, sideways, axes.directions[part]) if directed_here else frames[above]
            )
        elif limb == "Hand" and directed_here and side in palms:
            frames[part] = _palm_frame(axes.directions[part], axes.across[side], sideways)
        elif limb == "Hand" or limb.startswith(tuple(FINGERS)):
            frames[part] = (
                _swung(frames[above], sideways, axes.directions[part]) if directed_here else frames[above]
            )
        elif limb in ("UpperLeg", "LowerLeg"):
            frames[part] = _swung(upright, _DOWN, axes.directions[part]) if directed_here else upright
        elif limb == "Foot":
            x, y, _ = (
                axes.directions[part] if directed_here else quat.rotate(upright, np.array([0.0, -1.0, 0.0]))
            )
            frames[part] = quat.from_yaw(np.arctan2(x, -y))
        elif limb == "Toes":
            frames[part] = frames[above]
        else:
            frames[part] = upright
    return frames


def _swung(frame: Array, axis: Array, direction: Array) -> Array:
    """`frame` (4,) turned the shortest way so that its `axis` (3,) lies along `direction` (3,)."""
    return quat.mul(quat.between(quat.rotate(frame, axis), direction), frame)


def _palm_frame(along: Array, to_index: Array, sideways: Array) -> Array:
    """The frame (4,) whose `sideways` lies along the hand and whose front lies towards the index finger."""
    front = to_index - along * (to_index @ along)
    front = front / np.linalg.norm(front)
    left = along * sideways[0]
    return quat.from_matrix(np.stack([left, -front, np.cross(left, -front)], axis=-1))


def _bone_end(skeleton: Skeleton, body: BodyMap, part: str) -> Array | None:
    """Where the bone of `part` leads at rest (3,): the next part's joint, else tips, else children."""
    at, joint = skeleton.reference_model[1], body.require(part)
    side = next((s for s in SIDES if part.startswith(s)), "")
    if part == f"{side}Hand" and side:
        roots = [j for name in _FINGER_ROOTS[1:] if (j := body.get(side + name)) is not None]
        if roots:
            return at[roots].mean(axis=0)
    else:
        below = next(
            (lower for lower, above in HUMANOID.items() if above == part and lower in body.joints), None
        )
        if below is not None:
            return at[body.require(below)]
    tips = skeleton.reference_tips[np.asarray(skeleton.tip_joints, np.intp) == joint]
    if len(tips):
        return tips.mean(axis=0)
    children = list(skeleton.children[joint])
    return at[children].mean(axis=0) if children else None


def _foot_points(skeleton: Skeleton, foot: int) -> Array:
    """Joints and tips (N, 3) below a foot at rest."""
    below = skeleton.subtree(foot)
    tips = skeleton.reference_tips[np.isin(np.asarray(skeleton.tip_joints, np.intp), below)]
    return np.concatenate([skeleton.reference_model[1][below[1:]], tips])
