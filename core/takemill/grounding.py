"""Where a take drifts, told by its planted feet: heading, path and floor.

An inertial suit measures orientation against gravity well, heading less well and place not at all. So tilt is
left alone here, and a floor that seems to slope is a drift in height, taken out of the path.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from . import filters, quat, series
from .checks import Array, Index, Mask

_KNOT_S = 10.0  # between the knots of a drift rate
_RATE_CHANGE = 5.0  # degrees a minute that a drift rate is expected to change by in a minute
_TURNING = 4.0  # degrees a second; a body that turns faster means to
_LARGEST_DRIFT = 60.0  # degrees a minute; more is no drift but a turn
_EDGE_S = 0.05  # the first and last frames of a contact still land or leave


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


def eroded(planted: Mask, frames: int) -> Mask:
    """Masks (F, ...) without the first and last `frames` of each run; the take's own ends stay."""
    out = planted.copy()
    for k in range(1, frames + 1):
        out[k:] &= planted[:-k]
        out[:-k] &= planted[k:]
    return out


def heading_drift(points: Array, flat: Mask, heading: Array, rate: float) -> Drift:
    """The yaw that a take drifts by, from two things that do not turn.

    A flat, planted foot: the slope of its heading over each contact. And a body on its way: over stretches of
    five seconds and more without a turn, the slope of its heading, known to about two degrees every two
    seconds (nobody walks an arc of a hundred metres in a capture room; common practice, no source). All
    slopes are fitted by one drift rate, a line through knots, weighted by what each can know; outlying ones
    (a foot that did pivot) count less (Huber, Annals of Mathematical Statistics 35, 1964). A drift below
    twice its standard error is none.

    Args:
        points: (F, K, 2, 3) heel and toe.
        flat: (F, K) heel and toe both planted.
        heading: (F,) of the body, unwrapped, radians.
        rate: frames per second.
    """
    frames = len(points)
    feet = _foot_stretches(points, flat, rate)
    body = _straight_stretches(heading, rate)
    starts, stops, slopes, weights = (np.concatenate(pair) for pair in zip(feet, body, strict=True))
    if len(slopes) < 2 and len(body[0]) == 0:
        return Drift(np.zeros(frames), 0.0, float("inf"))
    seconds = frames / rate
    knots = np.linspace(0, seconds, max(round(seconds / _KNOT_S), 1) + 1)
    rows = _mean_hats(starts / rate, stops / rate, knots)
    size = np.radians(_RATE_CHANGE) / 60 * np.sqrt((knots[1] - knots[0]) / 60)
    change = np.diff(np.eye(len(knots)), axis=0) / size
    robust = np.ones(len(slopes))
    for _ in range(8):
        w = weights * robust
        normal = rows.T @ (w[:, None] * rows) + change.T @ change + 1e-12 * np.eye(len(knots))
        values = np.linalg.solve(normal, rows.T @ (w * slopes))
        robust = 1 / np.maximum(np.abs(slopes - rows @ values) * np.sqrt(weights) / 1.5, 1)
    mean_row = _mean_hats(np.zeros(1), np.full(1, seconds), knots)[0]
    mean = float(np.degrees(mean_row @ values) * 60)
    error = float(np.degrees(np.sqrt(mean_row @ np.linalg.solve(normal, mean_row))) * 60)
    if abs(mean) < 2 * error or abs(mean) > _LARGEST_DRIFT:
        return Drift(np.zeros(frames), mean, error)
    per_frame = np.interp((np.arange(frames - 1) + 0.5) / rate, knots, values) / rate
    return Drift(np.concatenate([[0.0], np.cumsum(per_frame)]), mean, error)


_Stretches = tuple[Array, Array, Array, Array]  # starts, stops (frames), slopes (radians a second), weights


def _foot_stretches(points: Array, flat: Mask, rate: float) -> _Stretches:
    """Slopes of the heading of flat feet, weighted by 1 / variance as their own scatter tells it."""
    ahead = points[:, :, 1] - points[:, :, 0]
    yaw = np.unwrap(np.arctan2(ahead[..., 1], ahead[..., 0]), axis=0)
    inner = eroded(flat, round(_EDGE_S * rate))
    found = [np.zeros((4, 0))]
    for k in range(points.shape[1]):
        starts, stops = _pieces(*series.runs(inner[:, k]), max(int(0.15 * rate), 3), int(20 * rate))
        found.append(np.stack([starts, stops, *_line_slopes(yaw[:, k], starts, stops, rate)]))
    starts, stops, slopes, known = np.concatenate(found, axis=1)
    if len(slopes):
        off = np.abs(slopes - np.median(slopes)) * np.sqrt(known)
        # At least what half a degree of error in a frame would make of it.
        scatter = max(1.4826 * float(np.median(off)), np.radians(0.5))
        known = 1 / (scatter**2 / known + _wander_variance((stops - starts) / rate))
    return starts, stops, slopes, known


