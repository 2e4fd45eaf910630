"""Open motions between two T poses, 60 frames a second: takes as a session with a suit records them."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cache
from pathlib import Path

import numpy as np
from scipy.interpolate import CubicSpline

import open_data
from takemill.base.checks import Array
from takemill.body.body_map import BodyMap, find_body_map, heading
from takemill.body.body_parts import SIDES
from takemill.body.motion import Motion
from takemill.body.rest_frames import rest_axes
from takemill.files.bvh import read_bvh
from takemill.maths import quat

RATE = 60.0
HELD_S, EASED_S = 1.0, 1.0
_HANG_RAD = np.radians(10.0)
_JOINED_S = 0.6  # from the last pose of one motion to the first of the next

# Name -> the motions of the pybullet wheel that follow each other, and how often each is repeated.
MEDLEYS: dict[str, tuple[tuple[str, int], ...]] = {
    "walk": (("walk", 12),),
    "run": (("run", 15),),
    "dance": (("dance_a", 5), ("dance_b", 4)),
    "fight": (("punch", 1), ("kick", 1), ("spinkick", 1), ("punch", 1), ("kick", 1), ("punch", 1)),
    "mixed": (("walk", 5), ("punch", 1), ("dance_b", 3), ("run", 6), ("kick", 1), ("walk", 5)),
}
NAMES = (*MEDLEYS, "bank")


@dataclass(frozen=True)
class SuitTake:
    """A take between two T poses.

    Attributes:
        motion: the truth.
        body: its body map.
        start, stop: the frames [start, stop) between the poses, ways in and out included.
    """

    motion: Motion
    body: BodyMap
    start: int
    stop: int

    @property
    def inner(self) -> slice:
        return slice(self.start, self.stop)

    def posed_at(self, first: bool, last: bool) -> SuitTake:
        """The take with the poses at some of its ends alone."""
        begin, end = 0 if first else self.start, len(self.motion) if last else self.stop
        return replace(
            self, motion=self.motion.slice(begin, end), start=self.start - begin, stop=self.stop - begin
        )


@cache
def suit_take(name: str) -> SuitTake:
    """One of NAMES: a medley of the pybullet wheel, or the longer file of the bvhtoolbox distribution."""
    if name == "bank":
        return between_poses(splined(read_bvh(open_data.bvh_files()[1])[0]))
    return between_poses(joined([repeated(*one) for one in MEDLEYS[name]]))


def file_take(path: Path) -> SuitTake:
    """A BVH file between two T poses."""
    return between_poses(splined(read_bvh(path)[0]))


def repeated(name: str, count: int) -> Motion:
    motion, wraps = open_data.humanoid3d(name)
    return splined(open_data.repeated(motion, count) if wraps and count > 1 else motion)


def splined(motion: Motion) -> Motion:
    """A motion at 60 frames a second, by cubic splines if it had fewer."""
    if motion.rate > RATE - 1e-6:
        return motion.resampled(RATE)
    old = np.arange(len(motion)) / motion.rate
    new = np.arange(int(old[-1] * RATE + 1e-6) + 1) / RATE
    rotations = quat.normalize(CubicSpline(old, motion.rotations, axis=0)(new))
    return Motion(motion.skeleton, RATE, rotations, CubicSpline(old, motion.root_translation, axis=0)(new))


def joined(motions: list[Motion]) -> Motion:
    """Motions of one skeleton one after the other, each turned and shifted to go on where the last ended."""
    body = find_body_map(motions[0].skeleton)
    rotations, path = motions[0].rotations, motions[0].root_translation
    for motion in motions[1:]:
        last = Motion(motion.skeleton, RATE, rotations[-1:], path[-1:])
        turn = quat.from_yaw(heading(last, body)[0] - heading(motion.slice(0, 1), body)[0])
        spot = path[-1] * [1, 1, 0] - quat.rotate(turn, motion.root_translation[0] * [1, 1, 0])
        local = motion.rotations.copy()
        local[:, 0] = quat.mul(turn, local[:, 0])
        moved = quat.rotate(turn, motion.root_translation) + spot
        between = _eased((rotations[-1], path[-1]), (local[0], moved[0]), _JOINED_S)
        rotations = np.concatenate([rotations, between[0], local])
        path = np.concatenate([path, between[1], moved])
    return Motion(motions[0].skeleton, RATE, rotations, path)


def _eased(one: tuple[Array, Array], other: tuple[Array, Array], seconds: float) -> tuple[Array, Array]:
    """Poses (N, J, 4) and places (N, 3) between two, starting and ending at rest."""
    part = (np.arange(1, round(seconds * RATE)) / round(seconds * RATE))[:, None]
    part = part**3 * (10 - 15 * part + 6 * part**2)
    return quat.slerp(one[0], other[0], part), one[1] + part * (other[1] - one[1])


def t_pose(motion: Motion, body: BodyMap, facing: float, hang: bool = False) -> Array:
    """Local rotations (J, 4) of a T pose that faces a heading: upright, arms and legs straight, palms down.

    Or of a body with arms that `hang`, 10 degrees off the trunk.

    Each arm's bones swing the shortest way from where they point at rest to level, unless they are within 10
    degrees of it; hands go with them, legs as at rest.
    """
    skeleton = motion.skeleton
    axes, rest = rest_axes(skeleton, body), skeleton.reference_model[0]
    left = quat.rotate(quat.from_yaw(axes.facing), np.array([1.0, 0.0, 0.0]))
    model = rest.copy()
    arms = [skeleton.subtree(body.require(f"{side}UpperArm")) for side in SIDES]
    for side, aside, below in zip(SIDES, (1, -1), arms, strict=True):
        swing, aim = quat.IDENTITY, aside * left
        if hang:
            aim = np.sin(_HANG_RAD) * aim - [0.0, 0.0, np.cos(_HANG_RAD)]
        for joint in below:
            part = body.part_of(int(joint))
            if part in (side + "UpperArm", side + "LowerArm"):
                far = axes.directions[part] @ aim < np.cos(np.radians(10.0))
                swing = quat.between(axes.directions[part], aim) if far else swing
            model[joint] = quat.mul(swing, rest[joint])
    local = np.empty_like(model)
    for joint, parent in enumerate(skeleton.parents):
        local[joint] = quat.mul(quat.inv(model[parent]), model[joint]) if parent >= 0 else model[joint]
    local[0] = quat.mul(quat.from_yaw(facing - axes.facing), local[0])
    return local


def between_poses(motion: Motion, hang: tuple[bool, bool] = (False, False)) -> SuitTake:
    """A motion between two T poses of a second, eased into and out of for a second; or arms that `hang`."""
    body = find_body_map(motion.skeleton)
    facing = heading(motion, body)
    held, whole = round(HELD_S * RATE), [(motion.rotations, motion.root_translation)]
    tall = float(np.median(motion.root_translation[:, 2]))
    for at in (0, -1):
        pose = t_pose(motion, body, float(facing[at]), hang[at])
        place = motion.root_translation[at] * [1, 1, 0] + [0, 0, tall]
        still = np.tile(pose, (held, 1, 1)), np.tile(place, (held, 1))
        moving = motion.rotations[at], motion.root_translation[at]
        if at == 0:
            whole = [still, _eased((pose, place), moving, EASED_S), *whole]
        else:
            whole = [*whole, _eased(moving, (pose, place), EASED_S), still]
    rotations, path = (np.concatenate(part) for part in zip(*whole, strict=True))
    rotations = quat.continuous(rotations)
    out = Motion(motion.skeleton, RATE, rotations, path)
    return SuitTake(out, body, held, len(out) - held)
