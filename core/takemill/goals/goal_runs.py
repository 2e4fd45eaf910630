"""Small questions of those who look for goals: which frames, where on a hand, which of several."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np

from ..base.checks import Array, Index, Mask
from ..maths import filters, quat
from ..maths.series import filled, runs
from .goals import Goal

_TINY_M2 = 1e-12  # keeps segments of no length from being divided by
_MIDDLE_SHARE = 0.1  # of a hand's length: it touches with its middle, unless another place is nearer by more


def preferred(along: Array, lines: tuple[Array, ...]) -> float:
    """Where a hand touches: in its middle, unless the nearest place (N,) is nearer by more than a centimetre.

    `lines` are the ends (N, 3) of the hand and of what it touches.
    """
    middle = (lines[0] + lines[1]) / 2
    length = quat.length(lines[1] - lines[0])
    nearest = lines[0] + along[:, None] * (lines[1] - lines[0])
    gaps = [_from_segment(point, lines[2], lines[3]) for point in (middle, nearest)]
    return (
        0.5 if np.median(gaps[0] - gaps[1]) < _MIDDLE_SHARE * np.median(length) else float(np.median(along))
    )


def _from_segment(points: Array, a: Array, b: Array) -> Array:
    """How far (N,) points (N, 3) are from segments."""
    line, away = b - a, points - a
    squared = np.maximum(np.einsum("ni,ni->n", line, line), _TINY_M2)
    share = np.clip(np.einsum("ni,ni->n", away, line) / squared, 0.0, 1.0)
    return quat.length(away - share[:, None] * line)


def arm_of(hand: str) -> tuple[str, str]:
    """The parts of the arm that a hand belongs to."""
    side = hand.removesuffix("Hand")
    return f"{side}UpperArm", f"{side}LowerArm"


def spans(goals: Iterable[Goal]) -> tuple[Index, Index]:
    """The starts and the stops (N,) of goals."""
    spans = np.array([(goal.start, goal.stop) for goal in goals], np.intp).reshape(-1, 2)
    return spans[:, 0], spans[:, 1]


def one_at_a_time(found: Iterable[tuple[float, Goal]]) -> list[Goal]:
    """Of goals that one hand has at the same time those where it is nearest."""
    kept: list[Goal] = []
    for _, goal in sorted(found, key=lambda pair: pair[0]):
        others = [one for one in kept if one.part == goal.part]
        shared = sum(max(min(goal.stop, one.stop) - max(goal.start, one.start), 0) for one in others)
        if shared <= 0.3 * (goal.stop - goal.start):
            kept.append(goal)
    return kept


def within(maybe: Mask, surely: Mask) -> Mask:
    """The runs of a mask (F,) in which another is anywhere true."""
    starts, stops = runs(maybe)
    counted = np.concatenate([[0], np.cumsum(surely)])
    keep = counted[stops] > counted[starts]
    return filled(len(maybe), starts[keep], stops[keep])


def tidy(mask: Mask, gap: int, least: int) -> Mask:
    """A mask (F,) whose gaps up to `gap` frames are closed and whose runs below `least` are dropped."""
    starts, stops = runs(~mask)
    short = (stops - starts <= gap) & (starts > 0) & (stops < len(mask))
    mask = mask | filled(len(mask), starts[short], stops[short])
    starts, stops = runs(mask)
    keep = stops - starts >= least
    return filled(len(mask), starts[keep], stops[keep])


def spread(values: Array, half: int) -> Array:
    """How far (F,) values (F, N) spread within `half` frames of each: the root of their variance."""
    mean = filters.moving_mean(values, half)
    square = filters.moving_mean(values**2, half)
    return np.sqrt(np.maximum(square - mean**2, 0.0).sum(axis=-1))
