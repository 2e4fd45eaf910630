"""How single segments turn about the vertical by themselves, found along a whole take: arrays only.

The heading that each segment's sensor has gained, e(t), is sought at some knots in time. Known of it is:

- At first it is 0, and then it grows at a rate that changes slowly (the prior).
- Reference poses at both ends: how far each segment has turned between them, against all others.
- Hinges: a knee and an elbow have one axis, which both its segments must place alike in the world
  (`hinge_heading`).
- Posture (`posture_heading`): over a second a head looks ahead on average, a trunk is not twisted, and left
  and right do the same in the mirror; and whatever a joint's mean heading is, it stays, but for what the take
  itself shows that it changes by from one second to the next.

All of it is one least-squares problem, in which each piece counts by how well it is known. What nothing tells
is the turn that all segments share: it stays with whom it belongs to, the mean of the prior, 0.

Feet that stand do not turn, but in locomotion they stand too shortly to tell: on the open walk a foot's
heading changes by 0.4 degrees within a stance, so that 23 stances of 0.3 s tell its drift to 28 degrees a
minute, where 8 are expected anyhow.

Sources: Laidig, Schauer and Seel, ICORR 2017, and Lehmann, Laidig, Deimel and Seel, arXiv 2002.00639, for
headings from what joints cannot do; the smoother over the whole take is ours.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ..base.checks import Array, Index, Mask, owned
from ..maths import quat
from .hinge_heading import HINGED_PARTS, Rows, hinge_rows
from .posture_heading import posture_rows
from .segments import Segments

_KNOT_S, _MAX_KNOTS = 3.0, 33  # between knots; longer takes have wider ones, so that the cost stays
DRIFT_RATE_RAD_S = np.radians(8.0) / 60  # of a sensor's drift, standard deviation; common practice, no source
# Over which that rate changes. By trial on drifts between two poses (suit_table.py with other seeds): it
# leaves 0.813 of what a straight line does, 15 s 0.824.
_RATE_CHANGE_S = 6.0
_START_RAD = np.radians(0.5)  # to which sensors agree at first, if no pose says how
POSE_RAD = np.radians(0.4)  # to which a performer repeats a pose, segment against segment; an estimate
_FIRST_POSE_RAD = np.radians(0.05)  # the first pose says what 0 is
_EVEN_RAD = np.radians(4.0)  # by which left and right, or a trunk and straight, may differ on average
_ROUNDS = 6  # of the fit; an estimate
# Without a pose, a take drifts when a hinge shows it by so many of its standard errors and degrees; then each
# joint is heard that shows a drift at all. By trial: clean open motions reach 5.5 at knees that are no exact
# hinges, and 7.1 where one dance follows another; drifts of 8 degrees a minute in 10 to 30 s have 6 to 117.
_MIN_FIRST_ERRORS, _MIN_DRIFT_RAD = 8.0, np.radians(1.0)
_MIN_HINGE_ERRORS, _MIN_POSTURE_ERRORS = 3.0, 4.0
_MAX_POSTURE_NOISE_RAD = np.radians(0.8)  # a posture that varies by more tells nothing without a pose
_MIN_POSE_DRIFT_RAD = np.radians(0.5)  # RMS between two poses; less is no drift
# A heading is not known where poses and joints leave its error so large, and this share of what it was.
_MAX_KNOWN_RAD, _MAX_KNOWN_SHARE = np.radians(1.5), 0.6
_MIN_TAKE_S = 8.0  # shorter takes show no drift without poses; 1 degree at the usual rate


@dataclass(frozen=True)
class PoseHeading:
    """How far segments are turned about the vertical in a held pose.

    Attributes:
        time_s: when, since the first frame.
        heading: (N,) radians, against where the pose has them.
        known: (N,) for which segments.
        facing_known: whether the pose's own facing is; else the turn that all share tells nothing.
        error_rad: to which the pose is repeated, standard deviation, one segment against another.
    """

    time_s: float
    heading: Array
    known: Mask
    facing_known: bool
    error_rad: float = POSE_RAD


@dataclass(frozen=True)
class SegmentDrift:
    """The heading that segments have gained.

    Attributes:
        times_s: (K,) of the knots, seconds.
        heading: (K, N) radians, straight lines between knots.
        heard: (N,) the segments whose joint told of it.
        errors: (N,) radians, the largest standard deviation of each along the take, against the others.
        unknown: (N,) the segments of which too little is told: how they turned is not known.
    """

    times_s: Array
    heading: Array
    heard: Mask
    errors: Array
    unknown: Mask

    def at(self, times_s: Array) -> Array:
        """The heading (F, N) at times (F,), seconds."""
        return np.stack([np.interp(times_s, self.times_s, one) for one in self.heading.T], axis=1)


def find_segment_drift(
    world: Array, segments: Segments, rest: Array, rate: float, poses: tuple[PoseHeading, ...] = ()
) -> SegmentDrift | None:
    """The heading that each segment has gained, or None where nothing tells of one.

    Args:
        world: (S, N, 4) orientations of the segments, some samples a second.
        segments: whose they are.
        rest: (N, 4) their orientations in the upright reference pose.
        rate: samples per second.
        poses: what reference poses tell; with one whose facing is free, a drift is known to be there.
    """
    seconds = (len(world) - 1) / rate
    told = [pose for pose in poses if not pose.facing_known]
    posed = any(_spread(pose) > max(_MIN_POSE_DRIFT_RAD, 0.99 * pose.error_rad) for pose in told)
    if len(segments) < 3 or len(world) < 4 or (seconds < _MIN_TAKE_S and not posed):
        return None
    problem = _Problem.of(world, segments, rest, rate)
    if posed:
        heard = np.ones(len(segments), bool)
    elif told:
        return None  # two poses that agree: nothing has drifted
    else:
        heard = problem.heard_alone()
        if not heard.any():
            return None
    values, errors = problem.solved(heard, poses)
    if not poses:
        values = values - values[0]  # how sensors sit at first is no drift
    unknown = (errors > _MAX_KNOWN_RAD) & (errors > _MAX_KNOWN_SHARE * problem.prior_errors())
    return SegmentDrift(
        owned(problem.times_s), owned(values), heard, owned(errors.max(axis=0)), unknown.any(axis=0)
    )


def remove_segment_drift(world: Array, drift: SegmentDrift, rate: float) -> Array:
    """Orientations (F, N, 4) turned back by the heading that their segments have gained."""
    return quat.mul(quat.from_yaw(-drift.at(np.arange(len(world)) / rate)), world)


def _spread(pose: PoseHeading) -> float:
    """The RMS by which a pose's known headings differ from their middle, radians."""
    known = pose.heading[pose.known]
    return float(np.sqrt(np.mean((known - np.median(known)) ** 2))) if len(known) else 0.0


