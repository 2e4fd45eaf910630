"""A standing pose made neutral: upright, legs and arms straight down, feet flat.

What is left of the frame that it was made from are the curve of the spine, the collar bones, and how feet
and hands point.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np

from ..base.checks import Array
from ..maths import kinematics, quat
from .body_parts import SIDES, BodyMap
from .skeleton import Reference, Skeleton
from .upright import top_joints

UP = np.array([0.0, 0.0, 1.0])  # Z, as Blender has it
# Both chosen by eye.
_HEEL_BACK_SHARE = 0.25  # a heel lies behind this share of the line from the ankle to the toes ...
_ANKLE_OVER_SHARE = 0.1  # ... and the ankle so high over the line from it to the toes
_LEVEL_RAD = 1e-6  # off by less is rounding
_TRUNK = ("spine", "chest", "upperChest")
_LEG, _ARM = ("UpperLeg", "LowerLeg", "Foot"), ("UpperArm", "LowerArm", "Hand")


@dataclass(frozen=True)
class Habits:
    """What a take shows of a body, by joint.

    Attributes:
        level: foot -> the direction (3,) in its space that points up while it lies flat. Feet are built
            alike: one that never lies flat is levelled as the other one.
        below: joint below a foot -> its local rotation (4,) meanwhile.
        bends: upper bone -> the direction (3,) in its space to which the bone below it bends.
    """

    level: Mapping[int, Array]
    below: Mapping[int, Array]
    bends: Mapping[int, Array]


def neutral(skeleton: Skeleton, body: BodyMap, habits: Habits, feet_only: bool = False) -> Reference:
    """The skeleton's reference pose, made neutral; with `feet_only` nothing but its feet."""
    pose = skeleton.reference
    assert pose is not None
    work = _Pose(skeleton, pose.rotation.copy(), pose.translation)
    if not feet_only:
        _stand_up(work, body)
        for side in SIDES:
            _hang(work, body, [side + part for part in _LEG], habits, forward=False)
            _hang(work, body, [side + part for part in _ARM], habits, forward=True)
    for foot in habits.level:
        for joint in skeleton.subtree(foot)[1:].tolist():
            if joint in habits.below:
                work.put(joint, habits.below[joint])
    for foot, now in _levels(work, body, habits).items():
        if _between(now, UP) > _LEVEL_RAD:
            work.turn(foot, quat.between(now, UP))
        if not feet_only:
            _point_ahead(work, body, foot)
    return replace(pose, rotation=work.rotation)


def _point_ahead(work: _Pose, body: BodyMap, foot: int) -> None:
    """Turn a level foot until it points where the body faces."""
    model, at = work.model()
    ahead = np.cross(at[body.require("leftUpperLeg")] - at[body.require("rightUpperLeg")], UP)
    line = _ankle_to_toes(work.skeleton, model, at, foot)
    if min(np.linalg.norm(ahead), np.linalg.norm(line[:2])) > 1e-9:
        turn = np.arctan2(line[0] * ahead[1] - line[1] * ahead[0], line[:2] @ ahead[:2])
        work.turn(foot, quat.from_yaw(turn))


def _levels(work: _Pose, body: BodyMap, habits: Habits) -> dict[int, Array]:
    """Foot -> the direction (3,) in model space that is to point up."""
    model, at = work.model()
    feet = [body.require(part) for part in body.feet]
    shown = {foot: quat.rotate(model[foot], habits.level[foot]) for foot in feet if foot in habits.level}
    out = _pitched_alike(shown, {foot: _ankle_to_toes(work.skeleton, model, at, foot) for foot in shown})
    for foot in feet:
        up = _over_sole(at[foot], _foot_ends(work.skeleton, model, at, foot))
        if up is not None:
            out[foot] = up
    for foot, other in zip(feet, reversed(feet), strict=True):
        if foot not in out and other in out:
            lines = [_ankle_to_toes(work.skeleton, model, at, one) for one in (other, foot)]
            if all(np.linalg.norm(line) > 0 for line in lines):
                pitch = np.pi / 2 - _between(lines[0], out[other])
                ahead = lines[1] * np.array([1.0, 1.0, 0.0])
                across = np.cross(ahead, UP) if np.linalg.norm(ahead) > 0 else np.array([1.0, 0.0, 0.0])
                across /= np.linalg.norm(across)
                up = np.cross(across, lines[1] / np.linalg.norm(lines[1]))
                # Up from the line to the toes by a right angle less the pitch.
                out[foot] = quat.rotate(quat.from_axis_angle(across, -pitch), up)
    return out


