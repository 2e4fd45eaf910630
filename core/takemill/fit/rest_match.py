"""How a character holds itself at rest beside the performer: trunk, neck, head and collar bones.

Arms, legs, hands and feet point where the performer's point, whatever either rest pose is (see rest_frames).
For the other parts that is a choice. Who keeps the character's posture adds what the performer turns away
from rest to the character's own rest: a hunched figure stays hunched. Who matches the performer's takes
the difference of both rest poses out, so that these parts, too, are held as the performer holds them.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from ..base.checks import Array
from ..body.body_map import BodyMap, rest_facing
from ..body.body_parts import SIDES
from ..body.rest_frames import matched_frames
from ..body.skeleton import Skeleton
from ..maths import quat

POSTURES = ("keep", "match")
"""What becomes of a character's own posture: it is kept, or the performer's is taken."""

TRUNK, NECK = ("spine", "chest", "upperChest"), ("neck", "head")
_COLUMN = (*TRUNK, *NECK)
# Of their size, by which two sets of joints may differ to be the same rigid part: files round to a tenth of a
# millimetre, and scans of one body differ by more (by trial: rigs of the samples, of one skeleton and
# others).
_MAX_MISFIT_SHARE = 0.01
# Below it rigs of upright bodies differ by how they are built: up to 9 degrees between six of the open data,
# the sample and the tests (by trial).
_MIN_SAID_DEG = 12.0
_SAME_COLLAR_SHARE = 0.02  # of the trunk's length, 1 cm, by which collar bones may begin apart (by eye)
_MAX_COLLAR_DEG = (
    45.0  # rigs of upright bodies differ by up to 38 degrees in how collar bones lead (by trial)
)
_MIN_WIDTH_SHARE = 0.05  # points that lie nearer to one line than this share of their size show no twist


@dataclass(frozen=True)
class RestMatch:
    """How two skeletons at rest are laid beside each other.

    Attributes:
        frames: part -> its frame (4,) at rest on source and target, in model space: a target's part is posed
            like the source's when their frames, carried by the joints, agree.
        turns: target's part of hips, trunk, neck or head -> the turn (4,) that its rest has beyond the
            performer's, where more than its bone shows it.
        matches: whether the performer's posture is taken.
    """

    frames: Mapping[str, tuple[Array, Array]]
    turns: Mapping[str, Array]
    matches: bool


def match_rests(
    source: Skeleton, body: BodyMap, target: Skeleton, target_body: BodyMap, posture: str
) -> RestMatch:
    """How the target's rest pose answers the source's, as `posture` (one of POSTURES) wants it."""
    frames = matched_frames(source, body, target, target_body)
    if posture == "keep":
        return RestMatch(frames, {}, False)
    shared = [part for part in target_body.joints if part in body.joints]
    if has_same_bones(source, target):
        theirs, ours = target.reference_model[0], source.reference_model[0]
        laid = {p: quat.mul(theirs[target_body.require(p)], quat.inv(ours[body.require(p)])) for p in shared}
        frames |= {p: (frames[p][0], quat.mul(laid[p], frames[p][0])) for p in shared if p in frames}
        facing = quat.from_yaw(rest_facing(source, body) - rest_facing(target, target_body))
        return RestMatch(frames, {p: quat.mul(turn, facing) for p, turn in laid.items()}, True)
    turns, rigid = _compare(source, body, target, target_body)
    frames |= {p: (frames[p][0], quat.mul(turns[p], frames[p][1])) for p in shared if p in turns}
    facing = quat.from_yaw(rest_facing(target, target_body) - rest_facing(source, body))
    for hand in (f"{side}Hand" for side in SIDES if f"{side}Hand" in shared):
        seen = _named_points(source, body.require(hand), target, target_body.require(hand))
        turn = _aligned(quat.rotate(facing, seen[0]), seen[1])
        if turn is not None:
            frames[hand] = frames[hand][0], quat.mul(quat.mul(turn, facing), frames[hand][0])
    return RestMatch(frames, {p: turn for p, turn in turns.items() if p in rigid or p == "head"}, True)


def rest_turns(source: Skeleton, body: BodyMap, target: Skeleton, target_body: BodyMap) -> dict[str, Array]:
    """The target's part -> the turn (4,) from how the performer holds it at rest to how the target does.

    Both face the target's way. Hips, chest and head are compared by what is rigid in them (hip joints and the
    lowest joint of the spine; shoulders and neck; what the head carries) where both skeletons have the same
    shape there, else by the line across the hips and the bones' directions. A collar bone is compared by
    its direction where it begins at the same place, else it goes along with the chest.
    """
    return _compare(source, body, target, target_body)[0]


def posture_note(
    source: Skeleton, body: BodyMap, target: Skeleton, target_body: BodyMap, posture: str
) -> str:
    """What becomes of a character that rests in another posture than the performer, a sentence; else ""."""
    turns = rest_turns(source, body, target, target_body)
    for side in SIDES:
        if _collars_begin_alike(source, body, target, target_body, side, turns):
            continue
        collar = _collar_turn(source, body, target, target_body, side, turns)
        if collar is not None and np.degrees(quat.angle(collar)) > _MAX_COLLAR_DEG:
            return (
                f"at rest its {side}Shoulder leads {np.degrees(quat.angle(collar)):.0f} degrees away from "
                "the performer's, more than rigs of one posture differ: arms may be held wrong; name another "
                "pose of the take as its reference ([intake] reference), or one of the character ([fit] "
                "rest_pose)"
            )
    away = {part: float(np.degrees(quat.angle(turn))) for part, turn in turns.items()}
    worst = max(away, key=lambda part: away[part])
    if away[worst] < _MIN_SAID_DEG:
        return ""
    other = 'Posture in Blender, or [fit] posture = "match", takes the performer\'s'
    done = {"keep": f"its own posture is kept; {other}"}
    become = done.get(posture, "the performer's posture is taken")
    return f"at rest its {worst} is held {away[worst]:.0f} degrees from the performer's: {become}"


def _compare(
    source: Skeleton, body: BodyMap, target: Skeleton, target_body: BodyMap
) -> tuple[dict[str, Array], set[str]]:
    """What `rest_turns` gives, and which of its parts are of the same shape on both."""
    facing = quat.from_yaw(rest_facing(target, target_body) - rest_facing(source, body))
    out: dict[str, Array] = {}
    rigid: set[str] = set()
    for part in ("hips", *_COLUMN):
        other = _last(TRUNK, body) if part == _last(TRUNK, target_body) else part
        if other not in body.joints or part not in target_body.joints:
            continue
        names = [n for n in _carried(part, target_body) if n in body.joints and n in target_body.joints]
        turn = None
        for with_joint in (True, False):  # a spine of fewer bones has its chest's joint elsewhere
            seen = [
                _rigid_points(source, body, other, names, with_joint),
                _rigid_points(target, target_body, part, names, with_joint),
            ]
            if turn is None and seen[0].shape == seen[1].shape:
                turn = _aligned(quat.rotate(facing, seen[0]), seen[1])
        if turn is not None:
            rigid.add(part)
        else:
            seen = [_line(source, body, other), _line(target, target_body, part)]
            if not seen[0].any() or not seen[1].any():
                continue
            turn = quat.between(quat.rotate(facing, seen[0]), seen[1])
        out[part] = turn
    chest = out.get(_last(TRUNK, target_body), out["hips"])
    for side in SIDES:
        part = f"{side}Shoulder"
        if part not in body.joints or part not in target_body.joints:
            continue
        out[part] = chest
        if _collars_begin_alike(source, body, target, target_body, side, out):
            # As the chest carries it, and turned on by how the shoulder is held on the chest. Where it begins
            # elsewhere nobody knows that: rigs have collar bones anywhere between neck and breastbone.
            turn = _collar_turn(source, body, target, target_body, side, out)
            out[part] = chest if turn is None else quat.mul(turn, chest)
    return out, rigid


def _collars_begin_alike(
    source: Skeleton,
    body: BodyMap,
    target: Skeleton,
    target_body: BodyMap,
    side: str,
    turns: Mapping[str, Array],
) -> bool:
    """Whether both have a collar bone that begins at the same place of the trunk, as `turns` carry it."""
    if any(f"{side}Shoulder" not in one.joints for one in (body, target_body)):
        return False
    chest = turns.get(_last(TRUNK, target_body), turns["hips"])
    facing = quat.from_yaw(rest_facing(target, target_body) - rest_facing(source, body))
    begin = [_collar_begin(source, body, side), _collar_begin(target, target_body, side)]
    away = np.linalg.norm(quat.rotate(quat.mul(chest, facing), begin[0]) - begin[1])
    return bool(away < _SAME_COLLAR_SHARE)


def _collar_turn(
    source: Skeleton,
    body: BodyMap,
    target: Skeleton,
    target_body: BodyMap,
    side: str,
    turns: Mapping[str, Array],
) -> Array | None:
    """The turn (4,) of a collar bone beyond the chest's, one of `turns`; None where nothing shows it."""
    if any(f"{side}Shoulder" not in one.joints for one in (body, target_body)):
        return None
    chest = turns.get(_last(TRUNK, target_body), turns["hips"])
    facing = quat.from_yaw(rest_facing(target, target_body) - rest_facing(source, body))
    seen = [_to_shoulder(source, body, side), _to_shoulder(target, target_body, side)]
    if not seen[0].any() or not seen[1].any():
        return None
    return quat.between(quat.rotate(quat.mul(chest, facing), seen[0]), seen[1])


