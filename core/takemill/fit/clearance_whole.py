"""Arms that turns alone leave in the body: both arms solved as a whole, over a stretch of frames.

Wrists, collar bones and elbows give way together, each at its price: what hands do to each other or to the
body is dear, their place before the chest is cheap. The depths of all capsules count, as squares, and so does
what would jerk. Gauss and Newton: each round takes the surfaces near the deepest places as flat.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np

from ..base.checks import Array, Index, Single
from ..body.body_map import BodyMap
from ..body.body_parts import SIDES
from ..body.motion import Motion
from ..feet.leg_ik import reach
from ..goals.goal_limits import MAX_SHOULDER_RAD, softened
from ..goals.goal_pose import GoalPose
from ..maths import quat
from ..maths.blocks import block_tridiagonal
from .clearance_arm import Arm, collar_bone, elbow_hinge
from .clearance_gaps import blocks, lacking, ways_out

# Prices of a squared metre, where that of a lacking one is 1. By trial on takes of a hilt and a staff at four
# chests (clearance_table.py), and on an open take whose hands go to hips and thighs.
_STEP, _HELD, _PAIRED = 0.002, 0.1, 10.0  # a wrist's step; of one on the body; by which two that meet differ
_COLLAR, _ELBOW = 0.004, 0.002  # of a collar bone's turn and of an elbow's about the line to the wrist
_LEVER_M = 0.15  # metres that a turn of one radian counts as
_SMOOTH_S = 0.2  # what would jerk: a step that comes and goes faster costs more than itself
_ROUNDS, _SHARE = 14, 0.7  # and how much of what a round finds is taken: sides that are met change
_TOLERANCE_M = 0.003  # of what is lacking, at which no more rounds follow
_FAR = 3.0  # of what a wrist is asked to go beyond its arm's reach
_REACH_SHARE = 0.985  # of an arm's length, as far as a wrist goes from its shoulder
_SMALL = 1e-4  # of a step, to see what it moves
VALUES = 7
"""Of an arm: its wrist's step (3), its collar bone's turn (3), its elbow's turn."""


def moves_out(
    arms: Mapping[str, Arm], rate: float, lengths: Sequence[int], open_ends: tuple[bool, bool]
) -> dict[str, Array]:
    """What brings arms out of the body in N frames: stretches of frames that follow each other.

    Args:
        arms: side -> the arm as it is there.
        rate: of the frames.
        lengths: of the stretches; each is solved by itself, and done when its arms are out.
        open_ends: whether nothing is before the first frame, and after the last: at all other ends of
            stretches moves come and go.

    Returns:
        Side -> (N, 7): the wrist's step, the collar bone's turn (a rotation vector in model space), and the
        elbow's turn about the line from shoulder to wrist.
    """
    if not arms:
        return {}
    count = len(next(iter(arms.values())).above)
    sides, size = list(arms), VALUES * len(arms)
    values = np.zeros((count, size))
    price = _prices(arms)
    # Hands on the body, too, stay out of it: they lie a gap off it.
    arms = {side: replace(arm, touches=np.zeros(count)) for side, arm in arms.items()}
    starts, band = np.cumsum([0, *lengths[:-1]]), _differences(lengths, open_ends)
    for _ in range(_ROUNDS):
        matrix, right, lacks = price.copy(), np.zeros((count, size)), np.full(count, -np.inf)
        for k, side in enumerate(sides):
            mine = slice(VALUES * k, VALUES * (k + 1))
            one, pull, lack = _pushes(arms[side], values[:, mine])
            matrix[:, mine, mine] += one
            right[:, mine] += pull
            lacks = np.maximum(lacks, lack)
        on = np.repeat(np.maximum.reduceat(lacks, starts) >= _TOLERANCE_M, lengths)
        if not on.any():
            break
        still = band[0][on], band[1][on], band[2][on]
        values[on] += _SHARE * (_smooth(matrix[on], right[on], rate, still) - values[on])
    return {side: values[:, VALUES * k : VALUES * (k + 1)] for k, side in enumerate(sides)}


