"""A part of the body from one motion, and the rest from another of the same skeleton."""

from __future__ import annotations

from collections.abc import Collection

import numpy as np

from ..base.checks import Array
from ..base.errors import BodyMapError, InputError
from ..body.body_map import BodyMap, heading
from ..body.body_parts import SIDES
from ..body.motion import Motion
from ..maths import quat
from ..maths.easing import smoothstep
from ..maths.filters import moving_mean

PARTS = ("whole", "upper_body", "arms", "left_arm", "right_arm", "legs")
"""What of a body can be taken from a take; all but "whole" is merged onto another motion."""

_TRUNK = ("hips", "spine", "chest", "upperChest")
_HEADING_MEAN_S = 1.0  # seconds: what turns slower is where the body goes, faster is what it does (by eye)


def merge_part(
    base: Motion,
    take: Motion,
    body: BodyMap,
    part: str,
    start: int = 0,
    blend_s: float = 0.2,
    keep: Collection[int] = (),
) -> Motion:
    """The base with a part of the body as the take moves it.

    The upper body turns in model space, so that it aims and leans as it does in the take whatever the hips
    below do: each joint of the spine has its share, none at the hips and all at the last of the trunk. What
    differs between the two for longer, where the bodies face, is the base's. Arms turn as they do to the
    chest. Legs are the same the other way round: hips, legs and path are the take's, led on from where the
    base stands.

    Args:
        base: F frames.
        take: of the same skeleton at the same rate.
        body: which joint plays which part.
        part: one of PARTS, but for "whole".
        start: the frame of the base at which the take begins; what lies outside is not used.
        blend_s: where the take begins or ends inside the base, one goes over into the other for so long.
        keep: joints that stay the base's; so do joints that no mapped part hangs on.

    Returns:
        F frames.

    Raises:
        InputError: another skeleton or rate, no such part, a blend below 0, or no frames in common.
        BodyMapError: the part is not mapped.
    """
    if part not in PARTS[1:]:
        raise InputError(f"part of the body: expected one of {', '.join(PARTS[1:])}, got {part!r}")
    if take.skeleton.names != base.skeleton.names or abs(take.rate - base.rate) > 1e-6 * base.rate:
        raise InputError("part of the body: both motions need the same skeleton and rate")
    if not blend_s >= 0:
        raise InputError(f"part of the body: expected a blend of 0 s or more, got {blend_s}")
    first, last = max(0, start), min(len(base), start + len(take))
    if last - first < 2:
        raise InputError(
            f"part of the body: the take's frames ({start} to {start + len(take) - 1}) do not meet those of "
            f"the motion that it is merged onto (0 to {len(base) - 1})"
        )
    inner, piece = base.slice(first, last), take.slice(first - start, last - start)
    if part == "legs":
        piece = _led_on(piece, inner, body)
        merged = _upper_on(piece, inner, body, keep)
    elif part == "upper_body":
        merged = _upper_on(inner, piece, body, keep)
    else:
        sides = SIDES if part == "arms" else (part.split("_", maxsplit=1)[0],)
        merged = _arms_on(inner, piece, body, sides, keep)
    # A blend takes at most half of the frames, so that both ends have one.
    width = max(min(blend_s * base.rate, (last - first) / 2), 1e-9)
    grows = smoothstep(np.clip(np.arange(last - first) / width, 0.0, 1.0))
    if first > 0:
        merged = _mixed(inner, merged, grows)
    if last < len(base):
        end = _led_on(inner, merged, body, -1) if part == "legs" else inner
        merged = _mixed(end, merged, grows[::-1])
    return _put_in(base, first, merged, part == "legs", body)


def _mixed(a: Motion, b: Motion, share: Array) -> Motion:
    """From one motion to the other, by the share (F,) of the other."""
    weight = share[:, None]
    tracks = {
        joint: a.translation_of(joint) + weight * (b.translation_of(joint) - a.translation_of(joint))
        for joint in {0, *a.translations, *b.translations}
    }
    root = tracks.pop(0)
    return Motion(a.skeleton, a.rate, quat.slerp(a.rotations, b.rotations, weight), root, tracks)


def _joints_of(motion: Motion, body: BodyMap, top: int, keep: Collection[int]) -> list[int]:
    """The joints below and including `top` on which mapped parts hang, but for those to keep."""
    ends = {joint for part, joint in body.joints.items() if joint not in keep}
    wanted = {above for end in ends for above in motion.skeleton.path_to(end)}
    below = set(motion.skeleton.subtree(top))
    return sorted((wanted & below) - set(keep))


