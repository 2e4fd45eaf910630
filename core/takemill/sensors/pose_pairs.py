"""Two reference poses of a take, and what changed on the body between them: slipped and turned sensors.

With one pose how a sensor sits is known. With a second one it is known how it sits later: what lies between
is turned about the vertical, as sensors drift, or anyhow, as a sensor does that slipped on its segment. The
pose may be a T or an A, or one of the performer's own, held twice. Where an end has none of these, standing
with arms that hang tells how legs and trunk turned, as far as people stand alike: that they drift by much.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ..base.checks import Array, Mask
from ..body.body_map import BodyMap
from ..body.motion import Motion
from ..maths import quat
from .misalignment import ReferencePose, end_pose, hanging_poses, reference_poses, still_spans
from .segment_drift import DRIFT_RATE_RAD_S, POSE_RAD, PoseHeading
from .segments import Segments, world_from_local

# One segment leans this much further than all its neighbours: more than performers repeat a pose by, and less
# than what a slip is worth. An estimate, no source.
_MIN_SLIP_LEAN_RAD = np.radians(4.0)
# Or it turned about the vertical by so much more than they did, and than a sensor drifts.
_POSE_SLIP_RAD = np.radians(0.7)  # to which performers repeat a pose, one axis of one segment
_MIN_SLIP_TURN_RAD, _MIN_SLIP_DRIFTS = np.radians(6.0), 4.0
# In a pose at the end alone, errors about the vertical are drift when they are so many times as large as the
# others: how sensors sit is as much about any axis.
_MIN_UPRIGHT_SHARE, _MIN_UPRIGHT_RAD = 2.0, np.radians(1.5)
# To which people stand alike with hanging arms, legs and trunk about the vertical: toes point out by more or
# less. An estimate, no source.
_HANGING_RAD = np.radians(6.0)
# A pose of the end is that of the start when so many segments are turned by less; it is sought as near to the
# end as any reference pose. Estimates, no source.
_MIN_ALIKE, _ALIKE_RAD, _SAME_POSE_S = 0.75, np.radians(12.0), 15.0
_ARM_PARTS = ("Shoulder", "Arm", "Hand")


@dataclass(frozen=True)
class HeldPose:
    """A pose that is held.

    Attributes:
        start, stop: frames, half-open.
        expected: (N, 4) how segments are turned in it, whichever way the performer faces; None for a pose of
            the performer's own.
        known: (N,) the segments that are posed so.
        error_rad: to which the pose is repeated, standard deviation, about the vertical.
    """

    start: int
    stop: int
    expected: Array | None
    known: Mask
    error_rad: float = POSE_RAD

    @property
    def middle(self) -> float:
        """The frame in its middle."""
        return (self.start + self.stop - 1) / 2


@dataclass(frozen=True)
class EndPoses:
    """The poses at the start and the end of a take; None where there is none."""

    first: HeldPose | None = None
    last: HeldPose | None = None


NO_POSES = EndPoses()
"""Of a take without any."""


def find_end_poses(
    motion: Motion, body: BodyMap, segments: Segments, same_pose_s: tuple[tuple[float, float], ...] = ()
) -> EndPoses:
    """The poses at both ends of a take.

    Args:
        motion: the take.
        body: its body map.
        segments: of it.
        same_pose_s: two [start, stop) stretches, seconds, in which the performer holds one and the same pose
            of their own; else a T or an A is looked for, and where there is none, arms that hang.
    """
    if same_pose_s:
        known = np.ones(len(segments), bool)
        spans = [
            (min(round(start * motion.rate), len(motion) - 1), min(round(stop * motion.rate), len(motion)))
            for start, stop in sorted(same_pose_s)
        ]
        held = [HeldPose(start, max(stop, start + 1), None, known) for start, stop in spans]
        return EndPoses(held[0], held[-1])
    poses = reference_poses(motion, body)
    first, last = (end_pose(poses, len(motion), end) for end in (0, 1))
    if first is None or last is None:
        hanging = hanging_poses(motion, body)
        first = first or end_pose(hanging, len(motion), 0)
        last = last or end_pose(hanging, len(motion), 1)
    if first and last and first.kind == last.kind == "T":
        expected: Array | None = first.expected  # whichever way its arms are rolled, they are in both
    else:
        expected = last.expected if last else None
    return EndPoses(
        _held(first, first.expected, segments) if first else None,
        _held(last, expected, segments) if last and expected is not None else None,
    )


def find_same_poses(motion: Motion, body: BodyMap, segments: Segments) -> EndPoses:
    """The reference pose at the start of a take, and a stretch at its end in which most segments are so.

    Sensors that slipped by much make of the pose at the end one that is no T or A any more, while all other
    segments say that it is the same.
    """
    frames = len(motion)
    first = end_pose(reference_poses(motion, body), frames, 0)
    spans = still_spans(motion, body, max(frames - round(_SAME_POSE_S * motion.rate), 0), frames)
    if first is None or not spans:
        return NO_POSES
    world = quat.continuous(world_from_local(motion.skeleton, segments, motion.rotations))
    known = (first.sensed & first.posed)[segments.joints]
    before, found = HeldPose(first.start, first.stop, None, known), (0.0, NO_POSES)
    for start, stop in spans:
        poses = EndPoses(before, HeldPose(start, stop, None, known))
        between = find_between(world, poses, motion.rate)
        if start < first.stop or between is None or not known.any():
            continue
        alike = float((quat.angle(between.turns)[known] < _ALIKE_RAD).mean())
        if alike >= max(_MIN_ALIKE, found[0]):
            found = alike, poses
    return found[1]


def _held(pose: ReferencePose, expected: Array, segments: Segments) -> HeldPose:
    known, error = (pose.sensed & pose.posed)[segments.joints], POSE_RAD
    if pose.kind == "hanging":
        known &= np.array([not part.endswith(_ARM_PARTS) for part in segments.parts])
        error = _HANGING_RAD
    return HeldPose(pose.start, pose.stop, expected[segments.joints], known, error)


@dataclass(frozen=True)
class Between:
    """What changed between two poses, whichever way the performer faces in them.

    Half of the segments are turned one way about the vertical, half the other way.

    Attributes:
        turns: (N, 4) how far segments are turned in the last pose, in the world.
        expected: (N, 4) their orientations there if nothing had changed, facing as in the first pose.
        known: (N,) for which segments.
        seconds: from the first to the last.
        error_rad: to which the poses are alike, standard deviation, about the vertical.
    """

    turns: Array
    expected: Array
    known: Mask
    seconds: float
    error_rad: float

    @property
    def is_exact(self) -> bool:
        """Whether both were posed: what leans, or turned by much, then slipped."""
        return self.error_rad <= POSE_RAD


def find_between(world: Array, poses: EndPoses, rate: float) -> Between | None:
    """What changed between the poses at both ends of a take; None without two.

    Args:
        world: (F, N, 4) orientations of the segments, hemisphere-continuous.
        poses: of the take.
        rate: frames per second.
    """
    first, last = poses.first, poses.last
    if first is None or last is None:
        return None
    known = first.known & last.known
    before, after = (_median(world[one.start : one.stop]) for one in (first, last))
    if first.expected is not None and last.expected is not None:
        facing = _facing(quat.mul(before, quat.inv(first.expected)), known)
        before = quat.mul(facing, before)
        sits = quat.mul(quat.inv(first.expected), before)
        said = quat.mul(last.expected, sits)
    else:
        said = before
    turns = quat.mul(after, quat.inv(said))
    turns = quat.mul(_facing(turns, known), turns)
    error = max(first.error_rad, last.error_rad)
    return Between(turns, said, known, (last.middle - first.middle) / rate, error)


def _facing(turns: Array, known: Mask) -> Array:
    """The turn (4,) about the vertical that takes back the middle one of turns (N, 4)."""
    yaw = quat.yaw(turns)[known] if known.any() else np.zeros(1)
    middle = np.angle(np.exp(1j * yaw).mean())  # angles near each other, wherever they lie
    apart = np.angle(np.exp(1j * (yaw - middle)))
    return quat.from_yaw(-(middle + float(np.median(apart))))


def _median(rotations: Array) -> Array:
    return quat.normalize(np.median(quat.continuous(rotations), axis=0))


def _split(turns: Array) -> tuple[Array, Array]:
    """Turns (N, 4) as one about the vertical (N,), radians, and what leans (N, 3), a rotation vector."""
    heading = quat.yaw(turns)
    return heading, quat.log(quat.mul(quat.from_yaw(-heading), turns))


@dataclass(frozen=True)
class PoseSlip:
    """A segment that slipped between two poses.

    Attributes:
        place: of the segment among its `Segments`.
        turn: (4,) of its sensor, in its own frame.
        spread: (3, 3) covariance of that turn: what of it is drift is not known.
    """

    place: int
    turn: Array
    spread: Array


def find_pose_slips(segments: Segments, between: Between) -> tuple[PoseSlip, ...]:
    """Segments that slipped between two poses, further than their neighbours changed and sensors drift."""
    heading, lean = _split(between.turns)
    drift = DRIFT_RATE_RAD_S * between.seconds
    least_turn = max(_MIN_SLIP_TURN_RAD, _MIN_SLIP_DRIFTS * drift)
    out = []
    for place in np.flatnonzero(between.known).tolist():
        beside = [int(segments.parents[place]), *np.flatnonzero(segments.parents == place).tolist()]
        beside = [other for other in beside if other >= 0 and between.known[other]]
        others = np.array([lean[other] for other in beside] or [np.zeros(3)])
        leans = min(quat.length(lean[place]), *quat.length(lean[place] - others)) > _MIN_SLIP_LEAN_RAD
        apart = min([abs(heading[place]), *(abs(heading[place] - heading[other]) for other in beside)])
        if leans or apart > least_turn:
            # What of the turn about the vertical is slip, by how far each may be.
            size = max(float(lean[place] @ lean[place]) / 2, apart**2 if apart > least_turn else 0.0)
            share = size / (size + drift**2)
            turn = quat.mul(quat.from_yaw(share * heading[place]), quat.exp(lean[place]))
            own = quat.inv(between.expected[place])
            up = quat.rotate(own, np.array([0.0, 0.0, 1.0]))
            spread = share * drift**2 * np.outer(up, up) + _POSE_SLIP_RAD**2 * np.eye(3)
            out.append(PoseSlip(place, quat.mul(quat.mul(own, turn), quat.inv(own)), spread))
    return tuple(out)


def find_pose_headings(world: Array, poses: EndPoses, rate: float) -> tuple[PoseHeading, ...]:
    """How far segments are turned about the vertical in the poses of a take, for `find_segment_drift`.

    Two poses tell what changed between them. One at the end alone tells it against the start of the take,
    where its errors are nearly all about the vertical.

    Args:
        world: (F, N, 4) orientations of the segments, hemisphere-continuous.
        poses: of the take.
        rate: frames per second.
    """
    between, first, last = find_between(world, poses, rate), poses.first, poses.last
    if between is not None and first is not None and last is not None:
        turns, known = between.turns, between.known
        start = PoseHeading(first.middle / rate, np.zeros(len(turns)), known, True)
        return start, PoseHeading(last.middle / rate, quat.yaw(turns), known, False, between.error_rad)
    alone = last is not None and last.error_rad <= POSE_RAD
    if alone and last is not None and last.expected is not None and last.known.sum() > 3:
        turns = quat.mul(_median(world[last.start : last.stop]), quat.inv(last.expected))
        heading, lean = _split(quat.mul(_facing(turns, last.known), turns))
        upright = float(np.sqrt(np.mean(heading[last.known] ** 2)))
        other = float(np.sqrt(np.mean(np.square(lean[last.known]).sum(axis=-1)) / 2))
        if upright > max(_MIN_UPRIGHT_SHARE * other, _MIN_UPRIGHT_RAD):
            return (PoseHeading(last.middle / rate, heading, last.known, False),)
    return ()
