"""Where an arm lacks room: its capsules against those of the body, and the ways out.

For each joint of the body, and each capsule of the arm, one look at how far the middles are apart leaves the
few frames in which they can meet. There, all pairs are worked out in that joint's space, where its capsules
stand still.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from ..base.checks import Array, Index, Single
from ..goals.goal_pose import at_rows
from ..maths import quat
from ..maths.capsule_distance import each_nearest
from ..maths.easing import smoothstep
from .clearance_arm import Arm, Carrier

FAR_M = 0.025  # capsules further apart are not looked at: no round turns an arm by much more
_TOUCHES_M = 1.0  # taken from what a hand on the body, and the forearm beside it, lack: more than ever lacks
# Capsules that are nearly as deep as the deepest count with it, so that no small step changes the way out:
# e times less for each so much that they lack less. (By trial, as in clearance_turns.)
_BLEND_M, _COUNTED_M = 0.006, 0.024
_CORE_SHARE = 0.25  # of a capsule's radius: nearer to its axis its surface does not tell the way out
_BLOCK = 1 << 16  # capsules of an arm, in all frames, that are looked at at a time: they stay in the cache


@dataclass(frozen=True)
class Near:
    """Pairs of capsules (P,) that are near each other, in the order of what carries those of the body.

    Attributes:
        row: which of the frames that were looked at.
        mine, theirs: which capsule of the arm, and of those around it.
        carrier: which joint carries that.
        lacks: how much room they lack, metres.
        place, other: where on their segments they are nearest, 0 to 1.
    """

    row: Index
    mine: Index
    theirs: Index
    carrier: Index
    lacks: Single
    place: Single
    other: Single


@dataclass(frozen=True)
class Lack:
    """How much room an arm lacks in M frames, by groups of its capsules.

    Attributes:
        most: (G, M) what the capsule that lacks most lacks, metres; -FAR_M where all is far.
        near: pairs that may count.
    """

    most: Array
    near: Near


def blocks(arm: Arm, rows: Index) -> Iterator[slice]:
    """Parts of some frames (M,) that are worked on at a time."""
    step = max(_BLOCK // len(arm.radius), 1)
    for start in range(0, len(rows), step):
        yield slice(start, start + step)


def lacking(arm: Arm, ends: Single, rows: Index, groups: tuple[Index, ...]) -> Lack:
    """How much room groups of an arm's capsules lack, whose segments end at (2, 3, A, M) from the shoulder.

    Args:
        arm: in N frames.
        ends: in those that are looked at.
        rows: (M,) which those are.
        groups: capsules of the arm.
    """
    worst = np.full(ends.shape[2:], -FAR_M, np.float32)
    start = ends[0] + arm.shoulder[:, None, rows]
    away = ends[1] - ends[0]
    middle = start + 0.5 * away
    kept = np.isin(np.arange(len(arm.radius)), np.concatenate(groups))
    touches, touching = arm.touches[rows].astype(np.float32), np.zeros(len(kept), np.float32)
    touching[arm.touching] = _TOUCHES_M
    reach = np.where(kept, arm.radius + arm.half + arm.room.max(axis=1) + FAR_M, -np.inf)
    reach = reach.astype(np.float32)[:, None]
    if touches.any():
        reach = reach - touching[:, None] * touches
    radii = (arm.room + arm.radius[:, None] + arm.around.radius).astype(np.float32)
    found = []
    for number, carrier in enumerate(arm.around.carriers):
        items = np.flatnonzero(_square(middle, carrier, rows) < np.maximum(reach + carrier.reach, 0) ** 2)
        if not len(items):
            continue
        mine, row = _split(items, *worst.shape)
        turned = carrier.turned.take(rows.take(row), axis=1)
        at = start.reshape(3, -1).take(items, axis=1) - carrier.middle.take(rows.take(row), axis=1)
        along = away.reshape(3, -1).take(items, axis=1)
        place, other, square = each_nearest(
            _back(turned, at), _back(turned, along), carrier.start, carrier.away
        )
        lacks = radii[:, carrier.capsules].T.take(mine, axis=1) - np.sqrt(square)
        if touches.any():
            lacks -= touching.take(mine) * touches.take(row)
        flat = worst.reshape(-1)
        flat[items] = np.maximum(flat.take(items), lacks.max(axis=0))
        pairs = np.flatnonzero(lacks > -_COUNTED_M)
        capsule, item = _split(pairs, *lacks.shape)
        found.append(
            (
                row.take(item),
                mine.take(item),
                carrier.capsules.take(capsule),
                np.full(len(pairs), number),
                *(one.reshape(-1).take(pairs) for one in (lacks, place, other)),
            )
        )
    most = np.array([worst[group].max(axis=0) for group in groups], np.float64)
    return Lack(most, _joined(found))


def _split(flat: Index, count: int, width: int) -> tuple[Index, Index]:
    """Rows and columns (P,) of places (P,), in order, in an array (count, width); as `divmod` has them."""
    each = np.diff(np.searchsorted(flat, width * np.arange(count + 1)))
    row = np.repeat(np.arange(count), each)
    return row, flat - width * row


def _square(middle: Single, carrier: Carrier, rows: Index) -> Single:
    """How far middles (3, A, M) are from that of a joint's capsules, squared (A, M)."""
    off = middle - carrier.middle.take(rows, axis=1)[:, None]
    off *= off
    off[0] += off[1]
    off[0] += off[2]
    return off[0]


