"""Clips that lead into each other: ends blended onto a neutral pose, calm stretches joined to one."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np

from ..base.checks import Array, expect_positive
from ..base.errors import InputError
from ..body import body_map
from ..body.body_map import BodyMap
from ..body.motion import Motion
from ..feet.soles import foot_points
from ..maths import quat
from ..maths.easing import minimum_jerk
from .clouds import cloud, main_joints, positions_at
from .root_motion import RootMotion, put_root_at_rest, with_root_motion

# Eighths of a blend to both sides that are compared too, so that the speeds are alike (chosen by eye).
_COMPARED_EIGHTHS = 2


def blend_ends(
    motion: Motion, body: BodyMap, neutral: Motion, start_s: float = 0.2, end_s: float = 0.2
) -> Motion:
    """A one-shot that starts and ends at rest in the neutral pose, where it stands then.

    Within `start_s` the neutral pose goes over into the motion, within `end_s` the motion into the neutral
    pose; pose and speed are the neutral pose's at the very ends. The heading of the clip's own ends stays,
    and the place of its feet, so that they slide as little as the two stances differ.

    Args:
        motion: the one-shot.
        body: of its skeleton.
        neutral: its first frame is the neutral pose; the same skeleton.
        start_s: length of the blend at the start, seconds; 0 leaves the start alone.
        end_s: the same at the end.

    Raises:
        InputError: other joints, a negative length, or blends that overlap.
    """
    if neutral.skeleton.names != motion.skeleton.names:
        raise InputError("the neutral pose has other joints than the clip")
    if min(start_s, end_s) < 0:
        raise InputError(f"blends: expected lengths of 0 or more, got {start_s:g} s and {end_s:g} s")
    motion = put_root_at_rest(motion, body)
    last = len(motion) - 1
    if (start_s + end_s) * motion.rate > last + 1e-9:
        raise InputError(f"the blends of {start_s:g} s and {end_s:g} s do not fit {motion.duration_s:.2f} s")
    for frame, length_s in ((0, start_s), (last, end_s)):
        if length_s > 0:
            pose = _place_feet(neutral.slice(0, 1), motion.slice(frame, frame + 1), body)
            away = np.abs(np.arange(last + 1.0) - frame) / (length_s * motion.rate)
            motion = mix(motion, _hold_pose(pose, last + 1, motion.rate), minimum_jerk(1 - away))
    return motion


@dataclass(frozen=True)
class Join:
    """Where one stretch goes over into the next, within `frames` of each.

    Attributes:
        leave: the frame of the one at which that begins.
        enter: the frame of the next that it begins with.
        frames: how long it takes.
    """

    leave: int
    enter: int
    frames: int

    @property
    def share(self) -> Array:
        """How much the next one counts (N,), from the first of these frames to the one behind the last."""
        return minimum_jerk(np.linspace(0, 1, self.frames + 1))


def find_joins(parts: Sequence[Motion], body: BodyMap, blend_s: float = 0.5) -> tuple[Join, ...]:
    """Where several stretches are joined to one: N - 1 joins of N stretches.

    Every join lies where the two stretches are most alike within the last part of the one and the first part
    of the other (up to a third of each).

    Raises:
        InputError: nothing to join, other joints or rates, or a stretch shorter than three blends.
    """
    expect_positive(blend_s, "blend_s")
    if not parts:
        raise InputError("there are no stretches to join")
    first = parts[0]
    for part in parts:
        if part.skeleton.names != first.skeleton.names or part.rate != first.rate:
            raise InputError("stretches to be joined must have the same joints and rate")
        if len(parts) > 1 and part.duration_s < 3 * blend_s:
            raise InputError(f"a stretch of {part.duration_s:.2f} s is too short for blends of {blend_s:g} s")
    blend = max(1, round(blend_s * first.rate))
    return tuple(_find_join(a, b, body, blend) for a, b in pairwise(parts))


def join_stretches(parts: Sequence[Motion], body: BodyMap, joins: Sequence[Join] | None = None) -> Motion:
    """Several stretches as one, each going on where and as the one before ended; finds joins if not given.

    Raises:
        InputError: as `find_joins`.
    """
    joins = find_joins(parts, body) if joins is None else joins
    joined, begin = (
        put_root_at_rest(parts[0], body),
        0,
    )  # the frame at which the last stretch's first would be
    for part, join in zip(parts[1:], joins, strict=True):
        out, behind = begin + join.leave, join.enter + join.frames + 1
        # The second stretch is laid onto the first where the blend is half done.
        middle = join.frames // 2
        over = _lay_onto(part, join.enter + middle, joined, out + middle, body)
        mixed = mix(joined.slice(out, out + join.frames + 1), over.slice(join.enter, behind), join.share)
        begin = out - join.enter
        joined = _concatenate(joined.slice(0, out), mixed) if out else mixed
        joined = _concatenate(joined, over.slice(behind, len(over)))
    return joined


def join_tracks(parts: Sequence[Array], joins: Sequence[Join]) -> Array:
    """What goes along with the stretches, as weights of a face (Fk, W), joined as they are: (F, W)."""
    joined, begin = np.asarray(parts[0]), 0
    for part, join in zip(parts[1:], joins, strict=True):
        out, behind = begin + join.leave, join.enter + join.frames + 1
        share = join.share[:, None]
        mixed = joined[out : out + join.frames + 1] * (1 - share) + part[join.enter : behind] * share
        begin = out - join.enter
        joined = np.concatenate([joined[:out], mixed, part[behind:]])
    return joined


def _find_join(a: Motion, b: Motion, body: BodyMap, blend: int) -> Join:
    joints = main_joints(body)
    tail, head = len(a) - max(len(a) // 3, blend + 1), max(len(b) // 3, blend + 1)
    step = max(1, blend // 8)
    rows, columns = np.arange(tail, len(a) - blend, step), np.arange(0, head - blend + 1, step)
    clouds = [
        cloud(positions_at(m, f + blend // 2, joints), _COMPARED_EIGHTHS)
        for m, f in ((a, rows), (b, columns))
    ]
    distance = clouds[0].distances(slice(None), slice(None), clouds[1])
    row, column = np.unravel_index(int(np.argmin(distance)), distance.shape)
    return Join(int(rows[row]), int(columns[column]), blend)


def _concatenate(a: Motion, b: Motion) -> Motion:
    tracks = {*a.translations, *b.translations}
    return replace(
        a,
        rotations=np.concatenate([a.rotations, b.rotations]),
        root_translation=np.concatenate([a.root_translation, b.root_translation]),
        translations={j: np.concatenate([a.translation_of(j), b.translation_of(j)]) for j in tracks},
    )


def _place_feet(pose: Motion, at: Motion, body: BodyMap) -> Motion:
    """A pose (one frame) with the heading of another one and, in the middle, the place of its feet."""
    laid = _lay_onto(pose, 0, at, 0, body)
    if not body.feet:
        return laid
    here, there = (foot_points(motion, body)[0].mean(axis=(0, 1)) for motion in (laid, at))
    shift = RootMotion(laid.rate, ((there - here) * [1.0, 1.0, 0.0])[None], np.zeros(1))
    return put_root_at_rest(with_root_motion(laid, shift), body)


def _lay_onto(motion: Motion, frame: int, other: Motion, at: int, body: BodyMap) -> Motion:
    """The whole motion moved on the floor so that its hips at `frame` stand as the other's at `at`."""
    here, there = (
        (positions_at(m, np.array([f]), np.array([body.require("hips")]))[0, 0], body_map.heading(m, body)[f])
        for m, f in ((motion, frame), (other, at))
    )
    turn = there[1] - here[1]
    shift = (there[0] - quat.rotate(quat.from_yaw(turn), here[0])) * [1.0, 1.0, 0.0]
    count = len(motion)
    moved = with_root_motion(
        motion, RootMotion(motion.rate, np.tile(shift, (count, 1)), np.full(count, turn))
    )
    return put_root_at_rest(moved, body)


def _hold_pose(pose: Motion, count: int, rate: float) -> Motion:
    return Motion(
        pose.skeleton,
        rate,
        np.repeat(pose.rotations[:1], count, axis=0),
        np.repeat(pose.root_translation[:1], count, axis=0),
        {joint: np.repeat(track[:1], count, axis=0) for joint, track in pose.translations.items()},
    )


def mix(a: Motion, b: Motion, part: Array) -> Motion:
    """Two motions of F frames mixed: `a` where `part` (F,) is 0, `b` where it is 1."""
    weight: Array = part[:, None]
    rest: Array = 1 - weight
    tracks = {*a.translations, *b.translations}
    return replace(
        a,
        rotations=quat.slerp(a.rotations, b.rotations, weight),
        root_translation=a.root_translation * rest + b.root_translation * weight,
        translations={j: a.translation_of(j) * rest + b.translation_of(j) * weight for j in tracks},
    )
