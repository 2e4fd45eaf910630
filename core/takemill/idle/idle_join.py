"""Parts of calm stretches as one loop: no join of it shows, neither in pose nor in speed nor in acceleration.

Around each join the loop's acceleration is that of the one stretch, faded into that of the other; of all
closed motions that come near to that, the one that also stays nearest to the parts is taken, as `loop_close`
does at the seam of one loop.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from ..base.checks import Array, Index
from ..body.motion import Motion
from ..loops.ring import ROUNDS, Minus, Plus, apply_turn, solve_ring, spread_over, turn_step
from ..maths.easing import minimum_jerk

Parts = Sequence[tuple[int, int]]

# Chosen on the sample and on open idles (tests/benchmarks/idles_table.py).
REACH_S = 0.8  # there, what a join changes has fallen to a third
# Before and after a join, in which the accelerations are faded. Trial: at 0.4 the fade alone changes the
# acceleration of a calm guard 1.22 times as fast as p95 elsewhere, at 0.6 1.02 times.
LEAD_S = 0.6


def join_frames(parts: Parts) -> Index:
    """The frames (K,) of a loop of parts at which a part begins; the first one is 0."""
    return np.concatenate([[0], np.cumsum([last - first for first, last in parts])[:-1]]).astype(np.intp)


def join_parts(motion: Motion, stretch: Index, parts: Parts) -> Motion:
    """A loop of parts, in that order, each going over into the next and the last into the first.

    Args:
        motion: N frames of calm stretches, one after another.
        stretch: (N,) number of the stretch that a frame is of.
        parts: the first and the last frame of each; at the last one the next part's first takes over.

    Returns:
        As many frames as the parts have, and one more: the first again.
    """
    ring = _Ring.of(motion.rate, stretch, parts)
    return replace(
        motion,
        rotations=ring.close(motion.rotations, turn_step, apply_turn),
        root_translation=ring.close(motion.root_translation, np.subtract, np.add),
        translations={j: ring.close(track, np.subtract, np.add) for j, track in motion.translations.items()},
    )


def join_values(rate: float, values: Callable[[Array], Array], parts: Parts) -> Array:
    """What goes along with the frames of a loop of parts, as weights of a face: mixed over the same frames.

    Poses of a join are chosen to be alike, weights are not; so the one part goes over into the other within
    the frames in which `join_parts` fades accelerations, and all else stays as it is.

    Args:
        rate: frames per second of the take.
        values: frames (N,) of the take -> (N, W), before and behind the parts too.
        parts: the first and the last frame of each, of the take.

    Returns:
        (F + 1, W) for the parts' F frames, and the first again.
    """
    lead = round(LEAD_S * rate) + 1
    around = [np.arange(first - lead, last + lead + 1) for first, last in parts]
    starts = np.cumsum([0, *map(len, around)])
    own = [
        (start + lead, start + lead + last - first)
        for start, (first, last) in zip(starts[:-1].tolist(), parts, strict=True)
    ]
    stretch = np.repeat(np.arange(len(parts)), [len(one) for one in around])
    ring = _Ring.of(rate, stretch, own)
    given = values(np.concatenate(around))
    out = given[ring.frames]
    for join in ring.joins:
        part = spread_over(join.part, given)
        out[join.ring] = (1 - part) * given[join.leave] + part * given[join.enter]
    return np.concatenate([out, out[:1]])


@dataclass(frozen=True)
class _Join:
    """Frames of a ring around one of its joins.

    Attributes:
        ring: (W,) places in the ring; from the first one on of the second half the next part plays.
        leave, enter: (W,) frames of the stretch that is left, and of that which is entered.
        part: (W,) how much of the second one's acceleration counts.
    """

    ring: Index
    leave: Index
    enter: Index
    part: Array


@dataclass(frozen=True)
class _Ring:
    frames: Index
    joins: tuple[_Join, ...]
    reach: float

    @classmethod
    def of(cls, rate: float, stretch: Index, parts: Parts) -> _Ring:
        frames = np.concatenate([np.arange(first, last) for first, last in parts])
        joins = []
        for k, at in enumerate(join_frames(parts)):
            (before, leave), (enter, after) = parts[k - 1], parts[k]
            room = min(leave - before, after - enter) // 2
            lead = min(_room_around(stretch, leave), _room_around(stretch, enter), round(LEAD_S * rate), room)
            offsets = np.arange(-lead, lead + 1)
            joins.append(
                _Join(
                    (at + offsets) % len(frames),
                    leave + offsets,
                    enter + offsets,
                    minimum_jerk((offsets + lead) / max(2 * lead, 1)),
                )
            )
        return cls(frames, tuple(joins), REACH_S * rate)

    def close(self, values: Array, minus: Minus, plus: Plus) -> Array:
        """Values (N, ...) of the stretches -> (F + 1, ...) of the loop."""
        out = values[self.frames]
        count = len(out)
        wanted = [
            _bend(values, join.leave, minus)
            + spread_over(join.part, values)
            * (_bend(values, join.enter, minus) - _bend(values, join.leave, minus))
            for join in self.joins
        ]
        for _ in range(ROUNDS):
            change = np.zeros((count, *wanted[0].shape[1:]))
            for join, bend in zip(self.joins, wanted, strict=True):
                before, after = (join.ring - 1) % count, (join.ring + 1) % count
                here = out[join.ring]
                change[join.ring] = bend - minus(out[after], here) - minus(out[before], here)
            out = plus(out, solve_ring(change, self.reach))
        return np.concatenate([out, out[:1]])


def _room_around(stretch: Index, frame: int) -> int:
    """How far around a frame its stretch goes on, less one for the difference at its ends."""
    here = np.flatnonzero(stretch == stretch[frame])
    return int(max(min(frame - here[0], here[-1] - frame) - 1, 0))


def _bend(values: Array, frames: Index, minus: Minus) -> Array:
    here = values[frames]
    return minus(values[frames + 1], here) + minus(values[frames - 1], here)


def measure_joins(positions: Array, at: Index) -> tuple[float, float]:
    """How the joins of a loop stand out beside all else in it.

    Args:
        positions: (F, P, 3) of joints; the last frame is the first again.
        at: (K,) the frames of its joins.

    Returns:
        The largest acceleration at a join, and the largest change of acceleration there, each as a share of
        the 95th percentile elsewhere; means over the joints.
    """
    count = len(positions) - 1
    cycle = positions[np.arange(-2, count + 2) % count]
    out = []
    for order in (2, 3):
        size = np.linalg.norm(np.diff(cycle, order, axis=0), axis=-1).mean(axis=1)
        # A difference that begins at frame f reaches over f to f + order; those that hold a join:
        near = np.zeros(count, bool)
        first = np.arange(count) - 2
        for offset in range(order + 1):
            near |= np.isin((first + offset) % count, at)
        size = size[:count]
        usual = float(np.percentile(size[~near], 95)) if (~near).any() else 0.0
        out.append(float(size[near].max(initial=0.0)) / usual if usual else 0.0)
    return out[0], out[1]
