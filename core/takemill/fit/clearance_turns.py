"""The turns that bring an arm out of the body: the nearest way, smooth in time, never far."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ..base.checks import Array, Index, Single
from ..goals.goal_pose import at_rows
from ..maths import quat
from ..maths.blocks import each_solved
from .clearance_arm import Arm
from .clearance_gaps import blocks, lacking, ways_out
from .clearance_spread import EASE_S, spread_turns

# Those without a note were chosen by trial on the samples' take and on hands at hips, belly and thighs.
_ROUNDS = 12
# A frame in which no turn helps asks for no more: it lies all but as deep as before, three times running.
_BETTER, _VAIN_ROUNDS = 0.97, 3
_MAX_TURN_RAD = np.radians(60.0)  # of an arm: beyond it a gesture is another one (by eye)
_MAX_STEP_RAD = np.radians(15.0)  # of a round: beyond it the nearest way out is another one
_DAMPING_SHARE = 0.2  # of a forearm's length, squared: how little lever still turns an arm
_TWIST_COST = 4.0  # of a turn about the upper arm beside one that lifts it


@dataclass(frozen=True)
class Turns:
    """How an arm is turned in N frames.

    Attributes:
        free: (N, 3) about the shoulder, in the space of what carries the arm.
        elbow: (N,) before that, about the line from shoulder to wrist, radians.
    """

    free: Array
    elbow: Array

    def at(self, rows: Index | slice) -> Turns:
        """Those in some of the frames (M,)."""
        return Turns(self.free[rows], self.elbow[rows])

    def in_model(self, above: Array, wrist: Array) -> Array:
        """The turns (N, 4) in model space, where the carriers' are (N, 4), and wrists lie at (N, 3)."""
        axis = wrist / np.maximum(quat.length(wrist), 1e-9)[:, None]
        lifted = quat.mul(quat.mul(above, quat.exp(self.free)), quat.inv(above))
        return quat.mul(lifted, quat.exp(self.elbow[:, None] * axis))


@dataclass(frozen=True)
class Look:
    """What is seen of an arm in N frames.

    Attributes:
        asked: (N, 4) the turns that would bring it out, free ones and the elbow's.
        margin: (N,) how much room is left, metres; below 0 it lies so deep.
    """

    asked: Array
    margin: Array


def look(arm: Arm, rows: Index) -> Look:
    """What is seen of an arm as it is, in some frames (M,)."""
    return _look(arm, None, rows)


def way_out(arm: Arm, seen: Look, rate: float) -> tuple[Turns, Array]:
    """The turns of an arm that was looked at in all N frames, and how deep (N,) it lies after them.

    A hand that keeps its place stays where it is: only its elbow turns. Frames that turn together are done
    together: what lies elsewhere in the take, deep or not, changes nothing.
    """
    width, count = max(round(EASE_S * rate), 1), len(arm.above)
    whole, loose = np.zeros((count, 4)), 1 - arm.held
    turns = Turns(np.zeros((count, 3)), np.zeros(count))
    asked, margin = seen.asked.copy(), seen.margin.copy()
    stuck = np.zeros(count, np.intp)
    for _ in range(_ROUNDS):
        rows, more = spread_turns(asked, margin, width)
        if not len(rows):
            break
        whole[rows] += more
        free = _bounded(whole[rows, :3]) * loose[rows, None]
        elbow = _bounded(whole[rows, 3:])[:, 0]
        # No point of the arm moves further than by its turn, so what is far enough need not be looked at.
        moved = quat.length(free - turns.free[rows]) + np.abs(elbow - turns.elbow[rows])
        turns.free[rows], turns.elbow[rows] = free, elbow
        was_m = margin[rows]
        margin[rows] -= moved * arm.reach
        near = rows[(margin[rows] < 0) & (moved > 0)]
        again = _look(arm, turns.at(near), near)
        asked[rows] = 0.0
        asked[near], margin[near] = again.asked, again.margin
        vain = (margin[rows] < 0) & (margin[rows] < _BETTER * was_m)
        stuck[rows] = np.where(vain, stuck[rows] + 1, 0)
        asked[rows[stuck[rows] >= _VAIN_ROUNDS]] = 0.0
    return turns, np.maximum(-margin, 0.0)