def _back(turned: Single, v: Single) -> Single:
    """Vectors (3, K) in the space of a joint whose rotation matrices are (9, K)."""
    out = np.empty_like(v)
    for k in range(3):
        out[k] = turned[k] * v[0] + turned[3 + k] * v[1] + turned[6 + k] * v[2]
    return out


def _joined(found: list[tuple[Index | Single, ...]]) -> Near:
    if not found:
        none, zero = np.zeros(0, np.intp), np.zeros(0, np.float32)
        return Near(none, none, none, none, zero, zero, zero)
    return Near(*(np.concatenate(one) for one in zip(*found, strict=True)))


@dataclass(frozen=True)
class WaysOut:
    """Places (P,) on an arm that lie too deep in the body, and the ways out.

    Attributes:
        key: the group times M, and the frame of M, that each belongs to.
        weight: how much it counts there; they sum to 1.
        lacks: how much room it lacks, metres.
        mine: which capsule of the arm it is on.
        here: (P, 3) from the shoulder.
        way: (P, 3) unit, out of the body.
    """

    key: Index
    weight: Array
    lacks: Array
    mine: Index
    here: Array
    way: Array

    def total(self, values: Array, count: int) -> Array:
        """Of values (P, K) the weighted sums (count, K) for each key."""
        columns = [np.bincount(self.key, self.weight * one, count) for one in values.T]
        return np.stack(columns, axis=-1)


def ways_out(arm: Arm, ends: Single, rows: Index, groups: tuple[Index, ...], lack: Lack) -> WaysOut:
    """The ways out of what was found by `lacking`, of the same ends (2, 3, A, M) in the same frames (M,)."""
    near, count = lack.near, len(rows)
    group_of = np.zeros(len(arm.radius), np.intp)
    for number, group in enumerate(groups):
        group_of[group] = number
    key = group_of.take(near.mine) * count + near.row
    most = lack.most.reshape(-1).take(key)
    some = np.flatnonzero((most > 0) & (near.lacks > most - _COUNTED_M))
    key, row, mine = key.take(some), near.row.take(some), near.mine.take(some)
    weight = np.exp((near.lacks.take(some) - most.take(some)) / _BLEND_M)
    weight /= np.bincount(key, weight, lack.most.size).take(key)
    flat = ends.reshape(2, 3, -1)
    first, second = (flat[end].take(mine * count + row, axis=1) for end in (0, 1))
    here = first + near.place.take(some) * (second - first)
    apart = here - _others(arm, near, some, rows)
    radius = arm.around.radius.take(near.theirs.take(some))
    way = _outwards(apart.T.astype(np.float64), radius, at_rows(arm.outward, rows.take(row)))
    lacks = near.lacks.take(some).astype(np.float64)
    return WaysOut(key, weight, lacks, mine, here.T.astype(np.float64), way)


def _others(arm: Arm, near: Near, some: Index, rows: Index) -> Single:
    """The nearest points (3, P) on the body's segments, for some pairs, from the shoulder."""
    frame, capsule, place = rows.take(near.row.take(some)), near.theirs.take(some), near.other.take(some)
    out = -arm.shoulder.take(frame, axis=1)
    bounds = np.searchsorted(near.carrier.take(some), np.arange(len(arm.around.carriers) + 1))
    for one, first, last in zip(arm.around.carriers, bounds, bounds[1:], strict=False):
        if first == last:
            continue
        part = slice(first, last)
        which = np.searchsorted(one.capsules, capsule[part])
        turned, middle = (each.take(frame[part], axis=1) for each in (one.turned, one.middle))
        x = one.start.T.take(which, axis=1) + place[part] * one.away.T.take(which, axis=1)
        for k in range(3):
            out[k, part] += turned[3 * k] * x[0] + turned[3 * k + 1] * x[1] + turned[3 * k + 2] * x[2]
        out[:, part] += middle
    return out


def _outwards(apart: Array, radius: Array, outward: Array) -> Array:
    """The directions (..., 3) out of the body: off capsules, and `outward` for what lies in their core."""
    away = quat.length(apart)
    inside = smoothstep(np.clip(1 - away / (_CORE_SHARE * radius), 0.0, 1.0))
    way = apart * ((1 - inside) / np.maximum(away, 1e-9))[..., None] + inside[..., None] * outward
    return way / np.maximum(quat.length(way), 1e-9)[..., None]
