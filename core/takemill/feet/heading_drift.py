"""How far a take has turned by itself, measured at what does not turn."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from ..base.checks import Array, Index, Mask
from ..maths import filters, quat, series
from ..maths.series import eroded, runs

# All are estimates, no source. Trial of each: a third less or half as much again changes the error of heading
# and path by 6 % at most, but for the last two (sensitivity.py).
_KNOT_SPACING_S = 10.0  # between the knots of a drift rate
_RATE_CHANGE_DEG_MIN2 = 5.0  # a drift rate is expected to change by so much in a minute
_MAX_STRAIGHT_TURN_DEG_S = 4.0  # a body that turns faster means to
_MAX_DRIFT_DEG_MIN = 60.0  # more is no drift but a turn
_CONTACT_EDGE_S = 0.05  # a foot still lands or leaves in the first and last frames of a contact
_STEP_TURN_RAD = np.radians(0.5)  # what a gait may turn a planted foot by, the same way in each step
_MIN_STAND_S = 0.5  # a stand is at least so long
_MIN_AWAY_S = 5.0  # between two visits to the same stance: less shows no drift
# A performer who comes back and faces another way by more means to. At 10 degrees the path is 13 % worse and
# the heading 14 % better, at 22 nothing changes.
_MAX_RETURN_TURN_RAD = np.radians(15.0)
# How well a performer who comes back faces the same way. At 1.7 degrees the path is 21 % worse, the heading
# 10 %; at 3.8 the path is 2 % worse and the heading 7 % better.
_FACING_DEVIATION_RAD = np.radians(2.5)


@dataclass(frozen=True)
class Drift:
    """A heading drift.

    Attributes:
        heading: (F,) radians that the take has turned too far since its first frame.
        deg_per_min: its mean rate.
        error_deg_per_min: the standard error of that rate.
    """

    heading: Array
    deg_per_min: float
    error_deg_per_min: float


def heading_drift(points: Array, flat: Mask, heading: Array, rate: float) -> Drift:
    """The yaw that a take drifts by, from three things that do not turn.

    A flat, planted foot: the slope of its heading over each contact; but a gait may turn each foot a little
    in every step, which is fitted too. A body that walks: over stretches of five seconds or more without a
    turn, the slope of its heading, known to about two degrees every two seconds (nobody walks an arc of a
    hundred metres in a capture room; common practice, no source). And a performer who comes back to the same
    stance after a while, facing much the same way: from one such visit to the next. All slopes are fitted
    by one drift rate, a line through knots, weighted by the precision of each; outlying ones (a foot that did
    pivot) count less (Huber, Annals of Mathematical Statistics 35, 1964). A drift below twice its standard
    error is none.

    Args:
        points: (F, K, 2, 3) heel and toe.
        flat: (F, K) heel and toe both planted.
        heading: (F,) of the body, unwrapped, radians.
        rate: frames per second.
    """
    frames = len(points)
    inner = eroded(flat, round(_CONTACT_EDGE_S * rate))
    feet = [_foot_slopes(points[:, k], inner[:, k], rate) for k in range(points.shape[1])]
    body, visits = _straight_slopes(heading, rate), _visit_slopes(points, inner, rate)
    starts, stops, slopes, weights = (
        np.concatenate(columns) for columns in zip(*feet, body, visits, strict=True)
    )
    if len(slopes) < 2 and len(body[0]) + len(visits[0]) == 0:
        return Drift(np.zeros(frames), 0.0, float("inf"))
    seconds = frames / rate
    knots = np.linspace(0, seconds, max(round(seconds / _KNOT_SPACING_S), 1) + 1)
    owner = np.repeat(np.arange(len(feet) + 2), [len(part[0]) for part in (*feet, body, visits)])
    per_step = (owner[:, None] == np.arange(len(feet))) * rate / np.maximum(stops - starts, 1)[:, None]
    rows = np.hstack([_mean_hats(starts / rate, stops / rate, knots), per_step])
    size = np.radians(_RATE_CHANGE_DEG_MIN2) / 60 * np.sqrt((knots[1] - knots[0]) / 60)
    prior = np.zeros((rows.shape[1],) * 2)
    change = np.diff(np.eye(len(knots)), axis=0) / size
    prior[: len(knots), : len(knots)] = change.T @ change
    prior[len(knots) :, len(knots) :] = np.eye(len(feet)) / _STEP_TURN_RAD**2
    robust = np.ones(len(slopes))
    for _ in range(8):
        w = weights * robust
        normal = rows.T @ (w[:, None] * rows) + prior + 1e-12 * np.eye(len(prior))
        values = np.linalg.solve(normal, rows.T @ (w * slopes))
        robust = 1 / np.maximum(np.abs(slopes - rows @ values) * np.sqrt(weights) / 1.5, 1)
    mean_row = np.zeros(len(prior))
    mean_row[: len(knots)] = _mean_hats(np.zeros(1), np.full(1, seconds), knots)[0]
    mean = float(np.degrees(mean_row @ values) * 60)
    error = float(np.degrees(np.sqrt(mean_row @ np.linalg.solve(normal, mean_row))) * 60)
    if abs(mean) < 2 * error or abs(mean) > _MAX_DRIFT_DEG_MIN:
        return Drift(np.zeros(frames), mean, error)
    per_frame = np.interp((np.arange(frames - 1) + 0.5) / rate, knots, values[: len(knots)]) / rate
    return Drift(np.concatenate([[0.0], np.cumsum(per_frame)]), mean, error)


_Slopes = tuple[Array, Array, Array, Array]  # starts, stops (frames), slopes (radians a second), weights


def _foot_slopes(points: Array, flat: Mask, rate: float) -> _Slopes:
    """Slopes of the heading of a foot (F, 2, 3) where it is flat (F,), weighted by their scatter."""
    ahead = points[:, 1] - points[:, 0]
    yaw = np.unwrap(quat.arctan2(ahead[:, 1], ahead[:, 0]))
    starts, stops = _cut_runs(*runs(flat), max(int(0.15 * rate), 3), int(20 * rate))
    slopes, known = _line_slopes(yaw, starts, stops, rate)
    if len(slopes):
        off = np.abs(slopes - np.median(slopes)) * np.sqrt(known)
        # At least what half a degree of error in a frame would make of it.
        scatter = max(1.4826 * float(np.median(off)), np.radians(0.5))
        known = 1 / (scatter**2 / known + _wander_variance((stops - starts) / rate))
    return starts.astype(float), stops.astype(float), slopes, known


def _wander_variance(seconds: Array) -> Array:
    """What a leg's slow errors do to a slope over so many seconds (N,): 0.6 degrees, new every 2 s."""
    return 12 * np.radians(0.6) ** 2 / np.maximum(seconds, 2.0) ** 2 * np.minimum(2.0 / seconds, 1.0)


