"""How high the floor is under each foot: on stairs, boxes and slopes feet stand at several heights.

A take's own height may drift, and a floor that seems to sink under one standing foot after the other is such
a drift. So heights are judged between stances: two feet that stand at once show how much higher the one
stands whatever the take drifts, and from one stance to the next a drift is small. A foot that stands carries
the body: one that is only held up in the air shows no floor.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np

from ..base.checks import Array, Mask
from ..maths import series
from ..maths.series import runs
from .flights import GRAVITY_M_S2

# What soles, noise and a drift make of one floor from stance to stance. Trial: stances of the open motions,
# clean and damaged, differ by up to 0.03.
_MAX_ONE_FLOOR_LEGS = 0.04
_SAME_LEVEL_LEGS = 0.02  # levels that the feet come back to, of treads that are alike
# A floor whose levels differ by less is one floor: a kerb of 7 cm is the lowest step that is known. Trial:
# one who gets up from the floor stands 0.05 higher with one foot for a while.
_MIN_UNEVEN_LEGS = 0.08
# Two feet that stand at once differ by so much more than their stances in the take: then the recording has
# put each on one floor, as suits do. Less is what soles of feet that roll are wrong by. Chosen by eye.
_MIN_COLLAPSE_LEGS = 0.1
_MAX_SAME_PLACE_LEGS = 0.06  # a foot that comes down again so near stands on the same floor (no source)
_MAX_SPLIT_S = 0.2  # of a stance during which a suit moves the whole take onto the next one (no source)
_MIN_STANCE_S, _MIN_CARRYING_S = 0.1, 0.1  # shorter ones show no height; no source
_EDGE_SHARE = 0.3  # of a stance, at both ends, in which a foot rolls
_MAX_STANCE_SPAN_LEGS = 0.05  # a foot that rises or sinks by more meanwhile does not stand
# A leg that carries, foot included, is longer than this at some time, and its foot nearer than that to the
# hips from above: one that hangs from a seat is 0.8 long and 0.4 aside. No source.
_MIN_CARRYING_LENGTH_LEGS, _MAX_ASIDE_LEGS = 0.9, 0.4
# Rise over length of a flat foot on a slope: less is what a sensor is tilted by (2 degrees), more is a foot
# on its ball or heel (15 degrees).
_MIN_LEAN, _MAX_LEAN = np.tan(np.radians([2.0, 15.0]))
_MAX_LEAN_DIFFERENCE, _MIN_SAME_WAY_COSINE = np.tan(np.radians(3.0)), 0.85  # of feet on the same slope
# A floor that lies so far off height 0 is not the one that the suit was set on. No source.
_MAX_GROUND_OFF_LEGS = 0.1
_MAX_FALLING_SHARE = 0.5  # of gravity: a body whose hips fall faster than that is in the air


@dataclass(frozen=True)
class _Stance:
    """A stretch in which a foot is slow.

    Attributes:
        foot: which.
        start, stop: frames [start, stop).
        is_cut: whether it begins or ends with the take.
        height: of its lower end, metres.
        ends: (2, 3) where heel and toe are amid it.
    """

    foot: int
    start: int
    stop: int
    is_cut: bool
    height: float
    ends: Array


@dataclass(frozen=True)
class Floors:
    """Floors at several heights.

    Attributes:
        ground_m: height of the one that the take calls 0.
        rise_m: (F, K, 2) how much higher than that it is under heel and toe; between two stances of a foot it
            changes half-way.
        under_m: (F, K, 2) where the take has it, drift and all.
    """

    ground_m: float
    rise_m: Array
    under_m: Array


def find_floors(points: Array, slow: Mask, hips: Array, leg: float, rate: float) -> Floors | None:
    """The floors that a take's feet stand on; None where it is one.

    The one that the take calls 0 is that nearest to height 0, if it is near: a suit is set there at the
    start. Else it is the lowest.

    Args:
        points: (F, K, 2, 3) heels and toes, metres.
        slow: (F, K, 2) which of them are slow enough to stand.
        hips: (F, 3)
        leg: metres.
        rate: frames per second.
    """
    low = points[..., 2].min(axis=-1)
    found = _find_stances(points, slow, leg, rate)
    unknown = np.zeros(len(found))
    if not any(_rise(n, found, unknown, low, leg) for n in range(1, len(found))):
        return None  # as nearly all takes
    lower = _heights_by_frame(found, low.shape)
    vertical = series.derivative(hips[:, 2], rate)
    carrying = [one for one in found if _carries(one, lower, points, hips, vertical, leg, rate)]
    leans = _find_leans(carrying)
    steps = [_rise(n, carrying, leans, low, leg) for n in range(1, len(carrying))]
    levels = np.concatenate([[0.0], np.cumsum(steps)])
    if np.ptp(levels) < _MIN_UNEVEN_LEGS * leg:
        return None
    on_level = [n for n, lean in enumerate(leans) if lean == 0]
    levels[on_level] = _join_levels(levels[on_level], [carrying[n] for n in on_level], leg)
    heights = np.array([one.height for one in carrying])
    off = float(np.median(heights - levels))
    nearest = levels[np.abs(levels + off).argmin()]
    levels -= nearest if abs(nearest + off) < _MAX_GROUND_OFF_LEGS * leg else levels.min()
    ends = np.array([one.ends[:, 2] - one.height for one in carrying]) * (leans != 0)[:, None]
    rise, under = (_under_feet(low.shape, carrying, one[:, None] + ends) for one in (levels, heights))
    return Floors(float(np.median(heights - levels)), rise, under)


def _find_stances(points: Array, slow: Mask, leg: float, rate: float) -> list[_Stance]:
    """The stretches in which a foot is slow and keeps its height, in the order of their middles.

    One that the take's end cuts off may be short. Two in one place are one, during which the take was moved.
    """
    found: list[_Stance] = []
    frames = len(points)
    for k in range(points.shape[1]):
        for start, stop in zip(*(edges.tolist() for edges in runs(slow[:, k].any(axis=-1))), strict=True):
            edge = int(_EDGE_SHARE * (stop - start))
            inner = points[start + edge * (start > 0) : stop - edge * (stop < frames), k]
            cut = start == 0 or stop == frames
            if stop - start < (2 if cut else _MIN_STANCE_S * rate):
                continue
            if np.ptp(inner[..., 2].min(axis=-1)) < _MAX_STANCE_SPAN_LEGS * leg:
                # Sorted by hand: numpy's median takes ten times as long for so few.
                height, ends = (
                    np.sort(one, axis=0)[len(one) // 2] for one in (inner[..., 2].min(axis=-1), inner)
                )
                here = _Stance(k, start, stop, cut, float(height), ends)
                before = found[-1] if found and found[-1].foot == k else None
                if before and start - before.stop < _MAX_SPLIT_S * rate and _lies_at(before, here, leg):
                    longer = max(before, here, key=lambda one: one.stop - one.start)
                    here = replace(longer, start=before.start, stop=stop, is_cut=before.is_cut or cut)
                    found.pop()
                found.append(here)
    return sorted(found, key=lambda one: (one.start + one.stop, one.foot))


def _lies_at(one: _Stance, other: _Stance, leg: float) -> bool:
    """Whether two stances of a foot are in one place on the floor."""
    away = (other.ends - one.ends).mean(axis=0)[:2]
    return float(np.linalg.norm(away)) < _MAX_SAME_PLACE_LEGS * leg


def _heights_by_frame(found: list[_Stance], shape: tuple[int, ...]) -> Array:
    """The height (F, K) of each foot's stance; infinite where it has none."""
    out = np.full(shape, np.inf)
    for one in found:
        out[one.start : one.stop, one.foot] = one.height
    return out


