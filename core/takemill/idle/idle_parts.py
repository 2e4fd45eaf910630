"""Which parts of a take's calm stretches an idle is made of, in which order, and where exactly they join."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ..base.checks import Array, Index
from ..body.body_map import BodyMap
from ..clip.clouds import main_joints, positions_at
from ..maths import filters
from .idle_breath import Breath
from .idle_order import find_order
from .idle_pool import Pool

# Chosen on the sample and on open idles (tests/benchmarks/idles_table.py).
_GRID_HZ = 10.0  # of the places at which parts are looked for first
_MAX_PLACES = 1200  # two minutes of calm: their joins are compared all with all
_WINDOW_S = (-0.3, -0.15, 0.0, 0.15, 0.3)  # around a join, in which poses are compared: speeds count, too
_BREATH_M = 0.08  # as much a breath out of phase costs: what a tenth is off counts as 8 mm
_MAX_PHASE = 0.045  # of a breath, that a join may be off
_LEAST_COST_M = 1e-4  # joins that are nearer look alike
_SHORTEST_S = (
    2.5,
    2.0,
)  # of a part, where there is room for it; what repeats sooner is seen to (loop_search.py)
# As far as the acceleration and its change at a join carry the body in such times, it costs: joins lie where
# the body is quiet.
_STIR_TIME_S, _JERK_TIME_S = 0.08, 0.03
# Where acceleration or its change within so short a time of a frame is above what is usual in the take (95 %
# of it), a join there costs so much more for each time as large: a knee that locks would show as a join.
_ROUGH_S, _ROUGH_M = 0.08, 0.003


def choose_parts(
    pool: Pool, body: BodyMap, breath: Breath | None, frames: int, seed: int
) -> tuple[tuple[int, int], ...] | None:
    """The first and last frame, of the pool's, of each part of an idle; None where no order of them closes.

    It has so many frames, its last one apart; with a breath up to half a breath more or fewer.
    """
    motion = pool.motion
    joints = main_joints(body)
    at = positions_at(motion, np.arange(len(motion)), joints).reshape(len(motion), -1)
    step = max(1, round(motion.rate / _GRID_HZ))
    places = _places(pool, step)
    if len(places) < 2:
        return None
    windows = _Windows.of(at, motion.rate, len(joints), breath)
    cost = windows.costs(places, places, -filters.moving_max(-windows.stir, step))
    near = pool.stretch[places][:, None] == pool.stretch[places]
    # The breath comes round in whole breaths alone.
    slack = 0 if breath is None else int(np.ceil(motion.rate / breath.rate_hz / 2 / step))
    for seconds in _SHORTEST_S:
        shortest = round(seconds * motion.rate / step)
        apart = np.abs(places[:, None] - places) >= shortest * step
        allowed = np.where(near & ~apart, np.inf, cost)
        order = find_order(allowed, pool.stretch[places], round(frames / step), shortest, seed, slack)
        if order is not None and order.repeats_after >= shortest:
            parts = tuple((int(places[first]), int(places[last])) for first, last in order.parts)
            longer = sum(last - first for first, last in order.parts) - round(frames / step)
            return _refined(parts, windows, step, frames + longer * step)
    return None


def _places(pool: Pool, step: int) -> Index:
    """Every `step`-th frame of the pool, with room around for the windows; of the longest stretches first."""
    room = round(_WINDOW_S[-1] * pool.motion.rate) + 2 + step
    stretches = []
    for k in np.unique(pool.stretch):
        own = np.flatnonzero(pool.stretch == k)
        stretches.append(own[room : len(own) - room : step])
    left, out = _MAX_PLACES, []
    for k in sorted(range(len(stretches)), key=lambda k: (-len(stretches[k]), k)):
        out.append((k, stretches[k][:left]))
        left -= len(out[-1][1])
    return np.concatenate([own for _, own in sorted(out, key=lambda pair: pair[0])])


@dataclass(frozen=True)
class _Windows:
    """What is compared of N frames: windows over positions (N, D), how they stir and breathe (N,).

    How they stir is in metres, as a join there costs; what is rough for its take counts more.
    """

    at: Array
    offsets: Index
    points: int
    stir: Array
    breath: Breath | None

    @classmethod
    def of(cls, at: Array, rate: float, joints: int, breath: Breath | None) -> _Windows:
        offsets = np.round(np.array(_WINDOW_S) * rate).astype(np.intp)
        stir, rough = np.zeros(len(at)), np.ones(len(at))
        near = max(round(_ROUGH_S * rate), 3)
        for order, seconds in ((2, _STIR_TIME_S), (3, _JERK_TIME_S)):
            change = np.diff(at, order, axis=0).reshape(len(at) - order, joints, 3)
            size = np.linalg.norm(change, axis=-1).mean(axis=1)
            here = slice(1, 1 + len(size))
            stir[here] += size * (rate * seconds) ** order
            usual = float(np.percentile(size, 95))
            if usual > 0:
                rough[here] = np.maximum(rough[here], filters.moving_max(size, near) / usual)
        stir += _ROUGH_M * (rough - 1)
        return cls(at, offsets, joints * len(offsets), stir, breath)

    def costs(self, leave: Index, enter: Index, stir: Array) -> Array:
        """What a join costs (L, M), metres, from frames (L,) to frames (M,); inf where breaths are apart.

        `stir` (N,) is how much each frame stirs.
        """
        a, b = (self.at[(one[:, None] + self.offsets).clip(0, len(self.at) - 1)] for one in (leave, enter))
        a, b = a.reshape(len(leave), -1), b.reshape(len(enter), -1)
        middle = a.mean(axis=0)
        a, b = a - middle, b - middle
        square = (a * a).sum(axis=1)[:, None] + (b * b).sum(axis=1) - 2 * a @ b.T
        square = np.maximum(square, 0.0) / self.points
        if self.breath is not None:
            off = self.breath.phase[leave][:, None] - self.breath.phase[enter]
            off = np.abs(off - np.round(off))
            square = np.where(off <= _MAX_PHASE, square + (_BREATH_M * off) ** 2, np.inf)
        return np.sqrt(square) + _LEAST_COST_M + (stir[leave][:, None] + stir[enter]) / 2


def _refined(
    parts: tuple[tuple[int, int], ...], windows: _Windows, step: int, frames: int
) -> tuple[tuple[int, int], ...]:
    """The parts with each join moved, by up to `step` frames at either side, to where it shows least.

    All together they get the wanted length: what a join makes the loop longer or shorter by is shared so that
    the sum of squared costs is least.
    """
    count, reach = len(parts), np.arange(-step, step + 1)
    slack = frames - sum(last - first for first, last in parts)
    best, moves = [], []
    for k, (_, leave) in enumerate(parts):
        enter = parts[(k + 1) % count][0]
        cost = windows.costs(leave + reach, enter + reach, windows.stir)
        if not np.isfinite(cost).any():
            cost = np.where(np.isfinite(cost), cost, 1.0)
        longer = reach[:, None] - reach  # leaving later and entering earlier makes the loop longer
        by_length, move = np.full(4 * step + 1, np.inf), np.zeros((4 * step + 1, 2), int)
        for flat in np.argsort(-cost, axis=None, kind="stable"):  # the cheapest are written last
            row, column = divmod(int(flat), len(reach))
            place = int(longer[row, column]) + 2 * step
            by_length[place], move[place] = cost[row, column], (reach[row], reach[column])
        best.append(by_length**4)
        moves.append(move)
    chosen = _share(np.array(best), 2 * step, slack)
    shifts = [move[place] for move, place in zip(moves, chosen, strict=True)]
    return tuple(
        (first + int(shifts[k - 1][1]), last + int(shifts[k][0])) for k, (first, last) in enumerate(parts)
    )


def _share(costs: Array, middle: int, total: int) -> list[int]:
    """Which column each of K rows (K, C) takes, so that distances from `middle` add up to a total.

    The least sum of costs, row by row (Bellman's principle).
    """
    span = abs(total) + 2 * middle
    sums = np.arange(-span, span + 1)
    best = np.where(sums == 0, 0.0, np.inf)
    came: list[Index] = []
    for row in costs:
        moved = np.full((len(row), len(sums)), np.inf)
        for column, cost in enumerate(row):
            by = column - middle
            low, high = max(0, by), min(len(sums), len(sums) + by)
            moved[column, low:high] = best[low - by : high - by] + cost
        came.append(moved.argmin(axis=0))
        best = moved.min(axis=0)
    place, out = int(np.flatnonzero(sums == total)[0]), []
    for columns in reversed(came):
        out.append(int(columns[place]))
        place -= out[-1] - middle
    return out[::-1]
