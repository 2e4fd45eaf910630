"""What a take was read as, in one line, and what of it no body can be: said before any work."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ..base.checks import Array, expect_positive
from ..base.errors import InputError
from ..maths import quat
from ..maths.axes import UP_AXES, up_vector
from .body_map import BodyMap, heading, leg_length
from .body_sides import forwardness, has_named_sides
from .exchanged_names import exchange_problems, renamed_parts
from .motion import Motion
from .skeleton import Skeleton
from .upright import SAMPLES, Poses, body_height, poses_of, sampled_frames, uprightness

# Outside of these no body stands on a floor: from crawling children to giants. Common practice, no source.
MIN_HEIGHT_M, MAX_HEIGHT_M = 0.3, 4.5
MIN_HIPS_LEGS = 0.3  # leg lengths from the feet up to the hips, in the median of a take
MAX_FLOOR_OFF_M = 0.5  # from height 0: more is another floor, or another unit
MAX_SPEED_M_S = 12.5  # of any runner: 12.3 at 65 m of 100 m (IAAF biomechanics report, Berlin 2009; memory)
# Those without a note were chosen by eye.
_MAX_JUMP_M = 3.0  # that a take of a moment may jump: spikes are repair's
_SOLE_LEGS = 0.08  # from an ankle down to the sole of a foot that has nothing else (ANSUR II, as in upright)
_MIN_SURE, _MIN_FAIRLY_SURE = 0.5, 0.2  # in uprightness along the up axis over any other axis
_MIN_HANDS_FEET_LEGS = 0.35  # leg lengths between hands and feet over the floor, and a trunk that lies
_LOW_QUANTILE = 0.1  # of the lowest foot's heights: jumps do not raise a floor, spikes do not sink it


@dataclass(frozen=True)
class IntakeSettings:
    """How takes are read.

    Attributes:
        reference: the upright pose from which all that is known of a body is read: "1.5" is a second of the
            take and "90f" a frame of it, "other.bvh" another take of the same skeleton, "rest" the file's
            rest pose as it is; "" finds one.
        unit_m: metres per file unit; None guesses.
        up: the file's axis that points up: "Y", "Z", "X", "-Y", "-Z" or "-X"; "" finds it.
        accept: take in what looks like no body on a floor, and pack it all the same.
    """

    reference: str = ""
    unit_m: float | None = None
    up: str = ""
    accept: bool = False

    def __post_init__(self) -> None:
        if self.up and self.up not in UP_AXES:
            raise InputError(f"intake up: expected one of {', '.join(UP_AXES)}, got {self.up!r}")
        if self.unit_m is not None:
            expect_positive(self.unit_m, "intake unit_m")


@dataclass(frozen=True)
class Ways:
    """How a user corrects what a take was wrongly read as, in the words of where he works.

    Attributes:
        unit, scale: a body of no size, where the file's unit can be said and where not.
        up, turn: one that lies, likewise for its up axis.
        floor: feet that stand off height 0.
        reference: how a reference pose is named.
    """

    unit: str = "say metres per file unit with --unit-m"
    scale: str = "scale it until it is as tall as a body"
    up: str = "say which axis points up with --up"
    turn: str = "turn it upright"
    floor: str = "put the take on the floor (takemill repair; without a height of its own: --path-from feet)"
    reference: str = "with --reference"


SHELL = Ways()
"""The command line's."""


@dataclass(frozen=True)
class Intake:
    """What a take was read as.

    Attributes:
        facing_deg: heading of its first frame, 0 for -Y.
        height_m: of the body, by its bones.
        hips_m: median height of the hips over the floor.
        floor_m: height of the floor that its feet tell.
        reference: where the reference pose comes from.
        sure: "sure", "fairly sure" or "unsure".
        problems: what is no body on a floor, and what to do about it.
        unit_m, up: of the file; 0 and "" where there was none.
        profile, recorded_by: what recorded it, in words, and as a recipe says it; "" where nobody looked.
        notes: what was read otherwise than the file has it.
    """

    facing_deg: float
    height_m: float
    hips_m: float
    floor_m: float
    reference: str
    sure: str
    problems: tuple[str, ...]
    unit_m: float = 0.0
    up: str = ""
    notes: tuple[str, ...] = ()
    profile: str = ""
    recorded_by: str = ""

    def line(self) -> str:
        """All in one line, for a person."""
        file = [f"unit {_unit_name(self.unit_m)}, {self.up} up"] if self.up else []
        parts = [
            *file,
            f"faces {_compass(self.facing_deg)}",
            f"{self.height_m:.2f} m tall",
            f"hips {self.hips_m:.2f} m above the floor",
            f"reference pose: {self.reference}",
            self.sure,
            *([self.profile] if self.profile else []),
        ]
        return ", ".join(parts)


