"""When a body without a height of its own is in the air, told from how its lowest point moves."""

from __future__ import annotations

import numpy as np

from ..base.checks import Array, Index
from ..maths import filters

GRAVITY_M_S2 = 9.80665  # standard gravity, 3rd CGPM 1901 (BIPM, The International System of Units)
# What each of the others is worth stands in `path_table.py constants`: but for the last one, a third less or
# half as much again changes the length of an open run by 1.4 % at most, with noise by 2.8, and that of walks
# and turns by nothing.

# A body falls at most as fast as gravity pulls. Where its height over its own lowest point bends down more
# sharply than so many times that, measured over so long to both sides, the point no longer carries it.
_MIN_BEND_GRAVITIES, _BEND_S = 1.3, 0.035
_MIN_FLIGHT_S, _MAX_FLIGHT_S = 0.05, 1.0  # throws that rise by 3 mm and by 1.2 m
# How far the speeds just outside may differ from those of the throw between them, leg lengths a second, and
# how deep a lowest point may reach below the floor, leg lengths. Ends of flights in the open run and jumps
# differ by up to 1.4.
_MAX_SPEED_ERROR_LEGS_S, _MAX_DEPTH_LEGS = 1.6, 0.012
# Feet that carry a body move evenly against it. By so much, leg lengths a second, RMS, they leave their even
# course in a flight. In the flights of the open run by 2.2 and more, in its stances by 1.2 to 1.4, which are
# bounded by bends too: at 1.1 one of those counts as a flight, at 2.5 no flight is found, and its length is 5
# and 8 % off.
_MIN_FOOT_SWING_LEGS_S = 1.7


def height_in_flight(height: Array, feet: Array, rate: float, leg: float) -> Array:
    """How high (F,) the hips of a body lie over the floor on which it stands, or over which it flies.

    In a flight they follow a throw from where it takes off to where it lands.

    Args:
        height: (F,) of the hips over the body's own lowest point, metres.
        feet: (F, P, 3) points of the soles, in a space that moves with the body and is not turned with it.
        rate: frames per second.
        leg: its leg length, metres.
    """
    out = height.copy()
    for start, stop in find_flights(height, feet, rate, leg):
        out[start : stop + 1] = np.maximum(height[start : stop + 1], _throw(height, start, stop, rate))
    return out


def find_flights(height: Array, feet: Array, rate: float, leg: float) -> list[tuple[int, int]]:
    """The last frame on the floor before and the first one after each flight.

    Heights (F,) and feet (F, P, 3) are those of `height_in_flight`.

    A flight begins and ends where the height over the lowest point bends down more sharply than gravity can
    pull a body; a throw joins both ends in place and speed; and the feet swing meanwhile. Of such stretches
    that overlap the shortest counts: a longer one holds a stance.
    """
    bends = _sharp_bends(height, rate)
    kept: list[tuple[int, int]] = []
    taken = np.zeros(len(height), bool)
    for start, stop in sorted(_joined_pairs(height, bends, rate, leg), key=lambda pair: pair[1] - pair[0]):
        deep = (_throw(height, start, stop, rate) - height[start : stop + 1]).min() < -_MAX_DEPTH_LEGS * leg
        if taken[start:stop].any() or deep:
            continue
        if _foot_swing(feet, start, stop, rate) >= _MIN_FOOT_SWING_LEGS_S * leg:
            kept.append((start, stop))
            taken[start:stop] = True
    return sorted(kept)


def _sharp_bends(height: Array, rate: float) -> Index:
    """The frames (N,) at which a height (F,) bends down most sharply, and more so than bodies fall."""
    reach = _bend_frames(rate)
    if len(height) < 2 * reach + 1:
        return np.zeros(0, np.intp)
    bend = np.zeros(len(height))
    inner = height[2 * reach :] - 2 * height[reach:-reach] + height[: -2 * reach]
    bend[reach:-reach] = inner * (rate / reach) ** 2
    sharpest = bend <= -filters.moving_max(-bend, 1)
    found = np.flatnonzero(sharpest & (bend < -_MIN_BEND_GRAVITIES * GRAVITY_M_S2))
    return found[np.diff(found, prepend=-2) > 1]


def _bend_frames(rate: float) -> int:
    return max(round(_BEND_S * rate), 1)


def _joined_pairs(height: Array, bends: Index, rate: float, leg: float) -> list[tuple[int, int]]:
    """Pairs of bends (N,) that a throw can join: what the body does before and after fits its speed."""
    reach, last = _bend_frames(rate), len(height) - 1
    before = (height[bends] - height[np.maximum(bends - reach, 0)]) * rate / reach
    after = (height[np.minimum(bends + reach, last)] - height[bends]) * rate / reach
    out: list[tuple[int, int]] = []
    for step in range(1, len(bends)):
        seconds = (bends[step:] - bends[:-step]) / rate
        if seconds.min() > _MAX_FLIGHT_S:
            break
        mean = (height[bends[step:]] - height[bends[:-step]]) / seconds
        off = np.maximum(
            np.abs(mean + GRAVITY_M_S2 * seconds / 2 - before[:-step]),
            np.abs(mean - GRAVITY_M_S2 * seconds / 2 - after[step:]),
        )
        fits = (seconds >= _MIN_FLIGHT_S) & (seconds <= _MAX_FLIGHT_S) & (off < _MAX_SPEED_ERROR_LEGS_S * leg)
        out += zip(bends[:-step][fits].tolist(), bends[step:][fits].tolist(), strict=True)
    return out


def _throw(height: Array, start: int, stop: int, rate: float) -> Array:
    """The heights of a throw from one frame to another, both included, at their heights (F,)."""
    time = np.arange(stop - start + 1) / rate
    seconds = (stop - start) / rate
    straight = height[start] + (height[stop] - height[start]) * time / seconds
    return np.asarray(straight + GRAVITY_M_S2 / 2 * time * (seconds - time))


def _foot_swing(feet: Array, start: int, stop: int, rate: float) -> float:
    """How far the speed of the lowest points (F, P, 3) leaves an even course meanwhile, m/s, RMS.

    The course leads from the speed just before to that just after; where the take ends there, it stays even.
    """
    first, last = max(start - 1, 0), min(stop + 1, len(feet) - 1)
    lowest = feet[first:last, :, 2].argmin(axis=1)
    steps = np.diff(feet[first : last + 1, :, :2], axis=0)
    speed = steps[np.arange(last - first), lowest] * rate
    before = speed[0] if first < start else speed[-1]
    after = speed[-1] if last > stop else before
    part = np.linspace(0.0, 1.0, len(speed))[:, None]
    away = speed - (1 - part) * before - part * after
    return float(np.sqrt(np.square(away).sum(axis=1).mean()))