def _wander_variance(seconds: Array) -> Array:
    """What a leg's slow errors do to a slope over so many seconds (N,): 0.6 degrees, new every 2 s."""
    return 12 * np.radians(0.6) ** 2 / np.maximum(seconds, 2.0) ** 2 * np.minimum(2.0 / seconds, 1.0)


def _straight_stretches(heading: Array, rate: float) -> _Stretches:
    """Slopes of the body's heading (F,) where it does not turn for five seconds or more."""
    calm = heading
    for _ in range(3):  # a stride and more, so that the hips' swing is gone
        calm = filters.moving_mean(calm, int(rate))
    straight = np.abs(series.derivative(calm, rate)) < np.radians(_TURNING)
    starts, stops = _pieces(*series.runs(straight), int(5 * rate), len(heading))
    slopes, known = _line_slopes(heading, starts, stops, rate)
    # Two degrees of wandering, new every two seconds.
    return starts.astype(float), stops.astype(float), slopes, known / (np.radians(2.0) ** 2 * 2 * rate)


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


def _pieces(starts: Index, stops: Index, least: int, longest: int) -> tuple[Index, Index]:
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


def without_drift(root: Array, path: Array, drift: Array) -> tuple[Array, Array]:
    """Root rotations (F, 4) and positions (F, 3) with a heading drift (F,) taken out of both.

    Each step of the path is turned back by the drift of its frame.
    """
    back = quat.from_yaw(-drift)
    steps = quat.rotate(back[1:], np.diff(path, axis=0))
    return quat.mul(back, root), np.concatenate([path[:1], path[:1] + np.cumsum(steps, axis=0)])


def path_drift(points: Array, planted: Mask, rate: float, floor_m: float = 0.0) -> Array:
    """How far (F, 3) the take has slid over the floor and risen from it, by its planted heels and toes.

    Over the floor: the planted points' mean velocity, added up. While nothing is planted the velocity goes
    over from that of the contacts before to that of those after, so that a flight keeps its own. In
    height: the planted points' mean height over `floor_m`, likewise.

    Args:
        points: (F, K, 2, 3) heels and toes, metres.
        planted: (F, K, 2).
        rate: frames per second.
        floor_m: height of the floor.
    """
    frames = len(points)
    if not planted.any() or frames < 2:
        return np.zeros((frames, 3))
    weight = confidence(planted, rate)
    velocity = series.derivative(points[..., :2], rate)
    slide = weighted_course(velocity, weight, rate)
    # Contacts tell about a second or so around them; farther off nothing is known and nothing is changed.
    down = planted.reshape(frames, -1).any(axis=1).astype(float)
    slide *= np.clip(5 * filters.moving_mean(down, round(rate)), 0, 1)[:, None]
    out = np.empty((frames, 3))
    out[:, :2] = np.concatenate([np.zeros((1, 2)), np.cumsum((slide[1:] + slide[:-1]) / 2, axis=0)]) / rate
    out[:, 2:] = weighted_course(points[..., 2:] - floor_m, weight, rate)
    return out


def confidence(planted: Mask, rate: float) -> Array:
    """Weights (F, ...) of contacts (F, ...): 1 amid a long one, small at its ends, 0 outside."""
    blurred = filters.moving_mean(planted.astype(float), round(_EDGE_S * rate))
    return np.where(planted, np.clip(blurred, 0.1, 1) ** 4, 0.0)


def weighted_course(values: Array, weight: Array, rate: float) -> Array:
    """The weighted mean (F, C) of values (F, ..., C) near each frame, weights (F, ...).

    Near is 0.05 s where there is weight, half a second where there is little, and a straight line across
    longer gaps; 0 without any weight.
    """
    frames, size = len(values), values.shape[-1]
    total = weight.reshape(frames, -1).sum(axis=1)[:, None]
    if not total.any():
        return np.zeros((frames, size))
    summed = (values * weight[..., None]).reshape(frames, -1, size).sum(axis=1)
    out = None
    for spread_s in (0.5, 0.05):
        around, there = summed, total
        for _ in range(3):
            half = max(round(spread_s * rate / 2), 1)
            around, there = filters.moving_mean(around, half), filters.moving_mean(there, half)
        known = there[:, 0] > 1e-9
        mean = around / np.maximum(there, 1e-9)
        if out is None:
            frame = np.arange(len(mean))
            out = np.stack([np.interp(frame, frame[known], c[known]) for c in mean.T], axis=-1)
        share = np.where(known, there[:, 0] / (there[:, 0] + 0.05), 0.0)[:, None]
        out = out + share * (mean - out)
    assert out is not None
    return out