def find_intake(
    motion: Motion,
    body: BodyMap,
    unit_m: float = 0.0,
    up: str = "",
    ways: Ways = SHELL,
    keeps_height: bool = True,
) -> Intake | None:
    """What a take, Z-up in metres with its reference pose, was read as; None for a body without legs.

    Where it does not keep its height, since a repair finds it from the feet, a floor may lie anywhere.
    """
    needed = [side + part for side in ("left", "right") for part in ("UpperLeg", "LowerLeg", "Foot")]
    if not {"hips", *needed} <= body.joints.keys():
        return None
    skeleton = motion.skeleton
    poses = poses_of(motion, sampled_frames(len(motion), SAMPLES))
    leg = max(leg_length(skeleton, body), 1e-9)
    height = body_height(skeleton, body)
    low = soles(skeleton, poses, body, leg)
    floor = float(np.quantile(low, _LOW_QUANTILE))
    hips = np.mean(
        [poses.positions[:, body.joints[f"{side}UpperLeg"], 2] for side in ("left", "right")], axis=0
    )
    scores = {axis: float(np.median(uprightness(poses, body, up_vector(axis)))) for axis in UP_AXES}
    margin = scores["Z"] - max(score for axis, score in scores.items() if axis != "Z")
    origin = "rest" if skeleton.reference is None else skeleton.reference.origin
    problems = [
        *_size(height, ways.unit if unit_m else ways.scale),
        *_list_stance_problems(float(np.median(hips - low)) / leg, ways.up if up else ways.turn),
        *(_floor(floor, ways.floor) if keeps_height else ()),
        *_limbs(skeleton, poses, body, leg),
        *_way(hips_way_m(poses, body), motion.duration_s),
        *_reference(origin, skeleton.reference_score, ways.reference),
        *_sides(skeleton, poses, body),
        *exchange_problems(poses.positions, body, low, leg),
    ]
    sure = "sure" if margin > _MIN_SURE else "fairly sure" if margin > _MIN_FAIRLY_SURE else "unsure"
    if problems:
        sure = "unsure"
    facing = float(np.degrees(heading(motion.slice(0, 1), body)[0]))
    return Intake(
        (facing + 180.0) % 360.0 - 180.0,
        height,
        float(np.median(hips)) - floor,
        floor,
        origin,
        sure,
        tuple(problems),
        unit_m,
        up,
        tuple(renamed_parts(skeleton, body)),
    )


def expect_plausible(intake: Intake | None, name: str, settings: IntakeSettings) -> None:
    """Insist on a take that is a body on a floor, unless the settings accept any.

    Raises:
        InputError: it is none; the message says what to do.
    """
    if intake is not None and intake.problems and not settings.accept:
        raise InputError(
            f"{name}: {'; '.join(intake.problems)} (read as: {intake.line()}). If it is meant so, write "
            "accept = true under [intake] in the recipe"
        )


def soles(skeleton: Skeleton, poses: Poses, body: BodyMap, leg: float) -> Array:
    """The height (N,) of the lowest point of both feet in N poses, Z-up; metres, as is `leg`."""
    lowest = []
    for part in body.feet:
        foot = body.require(part)
        below = skeleton.subtree(foot).tolist()
        points = [poses.positions[:, joint, 2] for joint in below[1:]]
        points += [
            (poses.positions[:, joint] + quat.rotate(poses.rotations[:, joint], tip))[:, 2]
            for joint, tip in zip(skeleton.tip_joints, skeleton.tip_offsets, strict=True)
            if joint in below
        ]
        lowest.append(np.min(points, axis=0) if points else poses.positions[:, foot, 2] - _SOLE_LEGS * leg)
    return np.asarray(np.min(lowest, axis=0))


