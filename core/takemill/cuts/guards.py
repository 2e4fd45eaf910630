"""The calm poses that a take comes back to: idles, guards, stances, and lying on the floor."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ..base.checks import Array, Mask
from ..clip.clouds import Cloud
from ..maths import series
from .action_signals import Signals

# Chosen on labelled takes (tests/benchmarks/cuts_table.py, seeds below 100).
MAX_CALM_SPEED_LEGS_S = 0.55  # a bouncing guard has 0.1 to 0.35, a slow walk 0.8
_NEAR_LEGS = 0.07  # root mean square over the joints: poses so near make one cluster
_APART_LEGS = 0.14  # a further guard lies at least so far from the others
_MIN_REACH_LEGS, _MAX_REACH_LEGS = 0.05, 0.11  # how far a pose may be from its guard and still be it
_REACH_SHARE = 1.35  # of the distance within which nine tenths of a guard's own frames lie
# Arms that are held away, or a bow, are no guard until they are held so many times as long: the legs stand as
# before.
_SHIFTED_LEGS, _HELD_TIMES = 0.07, 2.5
_STANCE_PARTS = ("hips", "UpperLeg", "LowerLeg", "Foot", "Toes")
_MAX_CANDIDATES, _MAX_SEEN, _MAX_GUARDS = 200, 1500, 10


@dataclass(frozen=True)
class Guards:
    """G calm poses, the most usual first, and how near each of N frames is to one.

    Attributes:
        nearest: (N,) which guard is nearest, as a share of its reach; 0 where there is none.
        distance: (N,) that share: up to 1 the pose is the guard's.
        away: (N,) how far from the middle of its nearest guard a pose is, leg lengths.
        calm: (N,) where the body moves no more than a guard does.
        count: G.
    """

    nearest: NDArray[np.intp]
    distance: Array
    away: Array
    calm: Mask
    count: int


def find_guards(signals: Signals, rest_s: float) -> Guards:
    """Clusters of poses in which the body is calm, place and heading aside.

    The most usual one counts if the take is there for `rest_s` seconds in all; a further one only if it is
    kept for so long at once: an arm that is held out after a strike is no guard.
    """
    calm = signals.calm_speed < MAX_CALM_SPEED_LEGS_S
    free = np.flatnonzero(calm)
    picked, seen = _spread(free, _MAX_CANDIDATES), _spread(free, _MAX_SEEN)
    near = _distances(signals, picked, seen) < _NEAR_LEGS
    centers: list[tuple[NDArray[np.complex128], Array, float]] = []
    distances: list[Array] = []
    left = np.ones(len(seen), bool)
    open_ = np.ones(len(picked), bool)
    while open_.any() and left.any() and len(centers) < _MAX_GUARDS:
        crowd = np.where(open_, near[:, left].sum(axis=1), 0)
        best = int(np.argmax(crowd))
        if crowd[best] * len(free) < rest_s * signals.rate / 2 * len(seen):
            break
        floor, height = _mean_pose(signals, int(picked[best]), seen[left & near[best]])
        far = _distance_from(signals, floor, height, np.arange(len(signals)))
        inside = calm & (far < _APART_LEGS)
        left &= far[seen] >= _APART_LEGS
        open_ &= far[picked] >= _APART_LEGS
        open_[best] = False
        longest = max((b - a for a, b in zip(*series.runs(inside), strict=True)), default=0)
        kept = inside.sum() if not centers else longest
        shifted = not centers or _stance_distance(signals, floor, height, centers[0]) > _SHIFTED_LEGS
        if kept < rest_s * signals.rate * (1 if shifted else _HELD_TIMES):
            continue
        reach = _REACH_SHARE * float(np.quantile(far[inside], 0.9))
        centers.append((floor, height, reach))
        distances.append(far)
    if not centers:
        none = np.full(len(signals), np.inf)
        return Guards(np.zeros(len(signals), np.intp), none, none, calm, 0)
    every = np.array(distances)
    reaches = np.clip([reach for _, _, reach in centers], _MIN_REACH_LEGS, _MAX_REACH_LEGS)
    nearest = (every / reaches[:, None]).argmin(axis=0)
    away = every[nearest, np.arange(len(signals))]
    return Guards(nearest, away / reaches[nearest], away, calm, len(centers))


def _spread(frames: NDArray[np.intp], most: int) -> NDArray[np.intp]:
    """So many of some frames, evenly."""
    return frames[np.linspace(0, len(frames) - 1, min(len(frames), most)).astype(np.intp)]


def _distances(signals: Signals, ones: NDArray[np.intp], others: NDArray[np.intp]) -> Array:
    """Root mean square distance (M, N) of the poses at M frames from those at N."""
    return _cloud_at(signals, ones).distances(slice(None), slice(None), _cloud_at(signals, others))


def _cloud_at(signals: Signals, frames: NDArray[np.intp]) -> Cloud:
    """The poses at some frames, place and heading aside."""
    return Cloud(signals.floor[frames], signals.places[frames, :, 2])


def _distance_from(
    signals: Signals, floor: NDArray[np.complex128], height: Array, frames: NDArray[np.intp]
) -> Array:
    """The same from a pose (P,) complex over the floor and (P,) in height; the closed form of `clouds`."""
    a, z = signals.floor[frames], signals.places[frames, :, 2]
    square = (np.abs(a) ** 2).sum(axis=1) + (np.abs(floor) ** 2).sum() - 2 * np.abs(a @ floor.conj())
    square += ((z - height) ** 2).sum(axis=1)
    return np.sqrt(np.maximum(square, 0.0) / len(height))


def _stance_distance(
    signals: Signals,
    floor: NDArray[np.complex128],
    height: Array,
    other: tuple[NDArray[np.complex128], Array, float],
) -> float:
    """Root mean square distance of the hips and legs alone of two poses."""
    legs = [column for part, column in signals.columns.items() if part.endswith(_STANCE_PARTS)]
    a, b = (one[legs] - one[legs].mean() for one in (floor, other[0]))
    square = (np.abs(a) ** 2).sum() + (np.abs(b) ** 2).sum() - 2 * np.abs(a @ b.conj())
    square += ((height[legs] - other[1][legs]) ** 2).sum()
    return float(np.sqrt(max(square, 0.0) / len(legs)))


def _mean_pose(signals: Signals, one: int, frames: NDArray[np.intp]) -> tuple[NDArray[np.complex128], Array]:
    """The mean of the poses at `frames`, each turned as that at frame `one` stands."""
    turn = signals.floor[frames] @ signals.floor[one].conj()
    turned = signals.floor[frames] * np.exp(-1j * np.angle(turn))[:, None]
    return turned.mean(axis=0), signals.places[frames, :, 2].mean(axis=0)