def _carries(
    one: _Stance, stands: Array, points: Array, hips: Array, vertical: Array, leg: float, rate: float
) -> bool:
    """Whether a foot carries the body for a while: under it, not folded, and no lower foot stands."""
    others = np.delete(stands[one.start : one.stop], one.foot, axis=1)
    alone = ~(others < one.height - _MAX_ONE_FLOOR_LEGS * leg).any(axis=1)
    for start, stop in zip(*(one.start + edges for edges in runs(alone)), strict=True):
        if stop - start < (2 if one.is_cut else max(_MIN_CARRYING_S * rate, 2)):
            continue
        away = hips[start:stop] - points[start:stop, one.foot].mean(axis=1)
        gained = (vertical[stop - 1] - vertical[start]) * rate / (stop - start - 1)
        if (
            np.linalg.norm(away, axis=-1).max() > _MIN_CARRYING_LENGTH_LEGS * leg
            and np.linalg.norm(away[:, :2], axis=-1).min() < _MAX_ASIDE_LEGS * leg
            and away[:, 2].min() > 0
            and gained > -_MAX_FALLING_SHARE * GRAVITY_M_S2
        ):
            return True
    return False


def _rise(n: int, stances: list[_Stance], leans: Array, low: Array, leg: float) -> float:
    """How much higher the floor is under stance n than under the one before; 0 where it may be the same."""
    one, other = stances[n - 1 : n + 1]
    if one.foot == other.foot and _lies_at(one, other, leg):
        return 0.0
    rise = other.height - one.height
    start, stop = max(one.start, other.start), min(one.stop, other.stop)
    if one.foot != other.foot and stop - start >= 2:
        at_once = float((low[start:stop, other.foot] - low[start:stop, one.foot]).mean())
        if abs(at_once - rise) > _MIN_COLLAPSE_LEGS * leg:
            rise = at_once
    on_slope = leans[n - 1] != 0 and leans[n] != 0
    return rise if on_slope or abs(rise) > _MAX_ONE_FLOOR_LEGS * leg else 0.0