def _look(arm: Arm, turns: Turns | None, rows: Index) -> Look:
    """What is seen of an arm in some frames (M,), turned by M turns, if given."""
    asked, margin = np.zeros((len(rows), 4)), np.zeros(len(rows))
    for block in blocks(arm, rows):
        mine = None if turns is None else turns.at(block)
        asked[block], margin[block] = _look_at(arm, mine, rows[block])
    return Look(asked, margin)


def _look_at(arm: Arm, turns: Turns | None, rows: Index) -> tuple[Array, Array]:
    """The same of a block of frames: the further turns (M, 4), and how much room is left (M,)."""
    asked, ends = np.zeros((len(rows), 4)), arm.ends.take(rows, -1)
    turn = quat.IDENTITY[None]
    if turns is not None:
        turn = turns.in_model(at_rows(arm.above, rows), at_rows(arm.wrist, rows))
        ends = _turned(turn, ends)
    groups, counts = arm.counted(rows)
    lack = lacking(arm, ends, rows, groups)
    margin = -np.where(lack.most > 0, counts * lack.most, lack.most).max(axis=0)
    deep = np.flatnonzero(margin < 0)
    if not len(deep):
        return asked, margin
    out = ways_out(arm, ends, rows, groups, lack)
    levers = out.total(quat.cross(out.here, out.way), lack.most.size).reshape(*lack.most.shape, 3)
    mine = rows[deep]
    wrist, along = (
        quat.rotate(turn if turns is None else at_rows(turn, deep), at_rows(one, mine))
        for one in (arm.wrist, arm.along)
    )
    matrix, right = _cost(arm, along), np.zeros((len(deep), 3))
    axis = wrist / np.maximum(quat.length(wrist), 1e-9)[:, None]
    pull, weight = np.zeros(len(deep)), np.full(len(deep), (_DAMPING_SHARE * arm.length) ** 2)
    for count, most, lever in zip(counts[:, deep], lack.most[:, deep], levers[:, deep], strict=True):
        missing = count * np.maximum(most, 0.0)  # a group that lacks nothing has no ways out, and no lever
        lever = count[:, None] * lever
        matrix += lever[:, :, None] * lever[:, None, :]
        right += missing[:, None] * lever
        about = np.einsum("ni,ni->n", lever, axis)
        pull += missing * about
        weight += about**2
    found = each_solved(matrix, right[..., None])[..., 0]
    found *= np.minimum(1.0, _MAX_STEP_RAD / np.maximum(quat.length(found), 1e-9))[:, None]
    # A hand that is half free asks for little: a free one, a moment later, would do in full what it asks.
    # By trial (cmu_01_01): hands that part at the hips flew out by 47 cm, by 28 with the fourth power.
    found *= (1 - arm.held.take(mine)[:, None]) ** 4
    asked[deep, :3] = quat.rotate(quat.inv(at_rows(arm.above, mine)), found)
    asked[deep, 3] = arm.held.take(mine) * np.clip(pull / weight, -_MAX_STEP_RAD, _MAX_STEP_RAD)
    return asked, margin


def _turned(turn: Array, ends: Single) -> Single:
    """Places (2, 3, A, M) from the shoulder, turned by (M, 4)."""
    matrix, out = np.array(quat.matrix_entries(turn), np.float32), np.empty_like(ends)
    for end, place in zip(out, ends, strict=True):
        for k in range(3):
            end[k] = matrix[k, 0] * place[0] + matrix[k, 1] * place[1] + matrix[k, 2] * place[2]
    return out


def _cost(arm: Arm, along: Array) -> Array:
    """What a turn costs (N, 3, 3): little, and more about the upper arm itself."""
    least = (_DAMPING_SHARE * arm.length) ** 2
    return least * (np.eye(3) + (_TWIST_COST - 1) * along[:, :, None] * along[:, None, :])


def _bounded(turns: Array) -> Array:
    """Turns (N, K) that come near the largest one softly, and never pass it."""
    size = quat.length(turns)[:, None]
    return np.asarray(turns * (_MAX_TURN_RAD * np.tanh(size / _MAX_TURN_RAD) / np.maximum(size, 1e-9)))
