"""Two hands that are on each other, or on one thing, held further before the body: both by the same step.

What they do to each other stays; their place before the chest is given up where forearms or hands would lie
in the body, as far as both arms reach.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from ..base.checks import Array, Index
from ..body.body_map import BodyMap
from ..body.body_parts import SIDES
from ..body.motion import Motion
from ..feet.leg_ik import reach
from ..goals.goal_pose import GoalPose
from ..maths import quat
from ..maths.blocks import each_solved
from .clearance_arm import Arm
from .clearance_turns import EASE_S, deepest, lacking_m, spread

# By trial on takes of a hilt and a staff at slim and thick chests (clearance_table.py).
_ROUNDS = 8
_TOLERANCE_M = 0.001
_DAMPING = 0.1  # of a step that moves nothing out, beside one that does
_MAX_STEP_M = 0.03  # of a round: beyond it the nearest way out is another one
_REACH_SHARE = 0.985  # of an arm's length, as far as a step may bring a wrist from its shoulder


def steps_out(arms: Mapping[str, Arm], paired: Array, rate: float) -> Array:
    """How far (N, 3) both hands move for forearms and hands to come out of the body, metres.

    `paired` (N,) is how much they hold each other or one thing, and nothing else.
    """
    step = np.zeros((len(paired), 3))
    width = max(round(EASE_S * rate), 1)
    for _ in range(_ROUNDS):
        rows = np.flatnonzero(paired > 0)
        asked, most = _asked(arms, step * paired[:, None], rows)
        if not most > _TOLERANCE_M:
            break
        every = np.zeros_like(step)
        every[rows] = asked
        step = step + spread(every, width)
        step = _within_reach(arms, step)
    return step * paired[:, None]


def _asked(arms: Mapping[str, Arm], step: Array, rows: Index) -> tuple[Array, float]:
    """The further steps (M, 3) in some frames, and what the deepest lacks, metres."""
    matrix, right = np.tile(_DAMPING * np.eye(3), (len(rows), 1, 1)), np.zeros((len(rows), 3, 1))
    most = np.zeros(len(rows))
    for arm in arms.values():
        group = np.concatenate(arm.groups[1:])
        line = arm.wrist[rows] / np.maximum(np.sum(arm.wrist[rows] ** 2, axis=-1), 1e-9)[:, None]
        ends = arm.ends[:, rows]
        share = np.clip(np.einsum("emai,mi->ema", ends, line), 0.0, 1.0)
        ends = ends + share[..., None] * step[rows, None]
        lacking = lacking_m(arm, ends + arm.shoulder[rows, None], rows)[:, group]
        missing, places = deepest(arm, ends, lacking, group, rows)
        out = np.zeros((len(rows), 3))
        for weight, here, way in places:
            lever = np.clip(np.einsum("mi,mi->m", here, line), 0.2, 1.0)
            out += (weight * lever)[:, None] * way
        counts = (missing > 0)[:, None]
        matrix += counts[..., None] * out[:, :, None] * out[:, None, :]
        right[..., 0] += missing[:, None] * out
        most = np.maximum(most, missing)
    asked = each_solved(matrix, right)[..., 0]
    return asked * np.minimum(1.0, _MAX_STEP_M / np.maximum(quat.length(asked), 1e-9))[:, None], float(
        most.max(initial=0.0)
    )


def _within_reach(arms: Mapping[str, Arm], step: Array) -> Array:
    """Steps (N, 3), shorter where an arm would not reach so far."""
    share = np.ones(len(step))  # softly: an arm that is stopped at once jerks
    for arm in arms.values():
        limit = np.maximum(_REACH_SHARE * arm.span, quat.length(arm.wrist))
        # The largest s of |wrist + s step| <= limit.
        a, b = np.sum(step**2, axis=-1), np.einsum("ni,ni->n", arm.wrist, step)
        c = np.minimum(np.sum(arm.wrist**2, axis=-1) - limit**2, 0.0)
        most = (-b + np.sqrt(np.maximum(b * b - a * c, 0.0))) / np.maximum(a, 1e-12)
        most = np.maximum(most, 1e-6)
        share = np.minimum(share, np.where(a > 1e-12, most * np.tanh(1 / most), 1.0))
    return step * share[:, None]


def moved_hands(motion: Motion, body: BodyMap, arms: Mapping[str, Arm], step: Array) -> Motion:
    """The motion with both hands moved by (F, 3), their directions kept."""
    rows = np.flatnonzero(step.any(axis=1))
    if not len(rows):
        return motion
    joints = {side: [body.require(side + part) for part in ("UpperArm", "LowerArm", "Hand")] for side in arms}
    pose = GoalPose(motion, [chain[-1] for chain in joints.values()], rows)
    for upper, lower, hand in joints.values():
        kept, shoulder, elbow, wrist = pose.turned[hand], *(pose.at[one] for one in (upper, lower, hand))
        hinge = quat.cross(elbow - shoulder, wrist - elbow)
        hinge = hinge / np.maximum(quat.length(hinge), 1e-9)[:, None]
        swing, bend = reach(shoulder, elbow, wrist, wrist + step[rows], hinge)
        pose.turn(lower, bend)
        pose.turn(upper, swing)
        pose.set_turned(hand, kept)
    return pose.written()


def pair_of(arms: Mapping[str, Arm]) -> bool:
    """Whether both arms, with their hands, are known."""
    return len(arms) == len(SIDES) and all(arm.hand is not None for arm in arms.values())