def _prices(arms: Mapping[str, Arm]) -> Array:
    """What moves cost (N, S, S), as a square form."""
    count, size = len(next(iter(arms.values())).above), VALUES * len(arms)
    out = np.zeros((count, size, size))
    paired = np.max([np.clip(arm.held - arm.touches, 0.0, 1.0) for arm in arms.values()], axis=0)
    for k, arm in enumerate(arms.values()):
        for i in range(3):
            out[:, VALUES * k + i, VALUES * k + i] = _STEP + _HELD * arm.touches
            out[:, VALUES * k + 3 + i, VALUES * k + 3 + i] = _COLLAR * _LEVER_M**2
        out[:, VALUES * k + 6, VALUES * k + 6] = _ELBOW * _LEVER_M**2
    if len(arms) == len(SIDES):  # hands on each other, or on one thing: their steps may not differ
        for i in range(3):
            j = VALUES + i
            for a, b, sign in ((i, i, 1), (i, j, -1), (j, i, -1), (j, j, 1)):
                out[:, a, b] += sign * _PAIRED * paired
    return out


def _pushes(arm: Arm, values: Array) -> tuple[Array, Array, Array]:
    """What an arm's capsules that lack room ask for (N, 7, 7), (N, 7), and what the deepest lack (N,)."""
    count = len(values)
    pose, found = _posed(arm, values), []
    matrix, right, lacks_m = np.zeros((count, VALUES, VALUES)), np.zeros((count, VALUES)), np.zeros(count)
    pieces = [number for number, piece in enumerate(arm.pieces) if len(piece)]
    for rows in (np.arange(count)[block] for block in blocks(arm, np.arange(count))):
        ends = arm.ends[..., rows]
        for piece in pieces:
            pose[piece].move(ends, arm.pieces[piece], rows)
        lack = lacking(arm, ends, rows, arm.groups)
        lacks_m[rows] = lack.most.max(axis=0)
        out = ways_out(arm, ends, rows, arm.groups, lack)
        group, place = np.divmod(out.key, len(rows))
        weight = out.weight / np.bincount(out.key, out.weight**2)[out.key] ** 0.5
        for number, piece in enumerate(pieces):
            some = np.flatnonzero((group == number) & (out.lacks > 0))
            found.append(
                (piece, rows[place[some]], out.here[some], out.way[some], out.lacks[some], weight[some])
            )
    over = _over(arm, pose, values)
    # What moves do is asked only in the frames that push.
    pushed = over > 0
    for _, row, *_ in found:
        pushed[row] = True
    near, place = np.flatnonzero(pushed), np.cumsum(pushed) - 1
    nearby, over_then = _moved_a_little(arm, values, near)
    shifts = len(near) * np.arange(VALUES)[:, None]
    for piece, row, here, way, lacks, weight in found:
        base = pose[piece].back(here, row)
        then = nearby[piece].there(np.tile(base, (VALUES, 1)), (shifts + place[row]).ravel())
        moved = (then.reshape(VALUES, len(row), 3) - here) / _SMALL
        lever = np.einsum("kmi,mi->mk", moved, way)
        wanted = lacks + np.einsum("mk,mk->m", lever, values[row])
        square = weight[:, None] * lever
        np.add.at(matrix, row, square[:, :, None] * lever[:, None, :])
        np.add.at(right, row, wanted[:, None] * square)
    row = np.flatnonzero(over > 0)
    if len(row):
        lever = (over[row, None] - over_then.T[place[row]]) / _SMALL
        wanted = over[row] + np.einsum("mk,mk->m", lever, values[row])
        matrix[row] += _FAR * lever[:, :, None] * lever[:, None, :]
        right[row] += _FAR * wanted[:, None] * lever
    return matrix, right, lacks_m


def _moved_a_little(arm: Arm, values: Array, rows: Index) -> tuple[tuple[_Piece, _Piece, _Piece], Array]:
    """An arm in some frames (M,), moved by (N, 7) and a little more by each value, and how far it is over.

    Returns:
        The pose in 7 M frames, value by value: one call for all; and (7, M) by how much a wrist is over.
    """
    every = np.tile(rows, VALUES)
    some = {name: getattr(arm, name)[every] for name in ("along", "wrist", "lever", "hinge", "held")}
    mine, moved = replace(arm, **some), values[every] + _SMALL * np.repeat(np.eye(VALUES), len(rows), axis=0)
    pose = _posed(mine, moved)
    return pose, _over(mine, pose, moved).reshape(VALUES, len(rows))