def has_same_bones(source: Skeleton, target: Skeleton) -> bool:
    """Whether both are one skeleton, of one size or another, whatever pose either rests in.

    Joints have the same names and parents, and lie in their parent's axes alike.
    """
    if (source.names, source.parents) != (target.names, target.parents):
        return False
    inner = [joint for joint, parent in enumerate(source.parents) if parent >= 0 and _is_fixed(source, joint)]
    ours, theirs = (one.reference_translation[inner] for one in (source, target))
    sizes = np.linalg.norm(ours, axis=-1).sum(), np.linalg.norm(theirs, axis=-1).sum()
    if not all(sizes):
        return False
    misfit = np.linalg.norm(theirs / sizes[1] - ours / sizes[0], axis=-1) * len(inner)
    return bool(misfit.max() < _MAX_MISFIT_SHARE)


def _is_fixed(skeleton: Skeleton, joint: int) -> bool:
    """Whether a joint hangs below one with another child: what stands above the body may rest anywhere."""
    return any(len(skeleton.children[above]) > 1 for above in skeleton.path_to(joint)[:-1])


def trunk_end(body: BodyMap) -> tuple[int, ...]:
    """The joints whose middle is the upper end of the trunk: the neck, the head, or both shoulders."""
    for part in NECK:
        if part in body.joints:
            return (body.require(part),)
    for part in ("Shoulder", "UpperArm"):
        if all(side + part in body.joints for side in SIDES):
            return tuple(body.require(side + part) for side in SIDES)
    return ()