def _size(height: float, how: str) -> list[str]:
    if MIN_HEIGHT_M <= height <= MAX_HEIGHT_M:
        return []
    return [f"the body is {height:.3g} m tall, and bodies are {MIN_HEIGHT_M:g} to {MAX_HEIGHT_M:g}: {how}"]


def _list_stance_problems(hips_legs: float, how: str) -> list[str]:
    if hips_legs >= MIN_HIPS_LEGS:
        return []
    return [f"the hips are {max(hips_legs, -9.9):.2f} leg lengths above the feet for most of the take: {how}"]


def _floor(floor: float, how: str) -> list[str]:
    if abs(floor) <= MAX_FLOOR_OFF_M:
        return []
    word = "above" if floor > 0 else "below"
    return [f"the feet stand {abs(floor):.2f} m {word} height 0: {how}"]


def hips_way_m(poses: Poses, body: BodyMap) -> float:
    """How far over the floor the hips of N poses come, from one corner of what they cover to the other."""
    floor = poses.positions[:, body.require("hips"), :2]
    return float(np.linalg.norm(np.ptp(floor, axis=0)))


def _way(way_m: float, seconds: float) -> list[str]:
    if way_m <= MAX_SPEED_M_S * seconds + _MAX_JUMP_M:
        return []
    return [
        f"the hips get {way_m:.4g} m away in {seconds:.4g} s, faster than anybody runs: the root's positions "
        "are in another unit than the bones, or the recording jumps; export it again, or leave out that part"
    ]


def _limbs(skeleton: Skeleton, poses: Poses, body: BodyMap, leg: float) -> list[str]:
    """Hands that walk: a quadruped, or a body that crawls throughout."""
    hands = [joint for side in ("left", "right") if (joint := body.get(f"{side}Hand")) is not None]
    if len(hands) < 2:
        return []
    low = soles(skeleton, poses, body, leg)
    reach = np.abs(poses.positions[:, hands, 2] - low[:, None]).max(axis=1) / leg
    if float(np.median(reach)) < _MIN_HANDS_FEET_LEGS:
        return [
            "the hands are as low as the feet for most of the take: only bodies on two legs are understood; "
            "leave out the part that crawls"
        ]
    return []


def _reference(origin: str, score: float, how: str) -> list[str]:
    if score > 0:
        return []
    return [
        f"the rest pose is no upright body, and the take holds no upright moment ({origin} comes nearest): "
        f"name a second of it, or another take of the same skeleton, {how}"
    ]


def _sides(skeleton: Skeleton, poses: Poses, body: BodyMap) -> list[str]:
    if not has_named_sides(skeleton, body) or forwardness(skeleton, poses, body) > -0.5:
        return []
    names = [skeleton.names[body.require(f"{side}UpperLeg")] for side in ("left", "right")]
    return [
        f"feet point and knees bend backwards if {names[0]!r} is left and {names[1]!r} is right: the names "
        "of the sides are exchanged, or the file is mirrored; correct [body]"
    ]


def _unit_name(unit_m: float) -> str:
    names = {1.0: "m", 0.1: "dm", 0.01: "cm", 0.001: "mm", 0.0254: "inch", 0.3048: "foot"}
    return next((name for size, name in names.items() if abs(unit_m / size - 1) < 1e-6), f"{unit_m:.4g} m")


def _compass(facing_deg: float) -> str:
    """The nearest axis of the Z-up world, and how far off."""
    axis, away = min(
        (("-Y", 0.0), ("+X", 90.0), ("+Y", 180.0), ("-X", -90.0)),
        key=lambda one: abs((facing_deg - one[1] + 180) % 360 - 180),
    )
    off = (facing_deg - away + 180) % 360 - 180
    return axis if abs(off) < 5 else f"{axis} {off:+.0f} degrees"