def _over(arm: Arm, pose: tuple[_Piece, _Piece, _Piece], values: Array) -> Array:
    """How much further (N,) a wrist is asked to go than its arm reaches, metres."""
    limit = np.maximum(_REACH_SHARE * arm.span, quat.length(arm.wrist))
    return np.asarray(quat.length(arm.wrist + values[:, :3] - pose[0].at) - limit)


@dataclass(frozen=True)
class _Piece:
    """A stiff piece of an arm: how it is turned (N, 4), and where its joint was and is (N, 3)."""

    turn: Array
    was: Array
    at: Array

    def move(self, ends: Single, capsules: Index, rows: Index) -> None:
        """Moves some capsules (C,) of those whose ends (2, 3, A, M) are given, in some frames (M,)."""
        matrix = np.array(quat.matrix_entries(self.turn[rows]), np.float32)
        was, at = (one[rows].T.astype(np.float32)[:, None] for one in (self.was, self.at))
        for end in ends:
            off = end[:, capsules] - was
            for k in range(3):
                end[k, capsules] = (
                    matrix[k, 0] * off[0] + matrix[k, 1] * off[1] + matrix[k, 2] * off[2] + at[k]
                )

    def back(self, points: Array, rows: Index) -> Array:
        """Where points (M, 3) were, in some frames."""
        return self.was[rows] + quat.rotate(quat.inv(self.turn[rows]), points - self.at[rows])

    def there(self, points: Array, rows: Index) -> Array:
        """Where points (M, 3) are, in some frames."""
        return self.at[rows] + quat.rotate(self.turn[rows], points - self.was[rows])


def _posed(arm: Arm, values: Array) -> tuple[_Piece, _Piece, _Piece]:
    """Upper arm, forearm and hand, moved by (N, 7); places are from where the shoulder was."""
    elbow = arm.along * (arm.span - arm.length)
    wrist = arm.wrist
    collar = quat.exp(arm.lever.any() * softened(values[:, 3:6], MAX_SHOULDER_RAD))
    shoulder = quat.rotate(collar, arm.lever) - arm.lever
    carried = [shoulder + quat.rotate(collar, one) for one in (elbow, wrist)]
    goal, hinge = wrist + values[:, :3], quat.rotate(collar, arm.hinge)
    swing, bend = reach(shoulder, carried[0], carried[1], goal, hinge, _REACH_SHARE)
    upper = quat.mul(swing, collar)
    fore = quat.mul(quat.mul(swing, bend), collar)
    line = quat.rotate(upper, elbow) + quat.rotate(fore, wrist - elbow)
    axis = line / np.maximum(quat.length(line), 1e-9)[:, None]
    about = quat.exp(values[:, 6:7] * axis)
    upper, fore = quat.mul(about, upper), quat.mul(about, fore)
    at_elbow = shoulder + quat.rotate(upper, elbow)
    at_wrist = at_elbow + quat.rotate(fore, wrist - elbow)
    hand = quat.slerp(fore, np.broadcast_to(quat.IDENTITY, fore.shape), arm.held)
    zero = np.zeros_like(shoulder)
    return _Piece(upper, zero, shoulder), _Piece(fore, elbow, at_elbow), _Piece(hand, wrist, at_wrist)


