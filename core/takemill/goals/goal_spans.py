"""Goals of one pair of parts in time: the frames in which each counts, and what goes on beside them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from ..base.checks import Array, Index, Mask
from .goals import Goal, blend_frames, window

_TINY = 1e-9  # keeps numbers of nothing from being divided by
_SLOWING_S = 0.08  # the change at a goal's end goes on for about so long. Trial: goals_table.py


@dataclass(frozen=True)
class Span:
    """One goal among the N frames in which any of its pair counts.

    Attributes:
        goal: it.
        rows: those R of the N in which it counts.
        weight: (R,) how much it does there, 1 while it holds.
        held: those of the N in which it holds.
    """

    goal: Goal
    rows: slice
    weight: Array
    held: slice


@dataclass(frozen=True)
class Spans:
    """The goals of one pair of parts.

    Attributes:
        frames: (N,) those in which any goal counts.
        each: the goals among them, in the order of time.
        total: (N,) the sum of what they count.
        weight: (N,) how much they count together, 0 to 1.
    """

    frames: Index
    each: tuple[Span, ...]
    total: Array
    weight: Array

    def mixed(self, values: Sequence[Array] | Array) -> Array:
        """A value of each goal (...), easing from one goal to the next (N, ...)."""
        tail = np.shape(values[0])
        out = np.zeros((len(self.frames), *tail))
        for span, value in zip(self.each, values, strict=True):
            out[span.rows] += span.weight.reshape(-1, *[1] * len(tail)) * value
        return out / self.total.reshape(-1, *[1] * len(tail))

    def middles(self, values: Array) -> Array:
        """The middle of values (N, ...) while each goal holds, easing from one goal to the next (N, ...)."""
        return self.mixed([np.median(values[span.held], axis=0) for span in self.each])

    def cut(self, rows: Index) -> Spans:
        """Those frames `rows` (M,) alone, without the goals one by one."""
        return Spans(self.frames[rows], (), self.total[rows], self.weight[rows])


def spans_of(goals: Sequence[Goal], count: int, rate: float) -> Spans:
    """The spans of goals in a motion of so many frames."""
    blend = blend_frames(rate)
    windows = [window(goal, count, blend) for goal in goals]
    frames = np.unique(np.concatenate([np.arange(first, first + len(one)) for first, one in windows]))
    total, left = np.zeros(len(frames)), np.ones(len(frames))
    starts = np.searchsorted(
        frames, [(first, goal.start) for (first, _), goal in zip(windows, goals, strict=True)]
    )
    each = []
    for goal, (_, weight), (first, start) in zip(goals, windows, starts.tolist(), strict=True):
        rows = slice(first, first + len(weight))
        total[rows] += weight
        left[rows] *= 1 - weight
        each.append(Span(goal, rows, weight, slice(start, start + goal.stop - goal.start)))
    return Spans(frames, tuple(each), total, 1 - left)


@dataclass(frozen=True)
class Hold:
    """How the N values of a course go on before and after its goals: from the value at their ends.

    What a goal asks for means little while the hand is still far, and what goes on level cannot snap. Where
    one goal alone holds, values stay as they are; the others are made up of values at goals.

    Attributes:
        beside: (B,) the values that are made up.
        row: (M,) of which of the B a share is told.
        edge, after, before: (M,) the value of a goal, and those next to it.
        steps: (M,) how many frames' change there is added, half.
        share: (M,) how much this counts in the row.
    """

    beside: Index
    row: Index
    edge: Index
    after: Index
    before: Index
    steps: Array
    share: Array

    def held(self, values: Array) -> Array:
        """Values (N, 3) as they count."""
        out = values.copy("K")
        for k in range(values.shape[1]):
            one = values[:, k]
            each = self.share * (one[self.edge] + self.steps * (one[self.after] - one[self.before]))
            out[self.beside, k] = np.bincount(self.row, each, len(self.beside))
        return out

    def with_edges(self, some: Mask) -> Mask:
        """Some of the values (N,), with those that are made up of them and those that they are made up of."""
        made = np.zeros(len(self.beside), bool)
        made[self.row[some[self.edge] | some[self.after] | some[self.before]]] = True
        made |= some[self.beside]
        out, used = some.copy(), made[self.row]
        out[self.beside[made]] = True
        for one in (self.edge, self.after, self.before):
            out[one[used]] = True
        return out

    def cut(self, new: Index) -> Hold:
        """The hold of some values alone; `new` (N,) are their places, -1 of others."""
        mine = new[self.beside] >= 0
        place = np.cumsum(mine) - 1
        some = mine[self.row]
        edge, after, before = (new[one[some]] for one in (self.edge, self.after, self.before))
        row, beside = place[self.row[some]], new[self.beside[mine]]
        return Hold(beside, row, edge, after, before, self.steps[some], self.share[some])


def hold_of(spans: Spans, rate: float) -> Hold:
    """How values of the spans go on beside their goals."""
    count, slow = len(spans.frames), _SLOWING_S * rate
    alone = np.zeros(count, bool)
    rows, edges, shares = [], [], []
    for span in spans.each:
        at = np.arange(span.rows.start, span.rows.stop)
        alone[span.held] = True
        rows.append(at)
        edges.append(np.clip(at, span.held.start, span.held.stop - 1))
        shares.append(span.weight)
    row, edge, share = (np.concatenate(one) for one in (rows, edges, shares))
    alone &= spans.total <= 1
    beside = np.flatnonzero(~alone)
    some = ~alone[row]
    row, edge, share = row[some], edge[some], share[some]
    away = row - edge
    steps = np.sign(away) * slow * (1 - np.exp(-np.abs(away) / slow))
    after, before = np.minimum(edge + 1, count - 1), np.maximum(edge - 1, 0)
    share = share / spans.total[row]
    return Hold(beside, np.searchsorted(beside, row), edge, after, before, steps / 2, share)


@dataclass(frozen=True)
class Looks:
    """Some of the N frames in which goals hold, the first and the last of each among them.

    Attributes:
        rows: (L,) which of the N.
        low, high: (N,) for each frame, the look before it and the one after it: which of the L.
        share: (N,) how far it is from the one to the other, 0 to 1.
    """

    rows: Index
    low: Index
    high: Index
    share: Array

    def at_all(self, values: Array) -> Array:
        """Values (L,) of the looks, for all frames (N,)."""
        return values[self.low] * (1 - self.share) + values[self.high] * self.share

    def with_looks(self, some: Mask) -> Mask:
        """Some of the frames (N,), and those of the looks that they lie between."""
        out = some.copy()
        for one in (self.low, self.high):
            out[self.rows[one[some]]] = True
        return out

    def cut(self, rows: Index, new: Index) -> Looks:
        """The looks of those frames `rows` (M,) alone; `new` (N,) are their places, -1 of others."""
        mine = new[self.rows] >= 0
        place = np.cumsum(mine) - 1
        return Looks(new[self.rows[mine]], place[self.low[rows]], place[self.high[rows]], self.share[rows])


def looks_of(spans: Spans, step: int) -> Looks:
    """Looks so many frames apart; what lies beyond a gap in the frames says nothing on this side of it."""
    some = [
        np.append(np.arange(one.held.start, one.held.stop - 1, step), one.held.stop - 1) for one in spans.each
    ]
    looks, rows = np.unique(np.concatenate(some)), np.arange(len(spans.frames))
    stretch = np.concatenate([[0], np.cumsum(np.diff(spans.frames) > 1)])
    high = np.minimum(np.searchsorted(looks, rows), len(looks) - 1)
    low = np.maximum(np.where(looks[high] > rows, high - 1, high), 0)
    low = np.where(stretch[looks[low]] < stretch, high, low)
    high = np.where(stretch[looks[high]] > stretch, low, high)
    part = (rows - looks[low]) / np.maximum(looks[high] - looks[low], 1)
    return Looks(looks, low, high, np.clip(part, 0.0, 1.0))