def _join_levels(heights: Array, stances: list[_Stance], leg: float) -> Array:
    """Heights (N,) of stances, those that are nearly the same made the same: their mean over time."""
    order = np.argsort(heights, kind="stable")
    group = np.zeros(len(heights), np.intp)
    group[order[1:]] = np.cumsum(np.diff(heights[order]) > _SAME_LEVEL_LEGS * leg)
    seconds = np.array([one.stop - one.start for one in stances], float)
    means: Array = np.bincount(group, heights * seconds) / np.bincount(group, seconds)
    return means[group]


def _find_leans(stances: list[_Stance]) -> Array:
    """Rise over length (N,) of the floor under N stances, along the foot; 0 where it is level.

    A flat foot that leans stands on a slope if the stances before and after it rise the same way, or if it
    leans as the nearest one that does; else it is on its ball or its heel, or its sensor is tilted.
    """
    feet = np.array([one.ends[1] - one.ends[0] for one in stances]).reshape(-1, 3)
    middles = np.array([one.ends.mean(axis=0) for one in stances]).reshape(-1, 3)
    length = np.maximum(np.linalg.norm(feet[:, :2], axis=-1), 1e-9)
    lean, ahead = feet[:, 2] / length, feet[:, :2] / length[:, None]
    may = (np.abs(lean) > _MIN_LEAN) & (np.abs(lean) < _MAX_LEAN)
    before, after = np.maximum(np.arange(len(stances)) - 1, 0), np.arange(1, len(stances) + 1)
    after = np.minimum(after, len(stances) - 1)
    heights = np.array([one.height for one in stances])
    way = np.einsum("ni,ni->n", (middles[after] - middles[before])[:, :2], ahead)
    wanted, rise = way * lean, heights[after] - heights[before]
    sure = np.flatnonzero(
        may & (np.abs(wanted) > 1e-9) & (rise * wanted > 0.5 * wanted**2) & (rise * wanted < 2 * wanted**2)
    )
    out = np.zeros(len(stances))
    for n in np.flatnonzero(may) if len(sure) > 1 else []:
        near = sure[np.abs(sure - n).argmin()]
        if ahead[n] @ ahead[near] > _MIN_SAME_WAY_COSINE and abs(lean[n] - lean[near]) < _MAX_LEAN_DIFFERENCE:
            out[n] = lean[n]
    return out


def _under_feet(shape: tuple[int, ...], stances: list[_Stance], ends: Array) -> Array:
    """The heights (F, K, 2) under each foot's nearest stance, of N (N, 2); of any where it has none."""
    out = np.zeros((*shape, 2))
    for k in range(shape[1]):
        mine = [n for n, one in enumerate(stances) if one.foot == k] or list(range(len(stances)))
        changes = [(stances[a].stop + stances[b].start) // 2 for a, b in pairwise(mine)]
        for n, start, stop in zip(mine, [0, *changes], [*changes, shape[0]], strict=True):
            out[start:stop, k] = ends[n]
    return out
