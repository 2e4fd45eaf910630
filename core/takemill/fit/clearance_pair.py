"""Two hands that are on each other, or on one thing, held further before the body: both by the same step.

What they do to each other stays; their place before the chest is given up where forearms or hands would lie
in the body, as far as both arms reach; shoulders come forward for arms that would straighten.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from ..base.checks import Array, Index
from ..body.body_map import BodyMap
from ..body.body_parts import SIDES
from ..body.motion import Motion
from ..feet.leg_ik import reach
from ..goals.goal_limits import MAX_SHOULDER_RAD, beyond, softened
from ..goals.goal_pose import GoalPose
from ..maths import filters, quat
from ..maths.blocks import each_solved
from .clearance_arm import Arm, collar_bone
from .clearance_gaps import FAR_M, blocks, lacking, ways_out
from .clearance_spread import EASE_S, spread, wanting

# By trial on takes of a hilt and a staff at slim and thick chests (clearance_table.py).
_ROUNDS = 8
_TOLERANCE_M = 0.001
_DAMPING = 0.1  # of a step that moves nothing out, beside one that does
_MAX_STEP_M = 0.03  # of a round: beyond it the nearest way out is another one
_LEAST_LEVER = 0.2  # of the wrist's step that a place on the arm makes: nearer to the shoulder it counts so
_LENT_SHARE = 0.7  # of what a shoulder turned as far as it may would add, across its lever
_SMOOTH_S = 0.1  # over so long to either side a shoulder's turn is a mean, twice: 1.29 times the turn without
_REACH_SHARE = 0.985  # of an arm's length, as far as a step may bring a wrist from its shoulder


def steps_out(arms: Mapping[str, Arm], paired: Array, rows: Index, rate: float) -> Array:
    """How far (N, 3) both hands move for forearms and hands to come out of the body, metres.

    Args:
        arms: both, in N frames.
        paired: (N,) how much hands hold each other or one thing, and nothing else.
        rows: the frames (M,) in which an arm is deep in the body.
        rate: of the N frames.
    """
    step, asked, room = np.zeros((len(paired), 3)), np.zeros((len(paired), 3)), np.zeros(len(paired))
    width, near = max(round(EASE_S * rate), 1), rows[paired[rows] > 0]
    for _ in range(_ROUNDS):
        asked[near], room[near] = _asked(arms, step[near], near)
        rows = wanting(asked, room, width, _TOLERANCE_M)
        if not len(rows):
            break
        before = step[rows]
        after = before + spread(asked[rows], width)
        step[rows] = after = _within_reach(arms, after, rows) * paired[rows, None]
        moved = quat.length(after - before)
        room[rows] -= moved
        asked[rows] = 0.0
        near = rows[(room[rows] < 0) & (moved > 0) & (paired[rows] > 0)]
    return step


def _asked(arms: Mapping[str, Arm], step: Array, rows: Index) -> tuple[Array, Array]:
    """The further steps (M, 3) in some frames that are moved by (M, 3), and how much room is left (M,)."""
    asked, room = np.zeros((len(rows), 3)), np.full(len(rows), FAR_M)
    for block in blocks(next(iter(arms.values())), rows):
        asked[block], room[block] = _asked_in(arms, step[block], rows[block])
    return asked, room


def _asked_in(arms: Mapping[str, Arm], step: Array, rows: Index) -> tuple[Array, Array]:
    """The same for a block of frames."""
    matrix, right = np.tile(_DAMPING * np.eye(3), (len(rows), 1, 1)), np.zeros((len(rows), 3, 1))
    room, moves = np.full(len(rows), FAR_M), step.T.astype(np.float32)
    for arm in arms.values():
        groups = (np.concatenate(arm.groups[1:]),)
        line = arm.wrist[rows] / np.maximum(np.sum(arm.wrist[rows] ** 2, axis=-1), 1e-9)[:, None]
        ends, way = arm.ends.take(rows, -1), line.T.astype(np.float32)
        share = np.clip(ends[:, 0] * way[0] + ends[:, 1] * way[1] + ends[:, 2] * way[2], 0.0, 1.0)
        ends += share[:, None] * moves[:, None]
        lack = lacking(arm, ends, rows, groups)
        room = np.minimum(room, -lack.most[0])
        deep = np.flatnonzero(lack.most[0] > 0)
        if not len(deep):
            continue
        found = ways_out(arm, ends, rows, groups, lack)
        lever = np.clip(np.einsum("pi,pi->p", found.here, line[found.key]), _LEAST_LEVER, 1.0)
        out = found.total(lever[:, None] * found.way, len(rows))[deep]
        matrix[deep] += out[:, :, None] * out[:, None, :]
        right[deep, :, 0] += lack.most[0][deep, None] * out
    asked = each_solved(matrix, right)[..., 0]
    return asked * np.minimum(1.0, _MAX_STEP_M / np.maximum(quat.length(asked), 1e-9))[:, None], room


def _within_reach(arms: Mapping[str, Arm], step: Array, rows: Index) -> Array:
    """Steps (M, 3) in some frames, shorter where an arm would not reach so far."""
    share = np.ones(len(step))  # softly: an arm that is stopped at once jerks
    for arm in arms.values():
        wrist, lever = arm.wrist[rows], arm.lever[rows]
        far = quat.length(wrist)
        lent = quat.length(quat.cross(lever, wrist / np.maximum(far, 1e-9)[:, None]))
        limit = np.maximum(_REACH_SHARE * arm.span, far) + _LENT_SHARE * np.sin(MAX_SHOULDER_RAD) * lent
        # The largest s of |wrist + s step| <= limit.
        a, b = np.sum(step**2, axis=-1), np.einsum("ni,ni->n", wrist, step)
        c = np.minimum(np.sum(wrist**2, axis=-1) - limit**2, 0.0)
        most = (-b + np.sqrt(np.maximum(b * b - a * c, 0.0))) / np.maximum(a, 1e-12)
        most = np.maximum(most, 1e-6)
        share = np.minimum(share, np.where(a > 1e-12, most * np.tanh(1 / most), 1.0))
    return step * share[:, None]


def moved_hands(motion: Motion, body: BodyMap, arms: Mapping[str, Arm], step: Array) -> GoalPose:
    """Both hands moved by (F, 3), their directions kept, in the frames where they are."""
    rows = np.flatnonzero(step.any(axis=1))
    joints = {side: [body.require(side + part) for part in ("UpperArm", "LowerArm", "Hand")] for side in arms}
    pose = GoalPose(motion, [chain[-1] for chain in joints.values()], rows)
    for side, (upper, lower, hand) in joints.items():
        kept, goal = pose.turned[hand], pose.at[hand] + step[rows]
        collar = collar_bone(body, motion.skeleton, side)
        if collar is not None:
            _lend_shoulder(pose, (collar, upper, hand), goal, arms[side].span)
        shoulder, elbow, wrist = (pose.at[one] for one in (upper, lower, hand))
        hinge = quat.cross(elbow - shoulder, wrist - elbow)
        hinge = hinge / np.maximum(quat.length(hinge), 1e-9)[:, None]
        swing, bend = reach(shoulder, elbow, wrist, goal, hinge)
        pose.turn(lower, bend)
        pose.turn(upper, swing)
        pose.set_turned(hand, kept)
    return pose


def _lend_shoulder(pose: GoalPose, joints: tuple[int, int, int], goal: Array, span: float) -> None:
    """Turns a collar bone, with its arm and hand, by what an arm of this span lacks to a goal (N, 3)."""
    collar, upper, hand = joints
    line, lever = goal - pose.at[upper], pose.at[upper] - pose.at[collar]
    far, own, length = (
        quat.length(line),
        quat.length(pose.at[hand] - pose.at[upper]),
        np.full(len(line), span),
    )
    short = np.maximum(beyond(far, length) - beyond(own, length), 0.0)
    want = line * (short / np.maximum(far, 1e-9))[:, None]
    turn = quat.cross(lever, want) / np.maximum(np.sum(lever**2, axis=-1), 1e-9)[:, None]
    smooth, half = np.zeros((len(pose.motion), 3)), max(round(_SMOOTH_S * pose.motion.rate), 1)
    smooth[pose.frames] = turn
    smooth = filters.moving_mean(filters.moving_mean(smooth, half), half)[pose.frames]
    pose.turn(collar, quat.exp(softened(smooth, MAX_SHOULDER_RAD)))


def pair_of(arms: Mapping[str, Arm]) -> bool:
    """Whether both arms, with their hands, are known."""
    return len(arms) == len(SIDES) and all(arm.hand is not None for arm in arms.values())