def _smooth(matrix: Array, right: Array, rate: float, band: tuple[Array, Array, Array]) -> Array:
    """Solves (N, S, S) x = (N, S) with what would jerk at its price: squared second differences of x.

    These as a band of a matrix (see `_differences`), (N,) each.
    """
    count, size = right.shape
    prices = np.repeat([_STEP, _COLLAR * _LEVER_M**2, _ELBOW * _LEVER_M**2], [3, 3, 1])
    weight = (_SMOOTH_S * rate) ** 4 * np.tile(prices, size // VALUES)
    # Frames in twos: those next to each other but one are then in blocks next to each other.
    pairs = -(-count // 2)
    whole = np.zeros((pairs, 2 * size, 2 * size))
    above = np.zeros((max(pairs - 1, 0), 2 * size, 2 * size))
    pull = np.zeros((pairs, 2 * size))
    each = np.arange(size)
    for f in (0, 1):
        mine = slice(f * size, (f + 1) * size)
        rows = np.arange(f, count, 2)
        whole[: len(rows), mine, mine] = matrix[rows]
        pull[: len(rows), mine] = right[rows]
        whole[: len(rows), f * size + each, f * size + each] += band[0][rows, None] * weight
    if count % 2:
        whole[-1, size + each, size + each] = 1.0
    rows = np.arange(0, count - 1, 2)
    for a, b in ((0, size), (size, 0)):
        whole[: len(rows), a + each, b + each] += band[1][rows, None] * weight
    rows = np.arange(1, count - 1, 2)
    above[: len(rows), size + each, each] += band[1][rows, None] * weight
    for f in (0, 1):
        rows = np.arange(f, count - 2, 2)
        above[: len(rows), f * size + each, f * size + each] += band[2][rows, None] * weight
    return block_tridiagonal(whole, above, pull).reshape(-1, size)[:count]


def _differences(lengths: Sequence[int], open_ends: tuple[bool, bool]) -> tuple[Array, Array, Array]:
    """Squared second differences within stretches of N frames as a matrix: its diagonal and the two above it.

    (N,) each; no stretch is coupled with the next.
    """
    ends = list(pairwise([open_ends[0], *[False] * (len(lengths) - 1), open_ends[1]]))
    parts = [_differences_of(count, ends[k]) for k, count in enumerate(lengths)]
    diagonal, first, second = (np.concatenate(one) for one in zip(*parts, strict=True))
    return diagonal, first, second


def _differences_of(count: int, open_ends: tuple[bool, bool]) -> tuple[Array, Array, Array]:
    """The same of one stretch."""
    low, high = (0 if one else 2 for one in open_ends)
    whole = count + low + high
    bands = [np.zeros(whole) for _ in range(3)]
    if whole > 2:
        bands[0][:-2] += 1
        bands[0][1:-1] += 4
        bands[0][2:] += 1
        bands[1][:-2] -= 2
        bands[1][1:-1] -= 2
        bands[2][:-2] += 1
    diagonal, first, second = (one[low : low + count] for one in bands)
    first[-1:], second[-2:] = 0.0, 0.0
    return diagonal, first, second


def moved_arms(
    motion: Motion, body: BodyMap, moves: Mapping[str, Array], held: Mapping[str, Array]
) -> Iterator[GoalPose]:
    """The arms of a motion moved by (F, 7) each, in the frames where they are.

    Hands that are held, by (F,), keep their directions.
    """
    for side, values in moves.items():
        rows = np.flatnonzero(values.any(axis=1))
        if not len(rows):
            continue
        upper, lower, hand = (body.require(side + part) for part in ("UpperArm", "LowerArm", "Hand"))
        pose, values = GoalPose(motion, [hand], rows), values[rows]
        kept, goal = pose.turned[hand], pose.at[hand] + values[:, :3]
        collar = collar_bone(body, motion.skeleton, side)
        if collar is not None:
            pose.turn(collar, quat.exp(softened(values[:, 3:6], MAX_SHOULDER_RAD)))
        axis = quat.rotate(pose.turned[upper], elbow_hinge(motion.skeleton, body, side))
        swing, bend = reach(pose.at[upper], pose.at[lower], pose.at[hand], goal, axis, _REACH_SHARE)
        pose.turn(lower, bend)
        pose.turn(upper, swing)
        line = pose.at[hand] - pose.at[upper]
        pose.turn(upper, quat.exp(values[:, 6:7] * line / np.maximum(quat.length(line), 1e-9)[:, None]))
        pose.set_turned(hand, quat.slerp(pose.turned[hand], kept, held[side][rows]))
        yield pose
