"""Slow, obvious twins of the numerics, for comparison on random input."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from takemill.base.checks import Array
from takemill.body.skeleton import Skeleton
from takemill.maths import filters, quat


def hysteresis(surely: list[bool], maybe: list[bool]) -> list[bool]:
    """Frames of `maybe` that a walk in either direction reaches from a frame of `surely`."""
    frames = len(surely)
    out = [False] * frames
    for order in (range(frames), reversed(range(frames))):
        on = False
        for frame in order:
            on = surely[frame] or (on and maybe[frame])
            out[frame] = out[frame] or on
    return out


def gait_events(heel: Array, toe: Array, sacrum: Array, ahead: Array) -> tuple[list[int], list[int]]:
    """Heel strikes and toe offs of one foot, frames: the coordinate-based method.

    The heel (F, 3) strikes where it is farthest ahead of the sacrum (F, 3) along the way (3,); the toe (F, 3)
    leaves where it is farthest behind. Source: Zeni, Richards and Higginson, Gait and Posture 27, 2008. Of
    the extremes those count that reach seven tenths of the largest.
    """
    events = []
    for point, sign in ((heel, 1.0), (toe, -1.0)):
        reach = [sign * float((p - s) @ ahead) for p, s in zip(point, sacrum, strict=True)]
        events.append(
            [
                frame
                for frame in range(1, len(reach) - 1)
                if reach[frame - 1] < reach[frame] >= reach[frame + 1] and reach[frame] > 0.7 * max(reach)
            ]
        )
    return events[0], events[1]


def faded(values: Array, known: list[bool], rate: float, longest: int) -> list[float]:
    """Each of (F,) values where known; elsewhere one cubic across, or one out to nothing and one in again."""

    def edge(frame: int, inward: int) -> tuple[float, float]:
        end = frame
        while end != frame + 3 * inward and 0 <= end + inward < len(known) and known[end + inward]:
            end += inward
        return values[frame], (values[end] - values[frame]) / (end - frame) if end != frame else 0.0

    def frames(at: tuple[float, float] | None) -> int:
        """How long it takes to come or go at 20 m/s^2, at least 0.03 s."""
        size = abs(at[0]) if at else 0.0
        wanted = math.ceil(rate * math.sqrt(6 * size / 20))
        return min(max(wanted, round(0.03 * rate), 1), longest)

    def cubic(a: tuple[float, float], b: tuple[float, float], span: int, at: int) -> float:
        u = at / span
        rise = 3 * u**2 - 2 * u**3
        bows = span * (a[1] * u * (1 - u) ** 2 - b[1] * u**2 * (1 - u))
        return a[0] * (1 - rise) + b[0] * rise + bows

    out = []
    for frame in range(len(known)):
        if known[frame]:
            out.append(float(values[frame]))
            continue
        start, stop = frame, frame
        while start >= 0 and not known[start]:
            start -= 1
        while stop < len(known) and not known[stop]:
            stop += 1
        left = edge(start, -1) if start >= 0 else None
        right = edge(stop, 1) if stop < len(known) else None
        going, coming = frames(left), frames(right)
        if left and right and stop - start - 1 < going + coming:
            out.append(cubic(left, right, stop - start, frame - start))
            continue
        total = 0.0
        if left and frame - start <= going:
            total += cubic(left, (0.0, 0.0), going + 1, frame - start)
        if right and stop - frame <= coming:
            total += cubic((0.0, 0.0), right, coming + 1, coming + 1 - (stop - frame))
        out.append(total)
    return out


def hips_course(wanted: Array, cost: Array, rate: float) -> Array:
    """The way (F, 3) whose misses, bends and slopes cost least: every term a row of one dense matrix."""
    frames, feet, _ = wanted.shape
    step = max(round(rate / 30), 1)
    spans = math.ceil(frames / step)
    places = np.arange(frames) / step
    basis = np.zeros((frames, spans + 3))
    for f, place in enumerate(places):
        for m in range(spans + 3):
            x = abs(place - (m - 1))  # the cubic B-spline, centred on knot m - 1
            basis[f, m] = (4 - 6 * x**2 + 3 * x**3) / 6 if x < 1 else max(2 - x, 0) ** 3 / 6
    size = 3 * (spans + 3)
    normal, right = 1e-9 * np.eye(size), np.zeros(size)
    for f in range(frames):
        row = np.kron(basis[f], np.eye(3))  # (3, size)
        for k in range(feet):
            normal += row.T @ cost[f, k] @ row
            right += row.T @ cost[f, k] @ wanted[f, k]
    bend = step * (rate / step / (2 * np.pi * 5.0)) ** 4
    for order, share in ((2, bend), (1, bend * (step / rate / 0.1) ** 2)):
        change = np.kron(np.diff(np.eye(spans + 3), order, axis=0), np.eye(3))
        normal += share * change.T @ change
    return basis @ np.linalg.solve(normal, right).reshape(-1, 3)


def twist(q: Array, axis: Array) -> Array:
    """The part (..., 4) of rotations (..., 4) that turns about a unit axis (3,)."""
    along = (q[..., 1:] @ axis)[..., None] * axis
    return quat.normalize(np.concatenate([q[..., :1], along], axis=-1))


def smooth_rotations(rotations: Array, rate: float, cutoff_hz: float) -> Array:
    """Unit quaternions (F, 4) through a zero-phase low-pass, about a slow path of the same joint."""
    slow = filters.butterworth(rotations, rate, min(1.0, 0.2 * rate), order=2)
    path = quat.continuous(quat.normalize(slow))
    away = quat.log(quat.mul(quat.inv(path), rotations))
    return quat.mul(path, quat.exp(filters.butterworth(away, rate, cutoff_hz)))


def reordered(skeleton: Skeleton, order: Sequence[int]) -> Skeleton:
    """The same skeleton with its joints in the given order, parents before children."""
    place = {old: new for new, old in enumerate(order)}
    tips = tuple(place[j] for j in skeleton.tip_joints)
    return replace(skeleton.part(order), tip_joints=tips, tip_offsets=skeleton.tip_offsets)