def _last(parts: Sequence[str], body: BodyMap) -> str:
    """The last of some parts that is mapped, or ""."""
    return next((part for part in reversed(parts) if part in body.joints), "")


def _carried(part: str, body: BodyMap) -> tuple[str, ...]:
    """The parts that are rigid on one of hips, chest and head; none on others."""
    if part == "hips":
        return "leftUpperLeg", "rightUpperLeg", TRUNK[0]
    if part == "head":
        return "jaw", "leftEye", "rightEye"
    if part == _last(TRUNK, body):
        arms = "Shoulder" if "leftShoulder" in body.joints else "UpperArm"
        return f"left{arms}", f"right{arms}", *NECK
    return ()


def _rigid_points(
    skeleton: Skeleton, body: BodyMap, part: str, carried: Sequence[str], with_joint: bool
) -> Array:
    """Points (N, 3) that the joint of a part carries at rest, with itself or without, about their middle."""
    at, joint = skeleton.reference_model[1], body.require(part)
    points = [at[joint]] * with_joint + [at[body.require(name)] for name in carried]
    if part == "head":
        points += list(skeleton.reference_tips[np.asarray(skeleton.tip_joints, np.intp) == joint])
    elif set(NECK) <= set(carried):
        points.pop()  # the head hangs on the neck, not on the chest
    return np.asarray(points - np.mean(points, axis=0)) if len(points) > 2 else np.zeros((0, 3))


