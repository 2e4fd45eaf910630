"""An upright pose of a take's skeleton, from which all later stages read what they know of the body.

A file's rest pose serves when it is an upright body. Any other (all bones along one axis, a crumpled, lying
or sitting zero pose) says nothing, and the take itself is asked: a frame in which it stands straight, slow,
with both feet flat and side by side. Frames differ, bodies do not: legs and arms of that frame are
straightened, knees and elbows turned to where they bend, and feet levelled as they lie while planted.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from ..base.checks import Array, Mask
from ..base.errors import BodyMapError, InputError
from ..maths import kinematics, quat
from ..maths.axes import UP_AXES, up_vector
from ..maths.middle import middle
from .body_map import find_body_map, leg_length
from .body_parts import SIDES, BodyMap
from .body_sides import forwardness, has_named_sides, sides_exchanged
from .motion import Motion
from .neutral_pose import Habits, neutral
from .skeleton import Reference, Skeleton
from .upright import (
    FindBody,
    Poses,
    find_stance,
    is_upright,
    posed,
    poses_of,
    rest_poses,
    sampled_frames,
    top_joints,
)

UP = np.array([0.0, 0.0, 1.0])  # Z, as Blender has it
# The limits below: by trial on the open motions, in nine ways of writing each.
_MAX_PAIRS = 120  # frames that are looked at, each with its neighbour
_MIN_LEG_SHARE, _MIN_TRUNK_SHARE = (
    0.8,
    0.85,
)  # legs and trunk of an upright moment, as shares of their lengths
_MAX_UNEVEN_LEGS = 0.12  # leg lengths between the heights of its ankles
_MAX_FLAT_SPEED_LEGS_S, _MAX_FLAT_HEIGHT_LEGS = (
    0.3,
    0.04,
)  # leg lengths a second, and of an ankle over the lowest place: a foot that lies flat
_BEST_FRAMES_SHARE = 0.2  # share of the frames looked at, the best ones, whose middle is the reference pose
_CALM_FRAMES_SHARE = 0.3  # of a foot's planted frames, the calmest ones, that show how it lies
_MIN_SHIN_COSINE = 0.7  # cosine of a shin's lean from which on a foot need not lie flat: 45 degrees


def with_reference(motion: Motion, find: FindBody = find_body_map, body: BodyMap | None = None) -> Motion:
    """The motion, Z-up in metres, with the reference pose that its rest or its frames give.

    Local rotations and the rest pose stay. A take without a body is left as it is. A body that is known
    roughly need not be searched again.
    """
    skeleton = motion.skeleton.with_reference(None)
    motion = motion.with_skeleton(skeleton)
    try:
        body = body or find_stance(motion, find).body
        return motion.with_skeleton(skeleton.with_reference(_reference(motion, body, find)))
    except BodyMapError:
        return motion


def with_frame_as_reference(motion: Motion, frame: int) -> Motion:
    """The motion with one of its frames as the reference pose, just as the body stands in it.

    Raises:
        InputError: there is no such frame.
    """
    if not 0 <= frame < len(motion):
        raise InputError(f"reference: there is no frame {frame}; the take has frames 0 to {len(motion) - 1}")
    poses = poses_of(motion, np.array([frame]))
    held = replace(_held(posed(motion.skeleton, poses, 0, "Z")), origin=f"frame {frame}")
    return motion.with_skeleton(motion.skeleton.with_reference(held))


def with_reference_of(motion: Motion, other: Skeleton, origin: str) -> Motion:
    """The motion with the reference pose of another take of the same skeleton.

    Raises:
        InputError: the other take has other joints.
    """
    skeleton = motion.skeleton
    if (other.names, other.parents) != (skeleton.names, skeleton.parents):
        odd = sorted({*other.names} ^ {*skeleton.names})
        which = f"only one of them has a joint {odd[0]!r}" if odd else "joints hang elsewhere"
        raise InputError(f"reference: {origin} is of another skeleton: {which}")
    pose = Reference(other.reference_rotation, other.reference_translation, origin, other.reference_score)
    return motion.with_skeleton(skeleton.with_reference(pose))


@dataclass(frozen=True)
class _Look:
    """Some frames of a take, each with the next one.

    Attributes:
        frames: (N,) their numbers.
        poses: of the frames.
        speed: (N, J) of the joints, metres a second.
        rotations, translations: (N, J, 4) and (N, J, 3) local.
    """

    frames: Array
    poses: Poses
    speed: Array
    rotations: Array
    translations: Array


def _look(motion: Motion) -> _Look:
    frames = sampled_frames(len(motion), _MAX_PAIRS)
    after = np.minimum(frames + 1, len(motion) - 1)
    poses, later = poses_of(motion, frames), poses_of(motion, after)
    step_s = np.maximum(after - frames, 1)[:, None] / motion.rate
    translations = np.tile(motion.skeleton.rest_translation, (len(frames), 1, 1))
    translations[:, 0] = motion.root_translation[frames]
    for joint, track in motion.translations.items():
        translations[:, joint] = track[frames]
    speed = quat.length(later.positions - poses.positions) / step_s
    return _Look(frames, poses, speed, motion.rotations[frames], translations)


def _reference(motion: Motion, body: BodyMap, find: FindBody) -> Reference | None:
    """The reference of a take whose body is known roughly; None where the rest pose is one as it stands."""
    skeleton, look = motion.skeleton, _look(motion)
    if not has_named_sides(skeleton, body) and forwardness(skeleton, look.poses, body) < 0:
        body = sides_exchanged(body)
    leg = leg_length(skeleton, body)
    rest = rest_poses(skeleton)
    if is_upright(rest, body, UP) or (up := _rest_up(rest, body)):
        pose = Reference(skeleton.rest_rotation, skeleton.rest_translation)
        if not is_upright(rest, body, UP):
            pose = _held(posed(skeleton, rest, 0, up))
        habits = _habits(skeleton, look, body, leg)
        levelled = neutral(skeleton.with_reference(pose), body, habits, feet_only=True)
        return _placed(motion, levelled, body)
    score, upright = _moments(look, body, leg)
    best = int(np.argmax(score > score.max() - 1e-6))  # of equals the first
    frame = int(look.frames[best])
    pose = Reference(
        _usual(look, score, upright, best),
        look.translations[best],
        f"frame {frame}",
        float(np.clip(score[best], 0.0, 1.0)) if upright[best] else 0.0,
    )
    for _ in range(2):  # straightened, the body may show parts that it did not show before
        made = neutral(skeleton.with_reference(pose), body, _habits(skeleton, look, body, leg))
        made = _placed(motion, made, body) or made
        better = find(skeleton.with_reference(made))
        if better == body:
            break
        body = better
    return made


def _usual(look: _Look, score: Array, upright: Mask, best: int) -> Array:
    """Local rotations (J, 4) of the best moments, in their middle: one moment leans as others do not."""
    order = np.argsort(-score, kind="stable")[: max(round(_BEST_FRAMES_SHARE * len(score)), 1)]
    chosen = np.append(order[upright[order]], best)
    local = look.rotations[chosen]
    near = local * np.where((local * look.rotations[best]).sum(axis=-1) < 0, -1.0, 1.0)[..., None]
    usual = np.stack([middle(turns) for turns in near.transpose(1, 0, 2)])
    usual[0] = look.rotations[best, 0]
    return quat.normalize(usual)


def _rest_up(rest: Poses, body: BodyMap) -> str:
    """The axis other than Z along which the rest pose is an upright body; "" where it is none."""
    return next((up for up in UP_AXES if is_upright(rest, body, up_vector(up))), "")


def _held(skeleton: Skeleton) -> Reference:
    assert skeleton.reference is not None
    return skeleton.reference


def _moments(look: _Look, body: BodyMap, leg: float) -> tuple[Array, Mask]:
    """How good a reference each frame is (N,), and whether it is an upright moment at all (N,)."""
    at = look.poses.positions
    hip, foot = (
        np.stack([at[:, body.require(side + part)] for side in SIDES], axis=1)
        for part in ("UpperLeg", "Foot")
    )
    rises = (hip - foot)[..., 2] / leg
    straight, uneven = rises.min(axis=1), np.abs(foot[:, 0, 2] - foot[:, 1, 2]) / leg
    trunk = np.ones(len(at))
    if top := top_joints(body):
        up = at[:, top].mean(axis=1) - hip.mean(axis=1)
        trunk = up[:, 2] / np.maximum(quat.length(up).max(), 1e-12)
    width = quat.length((hip[:, 0] - hip[:, 1])[:, :2])
    stride = np.maximum(quat.length((foot[:, 0] - foot[:, 1])[:, :2]) - width, 0.0) / leg
    speed = look.speed.mean(axis=1) / leg
    score = (straight + trunk) / 2 - uneven - 0.3 * stride - 0.2 * np.minimum(speed, 3.0)
    upright = (straight > _MIN_LEG_SHARE) & (trunk > _MIN_TRUNK_SHARE) & (uneven < _MAX_UNEVEN_LEGS)
    return score + 0.5 * upright, upright


def _habits(skeleton: Skeleton, look: _Look, body: BodyMap, leg: float) -> Habits:
    """What the take shows of feet that lie flat, and of where knees and elbows bend."""
    level, toes, bends = {}, {}, {}
    heights = look.poses.positions[:, [body.require(foot) for foot in body.feet], 2]
    floor = float(np.quantile(heights, 0.02)) if heights.size else 0.0
    for side in SIDES:
        foot = body.get(f"{side}Foot")
        if foot is not None:
            planted = _planted(skeleton, look, body, side, leg, floor)
            if len(planted) >= 3:
                ups = quat.rotate(quat.inv(look.poses.rotations[planted, foot]), UP)
                level[foot] = middle(ups) / max(float(np.linalg.norm(middle(ups))), 1e-12)
                for joint in skeleton.subtree(foot)[1:].tolist():
                    toes[joint] = quat.normalize(middle(quat.continuous(look.rotations[planted, joint])))
        for limb in (("UpperLeg", "LowerLeg", "Foot"), ("UpperArm", "LowerArm", "Hand")):
            if all(side + part in body.joints for part in limb):
                joints = [body.require(side + part) for part in limb]
                bend = _bend(look.poses, joints)
                if bend is not None:
                    bends[joints[0]] = bend
    return Habits(level, toes, bends)


def _planted(skeleton: Skeleton, look: _Look, body: BodyMap, side: str, leg: float, floor: float) -> Array:
    """The places (N,) in a look in which a foot lies most calmly on the floor, below a shin that stands."""
    knee, foot = body.require(f"{side}LowerLeg"), body.require(f"{side}Foot")
    joints = skeleton.subtree(foot)[:3].tolist()
    speed = look.speed[:, joints].max(axis=1) / leg
    height = look.poses.positions[:, foot, 2]
    shin = look.poses.positions[:, knee] - look.poses.positions[:, foot]
    stands = shin[:, 2] > _MIN_SHIN_COSINE * np.maximum(quat.length(shin), 1e-12)
    there = np.flatnonzero(
        (speed < _MAX_FLAT_SPEED_LEGS_S) & (height - floor < _MAX_FLAT_HEIGHT_LEGS * leg) & stands
    )
    calm = there[np.argsort(speed[there], kind="stable")]
    return np.sort(calm[: max(int(_CALM_FRAMES_SHARE * len(calm)), min(3, len(calm)))])


def _bend(poses: Poses, joints: list[int]) -> Array | None:
    """Where (3,) in the upper bone's space the lower one goes when it bends; None where it never does."""
    upper, middle, end = (poses.positions[:, joint] for joint in joints)
    back = quat.inv(poses.rotations[:, joints[0]])
    bone, below = (
        quat.rotate(back, segment / np.maximum(quat.length(segment), 1e-12)[:, None])
        for segment in (middle - upper, end - middle)
    )
    aside = below - bone * (bone * below).sum(axis=-1, keepdims=True)
    size = quat.length(aside)
    if (size > _MIN_HINGE_SINE).sum() < 3:
        return None
    mean = aside[size > _MIN_HINGE_SINE].mean(axis=0)
    # A joint that bends to all sides is no hinge.
    return (
        mean / np.linalg.norm(mean)
        if np.linalg.norm(mean) > 0.5 * size[size > _MIN_HINGE_SINE].mean()
        else None
    )