def _straight_slopes(heading: Array, rate: float) -> _Slopes:
    """Slopes of the body's heading (F,) where it does not turn for five seconds or more."""
    calm = heading
    for _ in range(3):  # a stride and more, so that the hips' swing is gone
        calm = filters.moving_mean(calm, int(rate))
    straight = np.abs(series.derivative(calm, rate)) < np.radians(_MAX_STRAIGHT_TURN_DEG_S)
    starts, stops = _cut_runs(*runs(straight), int(5 * rate), len(heading))
    slopes, known = _line_slopes(heading, starts, stops, rate)
    # Two degrees of wandering, new every two seconds.
    return starts.astype(float), stops.astype(float), slopes, known / (np.radians(2.0) ** 2 * 2 * rate)


def _visit_slopes(points: Array, flat: Mask, rate: float) -> _Slopes:
    """Slopes of the facing from each calm stand with both feet flat to the next in the same stance.

    Feet (F, K, 2, 3) lie flat (F, K). A stance is the same when heels and balls, turned and shifted onto each
    other, lie within a sixth of a foot's length; a facing that differs by more than 15 degrees was meant.
    """
    if points.shape[1] < 2:
        return (np.zeros(0),) * 4
    starts, stops = _cut_runs(*runs(flat.all(axis=1)), int(_MIN_STAND_S * rate), len(flat))
    spots = points[..., 0] + 1j * points[..., 1]
    spots = spots.reshape(len(spots), -1)
    clouds = np.array([spots[a:b].mean(axis=0) for a, b in zip(starts, stops, strict=True)])
    found = []
    for k in range(len(clouds)):
        shape = clouds[k] - clouds[k].mean()
        foot = abs(clouds[k][1] - clouds[k][0])
        for n in range(k + 1, len(clouds)):
            other = clouds[n] - clouds[n].mean()
            turn = float(np.angle(np.vdot(shape, other)))
            seconds = (starts[n] + stops[n] - starts[k] - stops[k]) / 2 / rate
            alike = np.abs(other * np.exp(-1j * turn) - shape).max() < foot / 6
            if alike and seconds >= _MIN_AWAY_S:
                if abs(turn) < _MAX_RETURN_TURN_RAD:
                    middle = (starts[k] + stops[k]) / 2, (starts[n] + stops[n]) / 2
                    found.append((*middle, turn / seconds, seconds**2 / (2 * _FACING_DEVIATION_RAD**2)))
                break
    first, second, slopes, known = np.array(found).reshape(-1, 4).T
    return first, second, slopes, known


