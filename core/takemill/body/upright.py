"""Whether, and along which axis, a body stands: read from poses of any skeleton in any axes and unit.

A body stands along an axis when its hips lie over its feet and its head over its hips along it. In a take the
median over its frames counts: one lies down now and then, but few lie all the time.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np

from ..base.checks import Array
from ..base.errors import BodyMapError
from ..maths import kinematics, quat
from ..maths.axes import UP_AXES, turn_to_z_up, up_vector
from .body_map import find_body_map, leg_length
from .body_parts import SIDES, BodyMap
from .motion import Motion
from .skeleton import Reference, Skeleton

FindBody = Callable[[Skeleton], BodyMap]
"""What gives a skeleton its body map."""

SAMPLES = 60  # frames of a take that are looked at: intake costs the same for any length (chosen by eye)
_MAX_SEARCHED_JOINTS = 1000  # beyond it the search in many poses takes longer than it is worth
# The limits down to _MAX_ON_FLOOR_LEGS: by trial on the open motions, in nine ways of writing each.
_MAX_LEAN_DEG = 30.0  # what legs, trunk and hips of an upright rest pose may lean; A poses spread legs by 20
_MAX_UNLIKE_DEG = 25.0  # between a bone of the left and the mirrored one of the right, likewise
_MAX_TWIST_DEG = 60.0  # shoulders against hips, likewise
_MIN_STANDING = 0.75  # median uprightness of a take that stands; crawling and lying ones stay below 0.6
_MIN_LEAD = 0.3  # in uprightness along the up axis over any other axis, to be sure of it
_MIN_BETTER = 0.15  # in uprightness, by which another axis must exceed that of an upright rest
# Median uprightness that a body on a floor has at least; and one that bends or turns over.
_MIN_UPRIGHT, _MIN_HALF_UPRIGHT = 0.1, 0.5
# Of the lowest joint: off height 0, and between the fifths of its heights.
_MAX_FLOOR_OFF_LEGS, _MAX_FLOOR_SPREAD_LEGS = 0.25, 0.16
# In uprightness, what a floor is worth: takes that lie most of the time score 0.3 where 0.8 lies.
_FLOOR_WORTH = 0.6
_MAX_ON_FLOOR_LEGS = 0.35  # that the lowest foot may be off height 0 to speak for an axis


@dataclass(frozen=True)
class Poses:
    """N poses of a skeleton in model space, in its file's axes and unit.

    Attributes:
        rotations: (N, J, 4).
        positions: (N, J, 3).
    """

    rotations: Array
    positions: Array


@dataclass(frozen=True)
class Stance:
    """How the body of a take stands.

    Attributes:
        up: the axis that points up, of UP_AXES.
        body: which joint each part is mapped to, by one pose; a reference pose may show it better.
        score: the median uprightness along `up`, -1 to 1.
        margin: by how much it is less along any other axis.
        rest_up: the axis along which the rest pose is an upright body; "" where it is none.
    """

    up: str
    body: BodyMap
    score: float
    margin: float
    rest_up: str


def sampled_frames(count: int, most: int = SAMPLES) -> Array:
    """Frame numbers (N,), evenly over a take of `count` frames."""
    return np.unique(np.linspace(0, count - 1, min(most, count)).round().astype(np.intp))


def poses_of(motion: Motion, frames: Array) -> Poses:
    """Some frames (N,) of a motion in model space."""
    translations = np.tile(motion.skeleton.rest_translation, (len(frames), 1, 1))
    translations[:, 0] = motion.root_translation[frames]
    for joint, track in motion.translations.items():
        translations[:, joint] = track[frames]
    return Poses(
        *kinematics.model_from_local(motion.skeleton.parents, motion.rotations[frames], translations)
    )


def rest_poses(skeleton: Skeleton) -> Poses:
    """The rest pose as the only one."""
    rotations, positions = skeleton.rest_model
    return Poses(rotations[None], positions[None])


def top_joints(body: BodyMap) -> list[int]:
    """The joints whose middle is the top of the trunk: the head, the neck, both arms, or the chest."""
    for parts in (("head",), ("neck",), ("leftUpperArm", "rightUpperArm"), ("chest",), ("spine",)):
        if all(part in body.joints for part in parts):
            return [body.joints[part] for part in parts]
    return []


def uprightness(poses: Poses, body: BodyMap, up: Array) -> Array:
    """How far (N,) hips stand over feet and the top over the hips along `up` (3,): -1 to 1.

    Raises:
        BodyMapError: a leg is not mapped.
    """
    at = poses.positions
    hips = np.mean([at[:, body.require(f"{side}UpperLeg")] for side in SIDES], axis=0)
    feet = np.mean([at[:, body.require(f"{side}Foot")] for side in SIDES], axis=0)
    legs = np.mean([_chain(at, body, side) for side in SIDES], axis=0)
    parts = [np.clip((hips - feet) @ up / np.maximum(legs, 1e-12), -1.0, 1.0)]
    if top := top_joints(body):
        trunk = at[:, top].mean(axis=1) - hips
        parts.append(np.clip(trunk @ up / np.maximum(quat.length(trunk).max(), 1e-12), -1.0, 1.0))
    return np.mean(parts, axis=0)


def _chain(at: Array, body: BodyMap, side: str) -> Array:
    hip, knee, ankle = (at[:, body.require(side + part)] for part in ("UpperLeg", "LowerLeg", "Foot"))
    return quat.length(knee - hip) + quat.length(ankle - knee)


def body_height(skeleton: Skeleton, body: BodyMap) -> float:
    """How tall a body is when it stands straight, in the skeleton's unit: by its bones, whatever its pose.

    Raises:
        BodyMapError: a leg is not mapped.
    """
    _, at = skeleton.reference_model
    leg = leg_length(skeleton, body)
    top = top_joints(body)
    if not top:
        return leg / _LEG_SHARE
    path = skeleton.path_to(top[0])
    hips = np.mean([at[body.require(f"{side}UpperLeg")] for side in SIDES], axis=0)
    above = [joint for joint in path if joint not in skeleton.path_to(body.require("leftUpperLeg"))]
    trunk = float(sum(np.linalg.norm(at[b] - at[a]) for a, b in pairwise(above)))
    trunk += float(np.linalg.norm(at[above[0]] - hips)) if above else 0.0
    if "head" not in body.joints:
        return (leg + trunk) / _NECK_SHARE
    tips = skeleton.tip_offsets[np.asarray(skeleton.tip_joints, np.intp) == body.joints["head"]]
    ends = [float(np.linalg.norm(tip)) for tip in tips]
    ends += [float(np.linalg.norm(at[child] - at[path[-1]])) for child in skeleton.children[path[-1]]]
    head = max(ends, default=0.0)
    return leg * (1 + _SOLE_LEGS) + trunk + float(np.clip(head, 0.0, _MAX_HEAD_LEGS * leg))


# Shares of a body's height. 6,068 people of ANSUR II (Gordon et al. 2014; 98 of 100 of them): trochanter to
# ankle 0.44 to 0.52, shoulder over ankle 0.76 to 0.80, ankle 0.07 to 0.10 of the leg. Three open rigs: legs
# of 0.46 to 0.52, shoulders at 0.74 to 0.81 (both in test_proportions.py). A head's end may be a hat's: no
# more than a third of a leg counts.
_LEG_SHARE, _NECK_SHARE, _SOLE_LEGS, _MAX_HEAD_LEGS = 0.49, 0.78, 0.08, 0.35


def lowest_foot(skeleton: Skeleton, poses: Poses, body: BodyMap, up: Array) -> Array:
    """The height (N,) along `up` (3,) of the lowest joint of the feet."""
    joints = sorted({j for foot in body.feet for j in skeleton.subtree(body.require(foot)).tolist()})
    return (poses.positions[:, joints] @ up).min(axis=1)


def keeps_floor(poses: Poses, up: Array, leg: float) -> bool:
    """Whether the lowest joint stays at height 0 along `up` (3,), as of a body that stands or lies.

    What a fifth of the poses do does not count: jumps, spikes. `leg` is a leg's length in the poses' unit.
    """
    lowest = (poses.positions @ up).min(axis=1) / leg
    fifth, fourth = np.quantile(lowest, (0.2, 0.8))
    return bool(abs(np.median(lowest)) < _MAX_FLOOR_OFF_LEGS and fourth - fifth < _MAX_FLOOR_SPREAD_LEGS)


def is_upright(poses: Poses, body: BodyMap, up: Array) -> bool:
    """Whether the first pose is one that a body can be measured in.

    Legs and trunk lie along `up` (3,), the hips are level, the shoulders are not twisted against them, and
    left and right are held alike.
    """
    at = poses.positions[0]
    hips = np.stack([at[body.require(f"{side}UpperLeg")] for side in SIDES])
    bones = [_bones(at, body, side) for side in SIDES]
    legs = [bone for one in bones for bone in one[:2]]
    if min(map(np.linalg.norm, legs)) <= 0 or max(_off_deg(bone, -up) for bone in legs) > _MAX_LEAN_DEG:
        return False
    if (top := top_joints(body)) and _off_deg(at[top].mean(axis=0) - hips.mean(axis=0), up) > _MAX_LEAN_DEG:
        return False
    across = hips[0] - hips[1]
    if abs(_off_deg(across, up) - 90.0) > _MAX_LEAN_DEG:
        return False
    if all(f"{side}UpperArm" in body.joints for side in SIDES):
        arms = at[body.require("leftUpperArm")] - at[body.require("rightUpperArm")]
        if _off_deg(arms, across) > _MAX_TWIST_DEG:
            return False
    middle = across / max(float(np.linalg.norm(across)), 1e-12)
    return all(
        _off_deg(left - 2 * middle * (left @ middle), right) < _MAX_UNLIKE_DEG
        for left, right in zip(*bones, strict=True)
        if min(np.linalg.norm(left), np.linalg.norm(right)) > 0
    )


def _bones(at: Array, body: BodyMap, side: str) -> list[Array]:
    """Thigh, shin, and where they are mapped upper arm and forearm, of joints at (J, 3)."""
    out = []
    for limb in (("UpperLeg", "LowerLeg", "Foot"), ("UpperArm", "LowerArm", "Hand")):
        both = all(one + part in body.joints for one in SIDES for part in limb)
        if limb[0] == "UpperLeg" or both:
            places = [at[body.require(side + part)] for part in limb]
            out += [places[1] - places[0], places[2] - places[1]]
    return out


def _off_deg(vector: Array, wanted: Array) -> float:
    return float(np.degrees(np.arctan2(np.linalg.norm(np.cross(vector, wanted)), vector @ wanted)))


def posed(skeleton: Skeleton, poses: Poses, number: int, up: str) -> Skeleton:
    """The skeleton with one of the poses as its reference, turned so that `up` points along Z."""
    turn = turn_to_z_up(up)
    rotations = quat.mul(turn, poses.rotations[number])
    positions = quat.rotate(turn, poses.positions[number])
    # A root far from the body it carries says nothing of the body's size.
    above = [0]
    while len(below := skeleton.children[above[-1]]) == 1:
        above.append(below[0])
    positions[above] = positions[above[-1]]
    return skeleton.with_reference(
        Reference(*kinematics.local_from_model(skeleton.parents, rotations, positions))
    )


def find_stance(motion: Motion, find: FindBody = find_body_map) -> Stance:
    """How the body of a take stands, whose axes and unit may be any.

    Raises:
        BodyMapError: no pose of it shows a body.
    """
    skeleton = replace(motion.skeleton, reference=None)
    if len(skeleton) > _MAX_SEARCHED_JOINTS:
        raise BodyMapError(f"body map: {len(skeleton)} joints are more than a body has; name its parts")
    poses, rest = poses_of(motion, sampled_frames(len(motion))), rest_poses(skeleton)
    best: tuple[float, Stance] | None = None
    problem: BodyMapError | None = None
    seen: list[BodyMap] = []
    waiting = list(_candidates(poses, rest))
    while waiting:
        source, number, up = waiting.pop(0)
        try:
            body = find(posed(skeleton, source, number, up))
            if body in seen:
                continue
            seen.append(body)
            weight, stance = _judged(skeleton, poses, rest, body)
        except BodyMapError as one:
            problem = problem or one
            continue
        if best is None or weight > best[0] + 1e-9:
            best = weight, stance
        # A body that surely stands needs no other look, once it was seen standing.
        if stance.score > _MIN_STANDING and stance.margin > _MIN_LEAD:
            if up == stance.up and (source is poses or stance.rest_up == up):
                break
            standing = rest if stance.rest_up == stance.up else poses
            waiting = [one for one in waiting if one[0] is standing and one[2] == stance.up]
    if best is None:
        raise problem or BodyMapError("body map: no pose of the take shows a body")
    return best[1]


def _candidates(poses: Poses, rest: Poses) -> Iterator[tuple[Poses, int, str]]:
    """Poses in which a body may be found: the rest pose, and the frame that reaches farthest, each way up."""
    for up in UP_AXES:
        yield rest, 0, up
    for up in UP_AXES:
        reach = np.ptp(poses.positions @ up_vector(up), axis=1)
        yield poses, int(np.argmax(reach)), up


def _judged(skeleton: Skeleton, poses: Poses, rest: Poses, body: BodyMap) -> tuple[float, Stance]:
    """The stance of a body found in one pose, and how much speaks for it."""
    scores = {up: float(np.median(uprightness(poses, body, up_vector(up)))) for up in UP_AXES}
    leg = leg_length(skeleton, body) or 1.0
    low = {
        up: abs(float(np.median(lowest_foot(skeleton, poses, body, up_vector(up))))) / leg for up in UP_AXES
    }
    rests = [up for up in UP_AXES if is_upright(rest, body, up_vector(up))]
    floors = {up: scores[up] > _MIN_UPRIGHT and keeps_floor(poses, up_vector(up), leg) for up in UP_AXES}
    moved = max(
        UP_AXES, key=lambda up: scores[up] + 0.1 * (low[up] < _MAX_ON_FLOOR_LEGS) + _FLOOR_WORTH * floors[up]
    )
    up = moved
    if rests and moved != rests[0]:
        tall = scores[moved] > _MIN_STANDING or (
            scores[moved] > _MIN_HALF_UPRIGHT and floors[moved] > floors[rests[0]]
        )
        stands = tall and scores[moved] - scores[rests[0]] > _MIN_BETTER
        # A body that lies all the time looks like one that stands with another axis up: the floor decides.
        lies = low[rests[0]] < _MAX_ON_FLOOR_LEGS <= low[moved]
        up = moved if stands and not lies else rests[0]
    margin = scores[up] - max(score for other, score in scores.items() if other != up)
    weight = scores[up] + 0.5 * bool(rests) + _FLOOR_WORTH * floors[up]
    return weight, Stance(up, body, scores[up], margin, rests[0] if rests else "")