_MIN_HINGE_SINE = 0.25  # of the bend from which on a limb shows its hinge: 15 degrees (chosen by eye)


def _placed(motion: Motion, pose: Reference, body: BodyMap) -> Reference | None:
    """The pose over the origin with its feet on the floor, wherever the file's OFFSETs put the hips.

    None where it is the rest pose, and the hips rest where they may.
    """
    skeleton = motion.skeleton
    path = skeleton.path_to(body.require("hips"))
    moved = [joint for joint in path if joint == 0 or joint in motion.translations]
    translation = pose.translation.copy()
    same = np.array_equal(pose.rotation, skeleton.rest_rotation)
    if same and moved == [0] and not np.abs(translation[0, :2]).max() > 1e-9:
        return None
    for joint in moved:
        translation[joint] = 0.0
    model, at = kinematics.model_from_local(skeleton.parents, pose.rotation, translation)
    joints = np.asarray(skeleton.tip_joints, np.intp)
    points = np.concatenate([at, at[joints] + quat.rotate(model[joints], skeleton.tip_offsets)])
    hips = at[path[-1]]
    shift = np.array([-hips[0], -hips[1], -points[:, 2].min()])
    last = moved[-1]
    parent = skeleton.parents[last]
    translation[last] = shift if parent < 0 else quat.rotate(quat.inv(model[parent]), shift)
    return replace(pose, translation=translation)
