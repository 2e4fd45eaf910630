"""Trunk, neck and tail of a fit, however many joints either skeleton has in them.

The target's trunk and neck lie along the performer's: each bone leads where the stretch of the performer's
column that it stands for leads, so that shoulders and head arrive where the performer's do. The turn about
the column is spread over its joints.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from ..base.checks import Array
from ..body.body_map import BodyMap, rest_facing
from ..body.posed import Posed
from ..body.skeleton import Skeleton
from ..maths import quat
from .rest_match import NECK, TRUNK, RestMatch, trunk_end

_HIP_JOINTS = ("leftUpperLeg", "rightUpperLeg")
# Of a column's length, by which joints of two columns may lie apart and still move as one.
_SAME_PLACE = 0.025
_MIN_BONE_SHARE = 1e-4  # of the body's height: shorter bones lead nowhere
# Of a column's length, over which a joint of the performer's bends more joints of the target's, to both
# sides. Trial: 30 degrees at one joint, on five: at 0 one of them bends by 30, at 0.1 by 19 and the neck is 4
# mm off, at 0.2 by 12 and the neck is 7 mm off.
_SOFT_SHARE = 0.1


@dataclass(frozen=True)
class _Column:
    """A chain of joints that one bone after the other leads along.

    Attributes:
        joints: (N,) all joints from the one that carries the column to the last mapped one.
        mapped: (M,) those that play parts.
        start: the joints whose middle is the column's lower end.
        end: the joints whose middle is its upper end; none where the last bone's end is not known.
    """

    skeleton: Skeleton
    joints: tuple[int, ...]
    mapped: tuple[int, ...]
    start: tuple[int, ...]
    end: tuple[int, ...]

    def points(self, at: Callable[[int], Array]) -> list[Array]:
        """Its P points (..., 3), by where each joint is (..., 3)."""
        inner = [at(joint) for joint in self.joints[1:]]
        ends = [
            np.mean([at(joint) for joint in joints], axis=0) for joints in (self.start, self.end) if joints
        ]
        return [ends[0], *inner, *ends[1:]]

    def places(self, points: Sequence[Array]) -> Array:
        """How far along it points (N, 3) of it lie at rest, 0 to 1."""
        steps = np.linalg.norm(np.diff(np.array(points), axis=0), axis=-1)
        along = np.concatenate([[0.0], np.cumsum(np.maximum(steps, 1e-6 * self.skeleton.height))])
        return np.asarray(along / along[-1])


def fit_columns(
    source: Posed, body: BodyMap, target: Skeleton, target_body: BodyMap, rests: RestMatch
) -> dict[int, Array]:
    """Target joint of trunk, neck or tail -> its rotation (F, 4) in model space."""
    skeleton = source.motion.skeleton
    facing = tuple(
        quat.from_yaw(rest_facing(one, parts)) for one, parts in ((skeleton, body), (target, target_body))
    )
    out: dict[int, Array] = {}
    neck = "neck" in body.joints and "neck" in target_body.joints
    theirs = _columns(target, target_body, neck)
    for name, ours in _columns(skeleton, body, neck).items():
        if len(ours.mapped) > 1 and len(theirs[name].mapped) > 1:
            turns = {j: turn for p, turn in rests.turns.items() if (j := target_body.get(p)) is not None}
            out |= _fit_column(ours, source, theirs[name], (facing[0], facing[1]), turns, rests.matches)
    return out


def _columns(skeleton: Skeleton, body: BodyMap, neck_alone: bool) -> dict[str, _Column]:
    """Trunk, neck and tail, each from the joint that carries it; a neck that both have, from its joint."""
    hips = body.require("hips")
    trunk, neck = ([j for part in parts if (j := body.get(part)) is not None] for parts in (TRUNK, NECK))
    legs = tuple(body.require(part) for part in _HIP_JOINTS)
    top = (trunk or [hips])[-1]
    mapped = {
        "trunk": ((hips, *trunk), legs, trunk_end(body)),
        "neck": ((top, *neck), (neck[0] if neck_alone else top,), ()),
        "tail": ((hips, *body.chain("tail")), (hips,), ()),
    }
    return {
        name: _Column(skeleton, _chain(skeleton, joints), joints, start, end)
        for name, (joints, start, end) in mapped.items()
    }


def _chain(skeleton: Skeleton, mapped: Sequence[int]) -> tuple[int, ...]:
    """All joints (N,) from the first to the last mapped one."""
    path = skeleton.path_to(mapped[-1])
    return path[path.index(mapped[0]) :] if set(mapped) <= set(path) else tuple(mapped)


def _fit_column(
    ours: _Column,
    source: Posed,
    theirs: _Column,
    facing: tuple[Array, Array],
    rest_turns: Mapping[int, Array],
    matches: bool,
) -> dict[int, Array]:
    """Target joint of one column -> its rotation (F, 4) in model space.

    `rest_turns` are those of target joints whose rest is known beside the performer's; where posture
    `matches`, the rest of others is compared by their bones.
    """
    (rest_q, rest_p), theirs_rest = ours.skeleton.reference_model, theirs.skeleton.reference_model
    turns = [quat.mul(source.at(j)[0], quat.mul(quat.inv(rest_q[j]), facing[0])) for j in ours.joints]
    posed = ours.points(lambda joint: source.at(joint)[1])
    rest, shape = ours.points(rest_p.__getitem__), theirs.points(theirs_rest[1].__getitem__)
    if bool(ours.end) != bool(theirs.end):
        posed, rest, shape = (
            points[: len(one.joints)] for points, one in ((posed, ours), (rest, ours), (shape, theirs))
        )
    course, ends = ours.places(rest), theirs.places(shape)
    places, wanted = (
        places[: len(one.joints)] / places[len(one.joints) - 1]
        for places, one in ((course, ours), (ends, theirs))
    )
    alike = len(course) == len(ends) and np.abs(course - ends).max() < _SAME_PLACE
    if alike:
        wanted, ends = places, course
    soft = _SOFT_SHARE if len(ends) > len(course) else 0.0
    laid = [_soft_along(rest, course, place, soft) for place in ends]
    back, forth = quat.inv(facing[0]), quat.mul(facing[1], quat.inv(facing[0]))
    reached = posed[0] + quat.rotate(turns[0], quat.rotate(back, laid[1] - rest[0]))
    between = _turns_at(turns, places, wanted)
    out: dict[int, Array] = {}
    for k, joint in enumerate(theirs.joints[1:], 1):
        turn, beyond = between[k], rest_turns.get(joint)
        if (
            k + 1 < len(laid)
            and np.linalg.norm(laid[k + 1] - laid[k]) > _MIN_BONE_SHARE * ours.skeleton.height
        ):
            if not alike:
                bone = quat.rotate(turn, quat.rotate(back, laid[k + 1] - laid[k]))
                aim = _soft_along(posed, course, ends[k + 1], soft) - reached
                swing = quat.between(bone, aim + 1e-9 * bone)
                turn, reached = quat.mul(swing, turn), reached + quat.rotate(swing, bone)
            if matches and beyond is None:
                beyond = quat.between(quat.rotate(forth, laid[k + 1] - laid[k]), shape[k + 1] - shape[k])
        there = facing[1] if beyond is None else quat.mul(beyond, facing[1])
        out[joint] = quat.mul(turn, quat.mul(quat.inv(there), theirs_rest[0][joint]))
    return out


def _turns_at(turns: Sequence[Array], places: Array, wanted: Array) -> list[Array]:
    """The turns (F, 4) at W places along a column, between those of its joints."""
    steps: dict[int, Array] = {}
    out = []
    for place in wanted:
        low = min(int(np.searchsorted(places, place, side="right")) - 1, len(places) - 2)
        part = (place - places[low]) / (places[low + 1] - places[low])
        if part in (0.0, 1.0):
            out.append(turns[low + int(part)])
            continue
        if low not in steps:
            steps[low] = quat.log(quat.mul(quat.inv(turns[low]), turns[low + 1]))
        out.append(quat.mul(turns[low], quat.exp(part * steps[low])))
    return out


def _along(points: Sequence[Array], places: Array, place: float) -> Array:
    """The point (..., 3) at a place along a column, on the lines between its points."""
    low = min(int(np.searchsorted(places, place, side="right")) - 1, len(places) - 2)
    part = (place - places[low]) / (places[low + 1] - places[low])
    return np.asarray(points[low] + part * (points[low + 1] - points[low]))


def _soft_along(points: Sequence[Array], places: Array, place: float, reach: float) -> Array:
    """The same with the corners cut, by what lies up to `reach` of the column before and after.

    Both ends stay where they are.
    """
    length = places[-1]
    reach = min(reach * length, place, length - place)
    if reach <= 0:
        return _along(points, places, place)
    before, after = (_along(points, places, place + side * reach) for side in (-1, 1))
    return np.asarray(0.5 * _along(points, places, place) + 0.25 * (before + after))
