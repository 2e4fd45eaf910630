"""The numbers that people see: gaps between poses, seams of loops, sliding of planted feet."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from ..base.checks import Array, Index, Mask, owned
from ..base.errors import InputError
from ..body.body_map import BodyMap
from ..body.motion import Motion
from ..body.posed import joint_in_model
from ..maths import quat
from .clouds import Places, main_joints, positions_at
from .root_motion import RootMotionSettings, find_root_motion, steady_root_motion, without_root_motion

_SPEED_WINDOW_S = 1 / 30  # of a clip's end that its speed is fitted to: a frame of the slowest common rate
_MAX_NAMED_JOINTS = 3  # as many as a line of the report has room for
_MAX_NAMED_CLIPS = 64  # of larger sets no joints are named: lists grow with the square (chosen by eye)
# Distances of joints are compared in steps of it; a joint less than half of it away is not named: below what
# the report shows, 0.1 mm.
_NAMED_STEP_M = 1e-4


@dataclass(frozen=True)
class PoseGap:
    """How far apart two poses are, after the best turn about +Z and shift on the floor.

    Attributes:
        cm: mean distance of the joints.
        deg: mean angle between the joints' local rotations.
        cm_s: mean difference of the joints' velocities.
        worst: names of the joints furthest apart, the worst first; none that are not apart.
        away_cm: (P,) how far each joint is apart.
    """

    cm: float
    deg: float
    cm_s: float
    worst: tuple[str, ...] = ()
    away_cm: tuple[float, ...] = ()


@dataclass(frozen=True)
class SetGaps:
    """From the end of each clip (row) to the start of each clip (column), N clips.

    Attributes:
        names: (N,) of the clips.
        cm, deg, cm_s: (N, N) as in PoseGap.
        worst: (N, N) joint names, the worst first; empty for more than 64 clips.
    """

    names: tuple[str, ...]
    cm: Array
    deg: Array
    cm_s: Array
    worst: tuple[tuple[tuple[str, ...], ...], ...]


@dataclass(frozen=True)
class Seam:
    """How a repeated loop passes its seam, apart from its steady path; means over all joints.

    Attributes:
        pose_m: the largest distance of a joint between the last pose and the first, metres.
        speed_jump: change of the frame-to-frame step at the seam, metres per frame.
        usual_speed_jump: the 95th percentile of that within the clip.
        acceleration_jump: change of that change at the seam, metres per frame.
        usual_acceleration_jump: its 95th percentile within the clip.
    """

    pose_m: float
    speed_jump: float
    usual_speed_jump: float
    acceleration_jump: float
    usual_acceleration_jump: float


@dataclass(frozen=True)
class End:
    """A pose to be compared, of P joints.

    Attributes:
        positions: (P, 3) metres.
        velocities: (P, 3) metres a second.
        rotations: (P, 4) in the parent's space, of `tops` in model space.
        tops: (P,) which joints hang on none of the others: their rotations turn with the heading.
    """

    positions: Array
    velocities: Array
    rotations: Array
    tops: tuple[bool, ...]


def ends_at(motion: Motion, joints: Index, frames: Sequence[int], reach: int) -> tuple[End, ...]:
    """The poses of joints (P,) at some frames; speeds are lines fitted to `reach` frames to both sides."""
    last = len(motion) - 1
    around = Places.around(motion, joints, np.asarray(frames, np.intp), reach)
    compared = {int(joint) for joint in joints}
    tops = tuple(compared.isdisjoint(motion.skeleton.path_to(int(joint))[:-1]) for joint in joints)
    ends = []
    for frame in frames:
        low, high = max(0, frame - reach), min(last, frame + reach)
        path = around.between(low, high)
        time = np.arange(low, high + 1) - (low + high) / 2
        spread = float((time**2).sum())
        velocity = np.tensordot(time, path, 1) / spread * motion.rate if spread else np.zeros_like(path[0])
        rotations = motion.rotations[frame, joints]
        for place in np.flatnonzero(tops):  # whatever they hang on is no part of the pose
            rotations[place] = joint_in_model(motion.slice(frame, frame + 1), int(joints[place]))[0][0]
        ends.append(End(path[frame - low], velocity, rotations, tops))
    return tuple(ends)


def gap_between(a: End, b: End, names: Sequence[str] = ()) -> PoseGap:
    """The gap between two poses of the same joints (P,), whose names may be given."""
    cm, deg, cm_s, away = _measure_gaps(a, (b,))
    worst = tuple(names[k] for k in _worst_joints(away[0])) if names else ()
    away_cm = tuple((100 * away[0]).tolist())
    return PoseGap(float(cm[0]), float(deg[0]), float(cm_s[0]), worst, away_cm)


def moved_onto(a: End, b: End) -> Array:
    """The joints of pose `b` (P, 3), metres, after the turn and shift that bring it nearest to `a`."""
    back, _, there = _onto(a, b.positions)
    centre = a.positions.mean(axis=-2) * [1.0, 1.0, 0.0]
    return np.asarray(quat.rotate(back, there) + centre)


def _onto(a: End, positions: Array) -> tuple[Array, Array, Array]:
    """What takes poses (..., P, 3) onto `a`: the turn (..., 1, 4), and both sides about their middle."""
    here, there = (p - p.mean(axis=-2, keepdims=True) * [1.0, 1.0, 0.0] for p in (a.positions, positions))
    floors = [place[..., 0] + 1j * place[..., 1] for place in (here, there)]
    turns = np.angle((floors[1].conj() * floors[0]).sum(axis=-1))
    return quat.from_yaw(turns)[..., None, :], here, there


def _measure_gaps(a: End, others: Sequence[End]) -> tuple[Array, Array, Array, Array]:
    """From a pose to N others: the gaps cm, deg and cm/s (N,), and how far joints are apart (N, P), m."""
    positions, velocities, rotations = (
        np.stack([getattr(b, part) for b in others]) for part in ("positions", "velocities", "rotations")
    )
    back, here, there = _onto(a, positions)
    away = np.linalg.norm(here - quat.rotate(back, there), axis=-1)
    slip = np.linalg.norm(a.velocities - quat.rotate(back, velocities), axis=-1)
    turned = np.where(np.array(a.tops)[:, None], quat.mul(back, rotations), rotations)
    deg = np.degrees(quat.angle_between(a.rotations, turned).mean(axis=-1))
    return 100 * away.mean(axis=-1), deg, 100 * slip.mean(axis=-1), away


def _worst_joints(away: Array) -> list[int]:
    """The joints furthest apart of P, the worst first; none that are not apart."""
    steps = np.round(away / _NAMED_STEP_M)  # so that noise of the last digit decides nothing
    return [int(k) for k in np.argsort(-steps, kind="stable")[:_MAX_NAMED_JOINTS] if steps[k] > 0]


def set_gaps(clips: Mapping[str, Motion], body: BodyMap) -> SetGaps:
    """The gaps for every ordered pair of clips of one skeleton, a clip and itself included.

    Raises:
        InputError: the clips have different joints.
    """
    motions = list(clips.values())
    if any(motion.skeleton.names != motions[0].skeleton.names for motion in motions):
        raise InputError("the clips of a set must have the same joints")
    joints = main_joints(body)
    starts, ends = [], []
    for motion in motions:
        reach = min(max(1, round(_SPEED_WINDOW_S * motion.rate)), max(len(motion) - 1, 0))
        first, last = ends_at(motion, joints, (0, len(motion) - 1), reach)
        starts.append(first)
        ends.append(last)
    names = [motions[0].skeleton.names[int(joint)] for joint in joints] if motions else []
    if not motions:
        none = owned(np.zeros((0, 0)))
        return SetGaps((), none, none, none, ())
    rows = [_measure_gaps(end, starts) for end in ends]
    cm, deg, cm_s = (owned(np.stack([row[unit] for row in rows])) for unit in range(3))
    named = rows if len(motions) <= _MAX_NAMED_CLIPS else []
    worst = tuple(tuple(tuple(names[k] for k in _worst_joints(one)) for one in row[3]) for row in named)
    return SetGaps(tuple(clips), cm, deg, cm_s, worst)


def measure_seam(loop: Motion, body: BodyMap) -> Seam:
    """How a loop passes its seam when it repeats; its last frame stands for its first.

    Raises:
        InputError: fewer than five frames.
    """
    if len(loop) < 5:
        raise InputError("a seam needs a loop of at least five frames")
    in_place = without_root_motion(
        loop, steady_root_motion(find_root_motion(loop, body, RootMotionSettings()))
    )
    positions = positions_at(in_place, np.arange(len(in_place)), main_joints(body))
    pose = float(np.linalg.norm(positions[-1] - positions[0], axis=-1).max())
    # The seam is at the last frame, after which frame 1 follows.
    twice = np.concatenate([positions, positions[1:]])
    last = len(positions) - 1
    jumps = []
    for order in (2, 3):
        change = np.linalg.norm(np.diff(twice, order, axis=0), axis=-1).mean(axis=1)
        inner = change[: last - order + 1]
        jumps += [float(change[last - order + 1 : last].max()), float(np.percentile(inner, 95))]
    return Seam(pose, *jumps)


def planted_steps(points: Array, planted: Mask) -> tuple[Array, Mask]:
    """How far each foot moves over the floor from frame to frame while it stands: metres (F - 1, K, 2).

    Args:
        points: (F, K, 2, 3) heel and toe point of each foot, model space.
        planted: (F, K, 2) which of them are planted.

    Returns:
        The steps of the lower of the points that are planted in both frames, and where there is one
        (F - 1, K).
    """
    in_both = planted[1:] & planted[:-1]
    height = np.where(in_both, points[1:, ..., 2] + points[:-1, ..., 2], np.inf)
    lower = height.argmin(axis=-1)[..., None, None]
    steps = np.take_along_axis(np.diff(points[..., :2], axis=0), lower, axis=-2)[..., 0, :]
    return steps, in_both.any(axis=-1)
