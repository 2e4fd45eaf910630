"""A sensor whose data come some frames after those of the others: arrays only.

Two segments that share a joint turn together, but for what the joint itself does. A hinge does nothing about
the two axes square to its own: there both turn alike, at the same time. So the shift that makes their turns
agree best tells how much later one comes than the other. Where a joint turns freely (hips, shoulders) the
best shift says little, and such joints are not asked.

One late sensor is late against all its neighbours that can be asked, and those agree among themselves.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ..base.checks import Array
from ..maths import filters, quat, series
from .segments import Segments

_REACH_S = 0.13  # shifts that are tried: a late packet of a radio, not a whole take of its own
_SMOOTH_S = 0.03  # of angular velocities, half a window
# Frames that are looked at; in takes twice as long, in stretches spread over them, so that what is computed
# for them does not grow with the take.
_MAX_SAMPLES, _STRETCH_S = 2000, 0.5
_MIN_SPEED_RAD_S = 0.3  # RMS of a segment that turns enough
# How much of the difference in turning is left at the best shift, of that at the ends: below the first, the
# joint is as good as a hinge; below the second it is heard when two measures of it agree. By trial on the
# open motions, where hinges have 0.00 to 0.08, trunk, feet and hands 0.1 to 0.5, hips and shoulders 0.6 to 1.
_MAX_HINGE_DEPTH, _MAX_JOINT_DEPTH = 0.1, 0.5
# Clean open motions have 0.1 frames of 60 a second at hinges, up to 1.3 at other joints.
_MIN_LAG_FRAMES, _MIN_LAG_S = 1.5, 0.025
_MIN_ACROSS_POWER = 1e-6  # of a joint's turning: with less about the other two axes, rounding would decide
_AGREE_S = 0.02  # measures of one lag differ by less


@dataclass(frozen=True)
class Lag:
    """A segment, by its place among its `Segments`, that comes late by whole frames."""

    place: int
    frames: int


def find_lags(world: Array, segments: Segments, rate: float) -> tuple[Lag, ...]:
    """Sensors that come late all through a take.

    Args:
        world: (F, N, 4) orientations of the segments, hemisphere-continuous.
        segments: whose they are.
        rate: frames per second.
    """
    reach = max(round(_REACH_S * rate), 2)
    if len(world) < 8 * reach:
        return ()
    smooth = max(round(_SMOOTH_S * rate), 1)
    some, edge = _stretches(world, reach, reach + 2 * smooth + 1, max(round(_STRETCH_S * rate), 1))
    turning = series.angular_velocity(some, rate)
    for _ in range(2):
        turning = filters.moving_mean(turning, smooth)
    here = slice(edge, len(some) - edge)
    lively = np.sqrt(np.square(turning[here]).sum(axis=-1).mean(axis=(0, 1))) > _MIN_SPEED_RAD_S
    delays = {}
    for place, parent in enumerate(segments.parents.tolist()):
        if parent >= 0 and lively[place] and lively[parent]:
            delay = _delay(some[here, :, parent], turning[:, :, [parent, place]], edge, reach, rate)
            if delay is not None:
                delays[place] = delay
    return _explained(delays, segments, rate)


def _stretches(world: Array, reach: int, edge: int, length: int) -> tuple[Array, int]:
    """The take's stretches (W, B, N, 4) that are looked at, and how many frames at their ends are not.

    Orientations (F, N, 4) of a short take are one stretch, which leaves out `reach` at its ends; stretches of
    `length` frames of a long one have an `edge` more on both sides.
    """
    if len(world) - 2 * reach < 2 * _MAX_SAMPLES:
        return world[:, None], reach
    count = max(_MAX_SAMPLES // length, 1)
    starts = np.linspace(0, len(world) - length - 2 * edge, count).astype(np.intp)
    return world[starts + np.arange(length + 2 * edge)[:, None]], edge


def _delay(upper: Array, turning: Array, edge: int, reach: int, rate: float) -> float | None:
    """How many frames a segment comes after the one above it; None where their turns do not tell.

    Args:
        upper: (W - 2 edge, B, 4) orientations of the segment above.
        turning: (W, B, 2, 3) how both turn.
        edge: frames at either end of a stretch that are not looked at.
        reach: frames of the largest shift.
        rate: frames per second.
    """
    back, stop = quat.inv(upper), len(turning) - edge
    whole, across = [], []
    for shift in range(-reach, reach + 1):
        apart = turning[edge + shift : stop + shift, :, 1] - turning[edge:stop, :, 0]
        local = quat.rotate(back, apart).reshape(-1, 3)
        powers = np.linalg.eigvalsh(local.T @ local)
        whole.append(float(powers.sum()))
        across.append(float(powers[:2].sum()))
    if across[0] + across[-1] <= _MIN_ACROSS_POWER * (whole[0] + whole[-1]):
        return None  # all turn about one axis
    (all_delay, all_depth), (hinge_delay, hinge_depth) = _lowest(np.array(whole)), _lowest(np.array(across))
    if hinge_depth < _MAX_HINGE_DEPTH:
        return hinge_delay - reach
    if max(all_depth, hinge_depth) < _MAX_JOINT_DEPTH and abs(all_delay - hinge_delay) < _AGREE_S * rate:
        return (all_delay + hinge_delay) / 2 - reach
    return None


def _lowest(values: Array) -> tuple[float, float]:
    """Where values are lowest, by a parabola, and how low against their ends; (0, 1) if at one, or level."""
    k = int(np.argmin(values))
    if k in (0, len(values) - 1):
        return 0.0, 1.0
    before, here, after = values[k - 1 : k + 2]
    bend, depth = before - 2 * here + after, 2 * here / (values[0] + values[-1])
    return (k + 0.5 * (before - after) / bend, float(depth)) if bend > 0 else (0.0, 1.0)


def _explained(delays: dict[int, float], segments: Segments, rate: float) -> tuple[Lag, ...]:
    """The late sensors that explain the delays of joints, each alone against all its neighbours."""
    least, agree = max(_MIN_LAG_FRAMES, _MIN_LAG_S * rate), max(_AGREE_S * rate, 1.0)
    found: list[tuple[int, Lag]] = []
    for place in range(len(segments)):
        signs = {place: 1.0} | {int(child): -1.0 for child in np.flatnonzero(segments.parents == place)}
        late = [sign * delays[joint] for joint, sign in signs.items() if joint in delays]
        if late and min(late) >= least and max(late) - min(late) <= agree:
            found.append((len(late), Lag(place, round(float(np.mean(late))))))
    taken: set[int] = set()
    out = []
    for _, lag in sorted(found, key=lambda one: -one[0]):
        joints = {lag.place, *np.flatnonzero(segments.parents == lag.place).tolist()} & delays.keys()
        if taken.isdisjoint(joints):  # a joint's delay has one reason
            taken |= joints
            out.append(lag)
    return tuple(sorted(out, key=lambda lag: lag.place))


def remove_lags(world: Array, lags: tuple[Lag, ...]) -> Array:
    """Orientations (F, N, 4) in which late segments come as many frames earlier; at the end they are held."""
    out = world.copy()
    for lag in lags:
        out[:, lag.place] = world[np.minimum(np.arange(len(world)) + lag.frames, len(world) - 1), lag.place]
    return out