def _upper_on(lower: Motion, upper: Motion, body: BodyMap, keep: Collection[int]) -> Motion:
    """The lower body of one motion below the upper body of another."""
    skeleton = lower.skeleton
    trunk = [joint for part in _TRUNK if (joint := body.get(part)) is not None]
    if len(trunk) < 2:
        raise BodyMapError("part of the body: no joint of the spine is mapped; map spine or chest")
    path = skeleton.path_to(trunk[-1])
    column = path[path.index(trunk[0]) :]
    turn = _facing(lower, upper, body)
    rotations = lower.rotations.copy()
    tracks = dict(lower.translations)
    here, there = (one.model()[0] for one in (lower, upper))
    above = here[:, column[0]]
    for number, joint in enumerate(column[1:], 1):
        share = number / (len(column) - 1)
        turned = quat.slerp(here[:, joint], quat.mul(turn, there[:, joint]), share)
        rotations[:, joint] = quat.mul(quat.inv(above), turned)
        above = turned
    for joint in _joints_of(lower, body, column[-1], keep):
        if joint == column[-1]:
            continue
        rotations[:, joint] = upper.rotations[:, joint]
        if joint in tracks or joint in upper.translations:
            tracks[joint] = upper.translation_of(joint)
    return Motion(skeleton, lower.rate, rotations, lower.root_translation, tracks)


def _facing(lower: Motion, upper: Motion, body: BodyMap) -> Array:
    """The turn (F, 4) about the vertical from where one body faces for longer to where the other does."""
    apart = heading(lower, body) - heading(upper, body)
    half = max(1, round(_HEADING_MEAN_S * lower.rate / 2))
    return quat.from_yaw(moving_mean(apart, half))


def _arms_on(
    base: Motion, take: Motion, body: BodyMap, sides: Collection[str], keep: Collection[int]
) -> Motion:
    """The arms of the take on the chest of the base."""
    rotations, tracks = base.rotations.copy(), dict(base.translations)
    for side in sides:
        tops = (body.get(f"{side}Shoulder"), body.get(f"{side}UpperArm"))
        top = next((joint for joint in tops if joint is not None), None)
        if top is None:
            raise BodyMapError(f"part of the body: the {side} arm is not mapped")
        for joint in _joints_of(base, body, top, keep):
            rotations[:, joint] = take.rotations[:, joint]
            if joint in tracks or joint in take.translations:
                tracks[joint] = take.translation_of(joint)
    return Motion(base.skeleton, base.rate, rotations, base.root_translation, tracks)


def _led_on(take: Motion, base: Motion, body: BodyMap, at: int = 0) -> Motion:
    """The take moved over the floor so that in a frame it stands where the base does, facing as that does."""
    turn = heading(base, body)[at] - heading(take, body)[at]
    hips = body.require("hips")
    from_, to = (one.model()[1][at, hips] * [1.0, 1.0, 0.0] for one in (take, base))
    return _moved(take, turn, from_, to)


def _moved(motion: Motion, turn: float, from_: Array, to: Array) -> Motion:
    """The motion turned about the vertical through a place (3,) on the floor, which goes to another."""
    rotations, tracks = motion.rotations.copy(), dict(motion.translations)
    way = quat.from_yaw(np.array(turn))
    root = motion.root_translation
    for joint, parent in enumerate(motion.skeleton.parents):
        if parent >= 0:
            continue
        rotations[:, joint] = quat.mul(way, rotations[:, joint])
        placed = quat.rotate(way, motion.translation_of(joint) - from_) + to
        if joint:
            tracks[joint] = placed
        else:
            root = placed
    return Motion(motion.skeleton, motion.rate, rotations, root, tracks)


def _put_in(base: Motion, first: int, middle: Motion, leads: bool, body: BodyMap) -> Motion:
    """The base with some frames from `first` on replaced; where they lead elsewhere, the rest is led on."""
    last = first + len(middle)
    parts = [base.slice(0, first)] if first else []
    parts.append(middle)
    if last < len(base):
        rest = base.slice(last - 1, len(base))
        if leads:
            rest = _led_on(rest, middle.slice(len(middle) - 1, len(middle)), body)
        parts.append(rest.slice(1, len(rest)))
    joints = {joint for one in parts for joint in one.translations}
    return Motion(
        base.skeleton,
        base.rate,
        np.concatenate([one.rotations for one in parts]),
        np.concatenate([one.root_translation for one in parts]),
        {joint: np.concatenate([one.translation_of(joint) for one in parts]) for joint in joints},
    )