def _mean_hats(starts: Array, stops: Array, knots: Array) -> Array:
    """(N, knots): the mean over each interval of each knot's hat function, seconds."""
    out = np.empty((len(starts), len(knots)))
    step = knots[1] - knots[0]
    for k, knot in enumerate(knots):
        low, high = ((t - knot) / step for t in (starts, stops))
        area = [
            np.where(u < 0, (1 + u) ** 2 / 2, 1 - (1 - u) ** 2 / 2)
            for u in (low.clip(-1, 1), high.clip(-1, 1))
        ]
        out[:, k] = (area[1] - area[0]) / np.maximum(high - low, 1e-12)
    return out


def _cut_runs(starts: Index, stops: Index, least: int, longest: int) -> tuple[Index, Index]:
    """Runs of at least `least` frames, longer ones cut into pieces of up to `longest`."""
    out = [
        pair
        for start, stop in zip(starts, stops, strict=True)
        if stop - start >= least
        for pair in pairwise(np.linspace(start, stop, -(-(stop - start) // longest) + 1).astype(int))
    ]
    pairs = np.array(out, dtype=np.intp).reshape(-1, 2)
    return pairs[:, 0], pairs[:, 1]


def _line_slopes(values: Array, starts: Index, stops: Index, rate: float) -> tuple[Array, Array]:
    """Slopes a second (N,) of lines through values (F,) in runs; and the squared times (N,) behind each."""
    count = (stops - starts).astype(float)
    frame = np.arange(len(values), dtype=float)
    sums = [np.concatenate([[0.0], np.cumsum(x)]) for x in (values, frame * values)]
    total, moment = (s[stops] - s[starts] for s in sums)
    middle = (starts + stops - 1) / 2
    spread = np.maximum(count * (count**2 - 1) / 12, 1e-12)
    return (moment - middle * total) / spread * rate, spread / rate**2


def remove_drift(root: Array, path: Array, drift: Array) -> tuple[Array, Array]:
    """Root rotations (F, 4) and positions (F, 3) with a heading drift (F,) taken out of both.

    Each step of the path is turned back by the drift of its frame.
    """
    back = quat.from_yaw(-drift)
    steps = quat.rotate(back[1:], np.diff(path, axis=0))
    return quat.mul(back, root), np.concatenate([path[:1], path[:1] + np.cumsum(steps, axis=0)])