def _named_points(skeleton: Skeleton, joint: int, other: Skeleton, other_joint: int) -> tuple[Array, Array]:
    """A joint and those on it that have one name on both (N, 3), at rest, about their middle."""
    names = [skeleton.names[j] for j in skeleton.children[joint]]
    theirs = {other.names[j]: j for j in other.children[other_joint]}
    shared = [name for name in names if name in theirs]
    ours = skeleton.reference_model[1][[joint, *(skeleton.index(name) for name in shared)]]
    others = other.reference_model[1][[other_joint, *(theirs[name] for name in shared)]]
    return ours - ours.mean(axis=0), others - others.mean(axis=0)


def _aligned(ours: Array, theirs: Array) -> Array | None:
    """The turn (4,) from points (N, 3) onto others that have the same shape; None where they have not.

    Source: Kabsch, Acta Crystallographica A 32, 1976.
    """
    sizes = np.linalg.norm(ours), np.linalg.norm(theirs)
    if len(ours) < 3 or not all(sizes):
        return None
    ours, theirs = ours / sizes[0], theirs / sizes[1]
    u, spread, v = np.linalg.svd(ours.T @ theirs)
    if spread[1] < _MIN_WIDTH_SHARE:
        return None
    mirror = np.diag([1.0, 1.0, np.sign(np.linalg.det(v.T @ u.T))])
    turn = v.T @ mirror @ u.T
    if np.linalg.norm(ours @ turn.T - theirs, axis=-1).max() > _MAX_MISFIT_SHARE:
        return None
    return quat.from_matrix(turn)


def _line(skeleton: Skeleton, body: BodyMap, part: str) -> Array:
    """The direction at rest (3,) across the hips or of a bone of the column; 0 where nothing shows it."""
    at, joint = skeleton.reference_model[1], body.require(part)
    if part == "hips":
        return np.asarray(at[body.require("leftUpperLeg")] - at[body.require("rightUpperLeg")])
    ends = [body.require(p) for p in _COLUMN[_COLUMN.index(part) + 1 :] if p in body.joints][:1]
    points = at[ends]
    if not ends:
        points = skeleton.reference_tips[np.asarray(skeleton.tip_joints, np.intp) == joint]
    away = points.mean(axis=0) - at[joint] if len(points) else np.zeros(3)
    return away if np.linalg.norm(away) > 1e-4 * skeleton.height else np.zeros(3)


def _collar_begin(skeleton: Skeleton, body: BodyMap, side: str) -> Array:
    """Where a collar bone begins at rest, from the trunk's upper end (3,), in trunk lengths."""
    at, end = skeleton.reference_model[1], trunk_end(body)
    middle = at[[body.require(f"{side}UpperLeg") for side in SIDES]].mean(axis=0)
    top = at[list(end)].mean(axis=0) if end else middle
    away = at[body.require(f"{side}Shoulder")] - top
    return np.asarray(away / max(float(np.linalg.norm(top - middle)), 1e-9))


def _to_shoulder(skeleton: Skeleton, body: BodyMap, side: str) -> Array:
    """Where a collar bone leads at rest (3,); 0 without an arm."""
    arm, at = body.get(f"{side}UpperArm"), skeleton.reference_model[1]
    return np.zeros(3) if arm is None else np.asarray(at[arm] - at[body.require(f"{side}Shoulder")])