def _pitched_alike(levels: Mapping[int, Array], lines: Mapping[int, Array]) -> dict[int, Array]:
    """What points up (3,) of each foot, pitched against its line (3,) to the toes as on average of both feet.

    So feet whose sensors were exchanged, or one that is off, still show.
    """
    along = {
        foot: line / length for foot, line in lines.items() if (length := float(np.linalg.norm(line))) > 0
    }
    if len(along) < 2:
        return dict(levels)
    pitch = np.mean([_between(along[foot], levels[foot]) for foot in along])
    out = dict(levels)
    for foot, line in along.items():
        across = levels[foot] - line * (line @ levels[foot])
        if (size := float(np.linalg.norm(across))) > 0:
            out[foot] = np.cos(pitch) * line + np.sin(pitch) * across / size
    return out


def _over_sole(ankle: Array, ends: list[Array]) -> Array | None:
    """Up (3,) from the line between heel and toes, where a foot has both ends; None where it has not.

    The ankle lies over that line, so that a foot does not lean to a side.
    """
    if len(ends) < 2:
        return None
    toe = max(ends, key=lambda end: float(np.linalg.norm(end - ankle)))
    ahead = toe - ankle
    length = float(np.linalg.norm(ahead))
    if not length:
        return None
    back = [end for end in ends if (end - ankle) @ ahead < _HEEL_BACK_SHARE * length**2]
    if not back:
        return None
    heel = min(back, key=lambda end: float((end - ankle) @ ahead))
    along = toe - heel
    up = (ankle - heel) - along * ((ankle - heel) @ along) / (along @ along)
    size = float(np.linalg.norm(up))
    return up / size if size > _ANKLE_OVER_SHARE * length else None


def _foot_ends(skeleton: Skeleton, model: Array, at: Array, foot: int) -> list[Array]:
    """Joints and tips (3,) below an ankle, in model space."""
    below = skeleton.subtree(foot).tolist()
    return [at[joint] for joint in below[1:]] + [
        at[joint] + quat.rotate(model[joint], tip)
        for joint, tip in zip(skeleton.tip_joints, skeleton.tip_offsets, strict=True)
        if joint in below
    ]


def _ankle_to_toes(skeleton: Skeleton, model: Array, at: Array, foot: int) -> Array:
    """From an ankle to the farthest point (3,) of its foot, in model space."""
    lines = [end - at[foot] for end in _foot_ends(skeleton, model, at, foot)]
    return max(lines, key=lambda line: float(np.linalg.norm(line)), default=np.zeros(3))


@dataclass
class _Pose:
    """A pose that is being bent: local rotations (J, 4) and translations (J, 3)."""

    skeleton: Skeleton
    rotation: Array
    translation: Array

    _model: tuple[Array, Array] | None = None

    def model(self) -> tuple[Array, Array]:
        if self._model is None:
            self._model = kinematics.model_from_local(self.skeleton.parents, self.rotation, self.translation)
        return self._model

    def turn(self, joint: int, turn: Array) -> None:
        """Turn a joint with all below it by a model-space rotation (4,)."""
        parent = self.skeleton.parents[joint]
        if parent >= 0:
            above = self.model()[0][parent]
            turn = quat.mul(quat.mul(quat.inv(above), turn), above)
        self.put(joint, quat.mul(turn, self.rotation[joint]))

    def put(self, joint: int, local: Array) -> None:
        """Give a joint another local rotation (4,)."""
        self.rotation[joint] = local
        self._model = None


def _between(u: Array, v: Array) -> float:
    """The angle between two vectors (3,), radians."""
    return float(np.arctan2(np.linalg.norm(np.cross(u, v)), u @ v))


