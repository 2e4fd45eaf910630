"""A performer's reference pose at the start or end of a take, and how far off it shows the sensors to sit.

Performers stand in a T or an A for a moment, feet hip-width apart, in a T often with the thumbs turned down
by some 35 degrees (common practice, no source). How each joint then differs from what such a pose looks like
on the rig is the misalignment of its sensor, the same all through the take. Arms that just hang are no
reference pose: they hang in ordinary standing too.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass

import numpy as np

from ..base.checks import Array, Mask, owned
from ..base.errors import InputError
from ..body.body_map import BodyMap
from ..body.body_parts import SIDES
from ..body.motion import Motion
from ..body.rest_frames import RestAxes, matched_frames, rest_axes
from ..maths import filters, kinematics, quat, series
from .segments import SENSED_PARTS

# The limits below are estimates, no source, but for the thumbs (see above).
_MIN_HELD_S = 0.5  # a pose held for less is passing
_MAX_HELD_TURN_DEG_S = 12.0  # the mean joint turns less than this while a pose is held
_SEARCHED_END_S = 15.0  # at either end of the take
_MAX_MISALIGNMENT_DEG = 25.0  # a joint further from the pose is held differently: no sensor sits so far off
_MEDIAN_S = 0.1  # poses are medians over this long, so that no spike is one
_MIN_A_LIFT_RAD, _MIN_T_LIFT_RAD = np.radians(-68.0), np.radians(-22.0)  # of the arms over the horizon
_THUMBS_DOWN_RAD = np.radians(35.0)  # how far arms roll in a T with thumbs down
_STRAIGHT_WRIST_RAD = np.radians(10.0)
_ROLLS_T = ((0, 0, 0), (0, 0, 1), (0, 1, 1), (1, 1, 1))  # of upper arm, forearm, hand: which turn down
_ARM, _LEG = ("UpperArm", "LowerArm", "Hand"), ("UpperLeg", "LowerLeg")
_ENDS = {"UpperArm": "LowerArm", "LowerArm": "Hand", "UpperLeg": "LowerLeg", "LowerLeg": "Foot"}
_BONES = tuple((side, part, end) for side in SIDES for part, end in _ENDS.items())


@dataclass(frozen=True)
class ReferencePose:
    """A held reference pose.

    Attributes:
        kind: "T", "A" or "hanging".
        start, stop: frames, half-open; offered as a trim.
        misalignments: (J, 4) the turn of each joint's sensor on its bone, in the bone's space; the identity
            where unknown.
        sensed: (J,) which joints have a sensor.
        posed: (J,) which of them are posed so, each within 25 degrees.
        expected: (J, 4) their model rotations in the pose, facing as at rest; the identity for others.
        joint: name of the joint whose sensor sits worst.
        largest_deg: by how much.
    """

    kind: str
    start: int
    stop: int
    misalignments: Array
    sensed: Mask
    posed: Mask
    expected: Array
    joint: str
    largest_deg: float


def find_reference_pose(motion: Motion, body: BodyMap) -> ReferencePose | None:
    """The one of `reference_poses` that is held longest, or None."""
    return max(reference_poses(motion, body), key=lambda pose: pose.stop - pose.start, default=None)


def find_alignment_pose(motion: Motion, body: BodyMap) -> ReferencePose | None:
    """The pose that says how sensors sat: the longest at the start, before they drift; else at the end."""
    poses = reference_poses(motion, body)
    return end_pose(poses, len(motion), 0) or end_pose(poses, len(motion), 1)


def end_pose(poses: tuple[ReferencePose, ...], frames: int, end: int) -> ReferencePose | None:
    """The longest of some poses that is held in the first (0) or second (1) half of so many frames."""
    there = [one for one in poses if (one.start + one.stop >= frames) == bool(end)]
    return max(there, key=lambda one: one.stop - one.start, default=None)


def reference_poses(motion: Motion, body: BodyMap) -> tuple[ReferencePose, ...]:
    """The poses, by frame, that the take holds for half a second and more within 15 seconds of either end.

    Trunk and legs stand upright, the arms are stretched sideways (T) or 22 to 68 degrees lower (A), each bone
    within 25 degrees, and the joints turn by less than 12 degrees a second on average.
    """
    return _poses_of(motion, body, ("T", "A"))


def hanging_poses(motion: Motion, body: BodyMap) -> tuple[ReferencePose, ...]:
    """The same for a body that stands upright with arms that hang: no pose that a performer was asked for.

    It says little of legs and trunk, and nothing of arms.
    """
    return _poses_of(motion, body, ("hanging",))


def _poses_of(motion: Motion, body: BodyMap, kinds: tuple[str, ...]) -> tuple[ReferencePose, ...]:
    joints = {end for side, part, last in _BONES for end in (side + part, side + last)} | {"hips"}
    if not joints <= body.joints.keys() or len(motion) < 2:
        return ()
    end, frames = round(_SEARCHED_END_S * motion.rate), len(motion)
    spans = [(0, frames)] if frames <= 2 * end else [(0, end), (frames - end, frames)]
    held = (one for span in spans for one in _find_held(motion, body, *span, kinds))
    return tuple(_measure_pose(motion, body, *one) for one in held)


def _find_held(
    motion: Motion, body: BodyMap, first: int, last: int, kinds: tuple[str, ...]
) -> Iterator[tuple[str, int, int]]:
    """Kind and frames of the poses of some kinds held within frames [first, last)."""
    coarse = _coarse(motion, first, last)
    classified = _classify_poses(motion, body, coarse)
    for kind in kinds:
        for start, stop in _held_spans(motion, body, coarse, first, classified[kind]):
            yield kind, start, stop


def still_spans(motion: Motion, body: BodyMap, first: int, last: int) -> tuple[tuple[int, int], ...]:
    """Frames [start, stop) within [first, last) in which any pose is held for half a second and more."""
    coarse = _coarse(motion, first, last)
    return tuple(_held_spans(motion, body, coarse, first, np.ones(len(coarse), bool)))


def _coarse(motion: Motion, first: int, last: int) -> Array:
    """The middle poses (B, J, 4) of blocks of a tenth of a second within frames [first, last)."""
    look = _block(motion)
    count = (last - first) // look
    blocks = motion.rotations[first : first + count * look].reshape(count, look, *motion.rotations.shape[1:])
    return quat.continuous(quat.normalize(np.median(blocks, axis=1)))


def _block(motion: Motion) -> int:
    return max(round(_MEDIAN_S * motion.rate), 1)


def _held_spans(
    motion: Motion, body: BodyMap, coarse: Array, first: int, posed: Mask
) -> Iterator[tuple[int, int]]:
    """Frames [start, stop) of stretches in which blocks (B, J, 4) from `first` on are `posed` and still."""
    look, count, joints = _block(motion), len(coarse), list(body.joints.values())
    if count < 3:
        return
    turned = np.degrees(quat.angle_between(coarse[2:, joints], coarse[:-2, joints])).mean(axis=1)
    still = np.zeros(count, bool)
    for k in range(3):  # a block is still when a span of three that holds it is
        still[k : count - 2 + k] |= turned < _MAX_HELD_TURN_DEG_S * 2 * look / motion.rate
    for start, stop in zip(*series.runs(still & posed), strict=True):
        begin, end = _find_edges(motion, body, first + look * int(start), first + look * int(stop), look)
        if end - begin >= _MIN_HELD_S * motion.rate:
            yield begin, end


def _classify_poses(motion: Motion, body: BodyMap, rotations: Array) -> dict[str, Mask]:
    """Which of some poses (B, J, 4), local, are a T, which an A, and in which arms hang (B,)."""
    skeleton = motion.skeleton
    turned, at = kinematics.model_from_local(
        skeleton.parents,
        rotations,
        np.broadcast_to(skeleton.reference_translation, (*rotations.shape[:2], 3)),
    )
    hips = body.require("hips")
    standing = quat.mul(turned[:, hips], quat.inv(skeleton.reference_model[0][hips]))
    facing = quat.mul(quat.from_yaw(-rest_axes(skeleton, body).facing), quat.from_yaw(-quat.yaw(standing)))
    bones = {
        side + part: quat.rotate(facing, at[:, body.require(side + end)] - at[:, body.require(side + part)])
        for side, part, end in _BONES
    }
    bones = {part: bone / np.maximum(quat.length(bone)[:, None], 1e-9) for part, bone in bones.items()}
    arms = [part for part in bones if part.endswith("Arm")]
    lift = np.mean([np.arcsin(np.clip(bones[part][:, 2], -1, 1)) for part in arms], axis=0)
    up = quat.rotate(standing, np.array([0.0, 0.0, 1.0]))[:, 2]
    kinds = {
        "T": lift > _MIN_T_LIFT_RAD,
        "A": (lift > _MIN_A_LIFT_RAD) & (lift <= _MIN_T_LIFT_RAD),
        "hanging": lift <= _MIN_A_LIFT_RAD,
    }
    near = np.cos(np.radians(_MAX_MISALIGNMENT_DEG))
    for kind, posed in kinds.items():
        posed &= up > near
        for part, bone in bones.items():
            aside = 1.0 if part.startswith("left") else -1.0
            lifted = 0 * lift if kind == "T" else lift
            aim = np.stack([aside * np.cos(lifted), 0 * lift, np.sin(lifted)], axis=-1)
            aim = aim if part in arms else np.array([0.0, 0.0, -1.0])
            posed &= (bone * aim).sum(axis=-1) > near
    return kinds


def _find_edges(motion: Motion, body: BodyMap, start: int, stop: int, look: int) -> tuple[int, int]:
    """The frames at which arms and legs come to rest in a pose, about frames [start, stop), and leave it."""
    joints = [body.require(side + part) for side, part, _ in _BONES]
    pose = _median_pose(motion.rotations[start:stop, joints])
    first, last = max(start - look, 0), min(stop + look, len(motion))
    away = np.degrees(quat.angle_between(motion.rotations[first:last, joints], pose)).mean(axis=1)
    away = filters.moving_median(away, 2)
    off = np.flatnonzero(away > max(2 * float(np.median(away[start - first : stop - first])), 3.0)) + first
    middle = (start + stop) // 2
    begin = int(off[off < middle].max(initial=first - 1)) + 1
    return begin, int(off[off >= middle].min(initial=last))


def _median_pose(rotations: Array) -> Array:
    """The middle (J, 4) of rotations (F, J, 4) that lie near each other."""
    return quat.normalize(np.median(quat.continuous(rotations), axis=0))


def _measure_pose(motion: Motion, body: BodyMap, kind: str, start: int, stop: int) -> ReferencePose:
    """The misalignments that a held pose shows."""
    skeleton = motion.skeleton
    rest = skeleton.reference_model[0]
    turned, _ = kinematics.model_from_local(
        skeleton.parents,
        _median_pose(motion.rotations[start:stop])[None],
        skeleton.reference_translation[None],
    )
    hips = body.require("hips")
    # Which way the performer faced is no error.
    facing = quat.from_yaw(quat.yaw(quat.mul(turned[0, hips], quat.inv(rest[hips]))))
    held = quat.mul(quat.inv(facing), turned[0])
    misalignments = np.tile(quat.IDENTITY, (len(skeleton), 1))
    sensed, posed = np.zeros(len(skeleton), bool), np.zeros(len(skeleton), bool)
    poses = misalignments.copy()
    for part, expected in _expected_rotations(motion, body, kind, held).items():
        joint = body.require(part)
        misaligned = quat.mul(quat.inv(expected), held[joint])
        sensed[joint], poses[joint] = True, expected
        posed[joint] = np.degrees(quat.angle(misaligned)) < _MAX_MISALIGNMENT_DEG
        misalignments[joint] = misaligned if posed[joint] else quat.IDENTITY
    sizes = np.degrees(quat.angle(misalignments))
    worst = int(np.argmax(sizes))
    for mask in (sensed, posed):
        mask.setflags(write=False)
    largest = float(sizes[worst])
    return ReferencePose(
        kind, start, stop, owned(misalignments), sensed, posed, owned(poses), skeleton.names[worst], largest
    )


def _expected_rotations(motion: Motion, body: BodyMap, kind: str, held: Array) -> dict[str, Array]:
    """Part -> the model rotation (4,) of its joint in the pose, facing as at rest.

    Performers stand in the rig's own rest, or in the usual T or A; arms and legs each take the one that
    `held` (J, 4), the model rotations in the held pose, comes nearest to.
    """
    rest = motion.skeleton.reference_model[0]
    out = {part: rest[body.require(part)] for part in body.joints if part in SENSED_PARTS}

    def squared_distance(poses: dict[str, Array]) -> float:
        return sum(float(quat.angle_between(held[body.require(part)], q)) ** 2 for part, q in poses.items())

    at_rest = {part: out[part] for part in out if part.endswith(_ARM)}
    arms = list(_arm_poses(motion, body, kind, held))
    if _classify_poses(motion, body, motion.skeleton.reference_rotation[None])[kind][0]:
        arms.insert(0, at_rest)  # of equals, the first
    legs = [{part: out[part] for part in out if part.endswith(_LEG)}, _upright_legs(motion, body)]
    return out | min(arms, key=squared_distance) | min(legs, key=squared_distance)


def _arm_poses(motion: Motion, body: BodyMap, kind: str, held: Array) -> Iterator[dict[str, Array]]:
    """Part -> model rotation (4,) for arms in the usual T or A, palms down.

    In a T straight sideways, some with the thumbs turned down; in an A as low as both arms of `held` (J, 4)
    are on average, since no two performers hold an A alike. A wrist that is as good as straight at rest stays
    as it is there: where the end of a hand lies on a rig is not known to a degree.
    """
    skeleton = motion.skeleton
    axes, frames = rest_axes(skeleton, body), matched_frames(skeleton, body, skeleton, body)
    upright, rest = quat.from_yaw(axes.facing), skeleton.reference_model[0]
    straight = [side for side in SIDES if _is_wrist_straight(axes, side)]
    lifts = []
    for part in (side + part for side in SIDES for part in _ARM[:2]):
        bone = quat.rotate(quat.inv(rest[body.require(part)]), axes.directions[part])
        x, y, z = quat.rotate(held[body.require(part)], bone)
        lifts.append(np.arctan2(z, np.hypot(x, y)))
    lift = 0.0 if kind == "T" else float(np.mean(lifts))
    for rolled in _ROLLS_T if kind == "T" else _ROLLS_T[:1]:
        pose = {}
        for side, aside in zip(SIDES, (1.0, -1.0), strict=True):
            # A positive turn about the front lifts the left arm.
            lifted = quat.from_axis_angle(np.array([0.0, -1.0, 0.0]), aside * lift)
            for part, turned_down in zip(_ARM, rolled, strict=True):
                roll = quat.from_axis_angle(np.array([1.0, 0.0, 0.0]), turned_down * _THUMBS_DOWN_RAD)
                target = quat.mul(upright, quat.mul(lifted, roll))
                frame = frames[side + ("LowerArm" if part == "Hand" and side in straight else part)][0]
                pose[side + part] = quat.mul(
                    quat.mul(target, quat.inv(frame)), rest[body.require(side + part)]
                )
        yield pose


def _is_wrist_straight(axes: RestAxes, side: str) -> bool:
    """Whether a hand lies along its forearm at rest, on a rig that does not show the palm."""
    bones = [axes.directions.get(side + part) for part in ("LowerArm", "Hand")]
    if side in axes.across or bones[0] is None or bones[1] is None:
        return False
    return float(bones[0] @ bones[1]) > np.cos(_STRAIGHT_WRIST_RAD)


def _upright_legs(motion: Motion, body: BodyMap) -> dict[str, Array]:
    """Thighs and shins whose bones lean to no side: ankles below hips, feet hip-width apart."""
    axes, rest = rest_axes(motion.skeleton, body), motion.skeleton.reference_model[0]
    left = quat.rotate(quat.from_yaw(axes.facing), np.array([1.0, 0.0, 0.0]))
    out = {}
    for part in (side + part for side in SIDES for part in _LEG):
        bone = axes.directions[part]
        straight = bone - left * (bone @ left)
        out[part] = quat.mul(quat.between(bone, straight / quat.length(straight)), rest[body.require(part)])
    return out


def correct_misalignment(motion: Motion, pose: ReferencePose) -> Motion:
    """The whole take with its sensors' misalignment removed: where the pose was held it is now exact.

    Joints without a sensor keep their local turns.

    Raises:
        InputError: the pose is of another skeleton.
    """
    if len(pose.misalignments) != len(motion.skeleton):
        raise InputError(
            f"reference pose: of {len(pose.misalignments)} joints, the take has {len(motion.skeleton)}"
        )
    rotations = motion.rotations.copy()
    repairs: list[Array] = []  # of each joint: its model rotation, times this, is the corrected one
    for joint, parent in enumerate(motion.skeleton.parents):
        above = repairs[parent] if parent >= 0 else quat.IDENTITY
        local = motion.rotations[:, joint]
        if pose.sensed[joint]:
            repairs.append(quat.inv(pose.misalignments[joint]))
            rotations[:, joint] = quat.mul(quat.mul(quat.inv(above), local), repairs[joint])
        else:
            repairs.append(quat.mul(quat.mul(quat.inv(local), above), local) if parent >= 0 else above)
    return motion.with_rotations(quat.continuous(rotations))


def between_poses(motion: Motion, body: BodyMap) -> tuple[int, int]:
    """The frames [start, stop) of a take without the reference poses at its ends: what a trim leaves.

    A pose that is still found in what is left is no reference pose but the way this body stands: broad bodies
    hold their arms away from the trunk. Such a take, and one without a pose, is left whole.
    """
    start, stop = between_spans([(one.start, one.stop) for one in reference_poses(motion, body)], len(motion))
    if (start, stop) == (0, len(motion)) or reference_poses(motion.slice(start, stop), body):
        return 0, len(motion)
    return start, stop


def between_spans(spans: Iterable[tuple[int, int]], frames: int) -> tuple[int, int]:
    """The frames [start, stop) of a take of so many that lie between poses held in `spans` [start, stop)."""
    start, stop = 0, frames
    for first, end in spans:
        if first + end < frames:
            start = max(start, end)
        else:
            stop = min(stop, first)
    return (start, stop) if start < stop else (0, frames)