@dataclass(frozen=True)
class _Problem:
    """The least-squares problem of a take."""

    world: Array
    segments: Segments
    rest: Array
    rate: float
    times_s: Array
    hats: Array  # (S, K) how much of each knot a sample has
    prior: Array  # (K, K) inverse covariance of one segment's heading at the knots

    @classmethod
    def of(cls, world: Array, segments: Segments, rest: Array, rate: float) -> _Problem:
        seconds = (len(world) - 1) / rate
        knots = np.linspace(0, seconds, int(np.clip(seconds / _KNOT_S, 2, _MAX_KNOTS - 1)) + 1)
        times = np.arange(len(world)) / rate
        hats = np.stack([np.interp(times, knots, one) for one in np.eye(len(knots))], axis=1)
        part = knots / _RATE_CHANGE_S
        near = np.exp(-np.abs(np.subtract.outer(part, part)))
        alike = 2 * np.minimum.outer(part, part) + np.add.outer(np.exp(-part), np.exp(-part)) - near - 1
        spread = (DRIFT_RATE_RAD_S * _RATE_CHANGE_S) ** 2 * alike
        spread += _START_RAD**2 + 1e-10 * np.eye(len(knots))
        return cls(world, segments, rest, rate, knots, hats, np.linalg.inv(spread))

    def heard_alone(self) -> Mask:
        """Which joints (N,) show by themselves that they drift."""
        sure, likely = np.zeros(len(self.segments), bool), np.zeros(len(self.segments), bool)
        for place, parent in enumerate(self.segments.parents.tolist()):
            heading = np.zeros((len(self.world), len(self.segments)))
            for _ in range(
                _ROUNDS if self._hinged(place) else 2
            ):  # how far off a joint is without its drift, only its drift tells
                rows = self._rows(place, heading) if parent >= 0 else None
                if rows is None:
                    break
                drift, errors = self._drift_of(rows)
                heading[:, place] = self.hats @ drift
            else:
                hinged = self._hinged(place)
                drift = np.abs(drift - drift[0])
                clear = np.where(drift > _MIN_DRIFT_RAD, drift / errors, 0.0).max()
                quiet = hinged or (rows is not None and rows.spread_rad < _MAX_POSTURE_NOISE_RAD)
                sure[place] = hinged and clear > _MIN_FIRST_ERRORS
                least = _MIN_HINGE_ERRORS if hinged else _MIN_POSTURE_ERRORS
                likely[place] = quiet and bool((drift > least * errors).any())
        return sure | likely if sure.any() else sure

    def _drift_of(self, rows: Rows) -> tuple[Array, Array]:
        """The heading (K,) between two segments that a joint alone tells, and errors since the first."""
        knots = len(self.times_s)
        whole = np.concatenate([rows.turns, rows.own], axis=1)
        normal = whole.T @ (rows.weights[:, None] * whole)
        normal[:knots, :knots] += self.prior / 2  # two segments: twice the variance
        normal[range(knots, len(normal)), range(knots, len(normal))] += rows.own_weights
        inverse = np.linalg.inv(normal)
        drift: Array = (inverse @ (whole.T @ (rows.weights * rows.values)))[:knots]
        spread = inverse[:knots, :knots]
        since = np.diag(spread) + spread[0, 0] - 2 * spread[0]
        errors: Array = np.sqrt(np.maximum(since, 1e-12))
        return drift, errors

    def _hinged(self, place: int) -> bool:
        return self.segments.parts[place].endswith(HINGED_PARTS)

    def _rows(self, place: int, heading: Array) -> Rows | None:
        """What a joint tells, its segments turned back by headings (S, N) so far."""
        parent = int(self.segments.parents[place])
        upper, lower = (quat.mul(quat.from_yaw(-heading[:, k]), self.world[:, k]) for k in (parent, place))
        apart = heading[:, place] - heading[:, parent]
        if self._hinged(place):
            return hinge_rows(upper, lower, apart, self.hats, self.rate)
        turned = [quat.mul(q, quat.inv(self.rest[k])) for q, k in ((lower, place), (upper, parent))]
        return posture_rows(quat.mul(turned[0], quat.inv(turned[1])), apart, self.hats, self.rate)

    def prior_errors(self) -> Array:
        """The errors (K, 1) of headings that nothing tells of, radians."""
        return np.sqrt(np.diag(np.linalg.inv(self.prior)))[:, None]

    def solved(self, heard: Mask, poses: tuple[PoseHeading, ...]) -> tuple[Array, Array]:
        """The headings (K, N) that joints which are heard and poses tell together, and their errors (K, N).

        Errors against the mean of the segments: the turn that all share is nobody's.
        """
        count, knots = len(self.segments), len(self.times_s)
        heading = np.zeros((knots, count))
        for _ in range(_ROUNDS):
            now = self.hats @ heading
            told = [
                (place, rows)
                for place in np.flatnonzero(heard & (self.segments.parents >= 0)).tolist()
                if (rows := self._rows(place, now)) is not None
            ]
            own = np.cumsum([0, *(rows.own.shape[1] for _, rows in told)]) + count * knots
            size = int(own[-1]) + len(poses)
            normal, pull = np.zeros((size, size)), np.zeros(size)
            for place in range(count):
                block = slice(place * knots, (place + 1) * knots)
                normal[block, block] += self.prior
            for (place, rows), first in zip(told, own.tolist(), strict=False):
                mine = np.arange(first, first + rows.own.shape[1])
                columns = np.concatenate(
                    [self._knots(place), self._knots(self.segments.parents[place]), mine]
                )
                whole = np.concatenate([rows.turns, -rows.turns, rows.own], axis=1)
                normal[np.ix_(columns, columns)] += whole.T @ (rows.weights[:, None] * whole)
                pull[columns] += whole.T @ (rows.weights * rows.values)
                normal[mine, mine] += rows.own_weights
            self._add_evenness(
                normal, {place: int(first) for (place, _), first in zip(told, own, strict=False)}
            )
            for number, pose in enumerate(poses, int(own[-1])):
                self._add_pose(normal, pull, pose, number)
            values = np.linalg.solve(normal, pull)
            heading = values[: count * knots].reshape(count, knots).T
        spread = np.linalg.inv(normal)[: count * knots, : count * knots].reshape(count, knots, count, knots)
        spread = np.moveaxis(np.diagonal(spread, axis1=1, axis2=3), -1, 0)  # (K, N, N)
        apart = np.eye(count) - 1 / count
        powers = np.einsum("ij,kjl,il->ki", apart, spread, apart)
        return heading, np.sqrt(np.maximum(powers, 0.0))

    def _knots(self, place: int) -> Index:
        return np.arange(len(self.times_s)) + int(place) * len(self.times_s)

    def _add_evenness(self, normal: Array, means: dict[int, int]) -> None:
        """On average left mirrors right, and a trunk is straight: `means` has their columns."""
        weight, parts = 1 / _EVEN_RAD**2, self.segments.parts
        for place, column in means.items():
            part = parts[place]
            if self._hinged(place) or part.startswith("right"):
                continue
            other = "right" + part.removeprefix("left")
            if not part.startswith("left"):
                normal[column, column] += weight
            elif other in parts and parts.index(other) in means:
                both = [column, means[parts.index(other)]]
                normal[np.ix_(both, both)] += weight

    def _add_pose(self, normal: Array, pull: Array, pose: PoseHeading, facing: int) -> None:
        hat = np.array([np.interp(pose.time_s, self.times_s, one) for one in np.eye(len(self.times_s))])
        row = np.append(hat, 0.0 if pose.facing_known else 1.0)
        weight = 1 / (_FIRST_POSE_RAD if pose.facing_known else pose.error_rad) ** 2
        for place in np.flatnonzero(pose.known).tolist():
            columns = np.append(self._knots(place), facing)
            normal[np.ix_(columns, columns)] += weight * np.outer(row, row)
            pull[columns] += weight * row * pose.heading[place]
        normal[facing, facing] += 1e-6


def sample_frames(frames: int, rate: float, samples_hz: float, most: int) -> Index:
    """Frames (S,) spread evenly over a take, about `samples_hz` a second, at most `most`."""
    step = max(round(rate / samples_hz), -(-frames // most), 1)
    return np.arange(0, frames, min(step, max(frames - 1, 1)))