def _stand_up(work: _Pose, body: BodyMap) -> None:
    """Turn the body until its trunk is vertical and its hips are level; a root that carries it stays."""
    at = work.model()[1]
    left, right = (at[body.require(f"{side}UpperLeg")] for side in SIDES)
    top = top_joints(body)
    root = _carrier(work.skeleton, [body.require(f"{side}UpperLeg") for side in SIDES] + top)
    if top:
        trunk = at[top].mean(axis=0) - (left + right) / 2
        work.turn(root, quat.between(trunk, UP))
        at = work.model()[1]
        left, right = (at[body.require(f"{side}UpperLeg")] for side in SIDES)
    across = left - right
    flat = across * np.array([1.0, 1.0, 0.0])
    if np.linalg.norm(flat) > 0:
        work.turn(root, quat.between(across, flat))
    _untwist(work, body)


def _carrier(skeleton: Skeleton, joints: list[int]) -> int:
    """The lowest joint that all of some joints hang from."""
    paths = [skeleton.path_to(joint)[:-1] or (joint,) for joint in joints]
    shared = (joint for joint in reversed(paths[0]) if all(joint in path for path in paths))
    return next(shared, paths[0][0])


def _untwist(work: _Pose, body: BodyMap) -> None:
    """Turn the trunk on the hips until the line of the shoulders lies along that of the hips."""
    parts = ("UpperArm", "UpperLeg")
    trunk = next((body.joints[part] for part in _TRUNK if part in body.joints), None)
    if trunk is None or any(side + part not in body.joints for side in SIDES for part in parts):
        return
    at = work.model()[1]
    arms, legs = (at[body.require(f"left{part}")] - at[body.require(f"right{part}")] for part in parts)
    if min(np.linalg.norm(arms), np.linalg.norm(legs)) > 0:
        work.turn(trunk, quat.between(arms, legs))


def _hang(work: _Pose, body: BodyMap, parts: list[str], habits: Habits, forward: bool) -> None:
    """Let a limb hang straight down, its hinge where it bends forward, else where it bends backward."""
    joints = [body.get(part) for part in parts]
    if joints[0] is None or joints[1] is None or joints[2] is None:
        return
    upper, middle, end = (joint for joint in joints if joint is not None)
    at = work.model()[1]
    bone = at[middle] - at[upper]
    if not np.linalg.norm(bone) or not np.linalg.norm(at[end] - at[middle]):
        return
    work.turn(upper, quat.between(bone, -UP))
    at = work.model()[1]
    work.turn(middle, quat.between(at[end] - at[middle], at[middle] - at[upper]))
    if upper in habits.bends:
        model, at = work.model()
        left, right = (at[body.require(f"{side}UpperLeg")] for side in SIDES)
        ahead = np.cross(left - right, UP)
        bone = at[middle] - at[upper]
        bone /= np.linalg.norm(bone)
        now, wanted = quat.rotate(model[upper], habits.bends[upper]), ahead if forward else -ahead
        now, wanted = now - bone * (now @ bone), wanted - bone * (wanted @ bone)
        if min(np.linalg.norm(now), np.linalg.norm(wanted)) > 1e-9:
            away = np.arctan2(np.cross(now, wanted) @ bone, now @ wanted)
            work.turn(upper, quat.from_axis_angle(bone, away))
    tip = _hand_end(work, end)
    if parts[2].endswith("Hand") and tip is not None:
        at = work.model()[1]
        work.turn(end, quat.between(tip, at[end] - at[middle]))


def _hand_end(work: _Pose, hand: int) -> Array | None:
    """The vector (3,) from a wrist to the middle of what hangs on it; None where nothing does."""
    model, at = work.model()
    skeleton = work.skeleton
    tips = [k for k, joint in enumerate(skeleton.tip_joints) if joint == hand]
    ends = [at[child] for child in skeleton.children[hand]]
    ends += [at[hand] + quat.rotate(model[hand], skeleton.tip_offsets[k]) for k in tips]
    if not ends:
        return None
    reach = np.mean(ends, axis=0) - at[hand]
    return reach if np.linalg.norm(reach) > 1e-9 else None
