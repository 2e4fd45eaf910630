"""Arms that stay out of the body: turned at the shoulder, only where and when their surfaces would meet.

Arms, trunk, head and thighs are capsules (see body_shape). Where one of an arm lies inside the body, the arm
turns about its shoulder until it is out, the nearest way; the turn comes and goes smoothly, so that an arm
makes way before it would touch. What touches in the character's own reference pose may stay as it is there.
A hand that has a goal keeps its place: its elbow turns about the line from shoulder to wrist. Where that
leaves an arm in the body, both arms are solved as a whole (see clearance_whole).
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass

import numpy as np

from ..base.checks import Array, Index, Mask
from ..body.body_map import BodyMap
from ..body.body_parts import SIDES
from ..body.motion import Motion
from ..goals.goal_pose import Draft, GoalPose
from ..maths import quat
from ..maths.easing import smoothstep
from ..shape.capsules import Capsules
from .clearance_arm import Arm, Around, arm_joints, lower_halves
from .clearance_turns import Turns, look, way_out
from .clearance_whole import VALUES, moved_arms, moves_out

_RATE_HZ = 30.0  # frames at which it is looked for: arms move by a few centimetres between them


@dataclass(frozen=True)
class Clearance:
    """How deep arms lie in the body, by capsules, before and after; in N of a take's frames.

    Upper arms count in their last third, and from their middle on as far as the hand is held.

    Attributes:
        frames: (N,) those that were looked at.
        before: (N,) how deep the deepest lies, metres.
        after: (N,) the same once they are cleared.
        moved: whether hands that are held were moved for it.
    """

    frames: Index
    before: Array
    after: Array
    moved: bool = False

    @property
    def before_m(self) -> float:
        """The deepest."""
        return float(self.before.max(initial=0.0))

    @property
    def after_m(self) -> float:
        """The deepest once they are cleared."""
        return float(self.after.max(initial=0.0))

    @property
    def shares(self) -> tuple[float, float]:
        """Of the frames, those in which an arm lies deeper than 5 mm, before and after."""
        deep = [float((one > _SEEN_M).mean()) if len(one) else 0.0 for one in (self.before, self.after)]
        return deep[0], deep[1]

    def within(self, ranges: Iterable[tuple[int, int]]) -> Clearance:
        """The same of the frames in some ranges [start, stop)."""
        mine = np.zeros(len(self.frames), bool)
        for start, stop in ranges:
            mine |= (self.frames >= start) & (self.frames < stop)
        return Clearance(self.frames[mine], self.before[mine], self.after[mine], self.moved)

    def note(self) -> str:
        """What was done, for people; "" where no arm lay in the body."""
        if self.before_m < _SEEN_M:
            return ""
        share = 100 * self.shares[0]
        text = (
            f"arms lay up to {1000 * self.before_m:.0f} mm deep in the body, in {share:.0f} % of the frames"
        )
        left = f"up to {1000 * self.after_m:.0f} mm are left" if self.after_m > _SEEN_M else "now clear"
        return f"{text}; {left}"


_LEFT_M = 0.005  # what turns may leave; beyond it both arms are solved as a whole
_SOLVED = 2048  # frames that are solved at a time, where they do not follow each other: 20 kB for each
_AROUND_S = 1.0  # so long before and after: moves come and go within it
_SEEN_M = 0.005  # the depth that counts in the shares: no mesh deeper than that is the aim


def clear_arms(
    motion: Motion,
    body: BodyMap,
    shape: Capsules,
    held: Mapping[str, Array] | None = None,
    touches: Mapping[str, Array] | None = None,
) -> tuple[Motion, Clearance]:
    """The motion with its arms out of trunk, head and thighs, and how deep they lay.

    Args:
        motion: of the character, F frames.
        body: which of its joints plays which part.
        shape: its surface.
        held: "left" and "right" -> how much (F,) that hand's place is a goal's, 0 to 1.
        touches: the same, how much (F,) that place lies on the body or on the floor.

    Returns:
        F frames; only upper arms are turned otherwise, and hands that are held with what carries them; where
        turns do not suffice collar bones and forearms, too.
    """
    shape = lower_halves(shape)
    step, none = max(int(motion.rate / _RATE_HZ), 1), np.zeros(len(motion))
    frames = np.unique(np.append(np.arange(0, len(motion), step), len(motion) - 1))
    held, touches = ({side: (one or {}).get(side, none) for side in SIDES} for one in (held, touches))
    arms, every = _arms(motion, body, shape, frames, held, touches), np.arange(len(frames))
    seen = {side: look(arm, every) for side, arm in arms.items()}
    before = after = np.zeros(len(frames))
    for one in seen.values():
        before = np.maximum(before, -one.margin)
    if not before.any():
        return motion, Clearance(frames, before, before)
    draft = Draft(motion)
    motion = draft.so_far()
    for side, arm in arms.items():
        turns, deep = way_out(arm, seen[side], motion.rate / step)
        after = np.maximum(after, deep)
        turned = _turned(motion, frames, arm, turns, held[side])
        if turned is not None:
            draft.write(turned)
    around = max(round(_AROUND_S * motion.rate / step), 1)
    stretches = _stretches(np.flatnonzero(after > _LEFT_M), around, len(frames))
    if not stretches:
        return draft.motion(), Clearance(frames, before, after)
    moves = {side: np.zeros((len(frames), VALUES)) for side in SIDES}
    paired = np.max([held[side][frames] - touches[side][frames] for side in SIDES], axis=0) > 0
    for some in _batches(stretches, paired):
        rows, lengths = np.concatenate([np.arange(*one) for one in some]), [b - a for a, b in some]
        near = _arms(motion, body, shape, frames[rows], held, touches)
        near = {side: arm for side, arm in near.items() if arm.hand is not None}
        open_ends = some[0][0] == 0, some[-1][1] == len(frames)
        # Arms whose hands have nothing in common are solved alone: half as large systems take a quarter.
        for sides in [tuple(near)] if paired[rows].any() else [(side,) for side in near]:
            mine = {side: near[side] for side in sides}
            for side, found in moves_out(mine, motion.rate / step, lengths, open_ends).items():
                moves[side][rows] = found
    every_move = {side: _at_all(one, frames, len(motion)) for side, one in moves.items()}
    for pose in moved_arms(motion, body, every_move, held):
        draft.write(pose)
    rows = np.concatenate([np.arange(*one) for one in stretches])
    near = _arms(motion, body, shape, frames[rows], held, touches)
    left = [-look(arm, np.arange(len(rows))).margin for arm in near.values()]
    after[rows] = np.maximum(np.max(left, axis=0), 0.0)
    moved = any((every_move[side].any(axis=1) & (held[side] > 0)).any() for side in SIDES)
    return draft.motion(), Clearance(frames, before, after, moved)


def _stretches(rows: Index, around: int, count: int) -> list[tuple[int, int]]:
    """Ranges [start, stop) of N frames that hold some rows (M,), and so many frames to either side."""
    parts = np.split(rows, np.flatnonzero(np.diff(rows) > 2 * around) + 1) if len(rows) else []
    return [(max(int(one[0]) - around, 0), min(int(one[-1]) + around + 1, count)) for one in parts]


def _batches(stretches: list[tuple[int, int]], paired: Mask) -> Iterator[list[tuple[int, int]]]:
    """Stretches [start, stop) that are solved at a time: as many as have some frames in all, or one.

    Those in which hands are on each other or on one thing, in some of N frames `paired`, and the others.
    """
    meeting = [one for one in stretches if paired[slice(*one)].any()]
    for some in (meeting, [one for one in stretches if one not in meeting]):
        batch: list[tuple[int, int]] = []
        for start, stop in some:
            if batch and stop - start + sum(b - a for a, b in batch) > _SOLVED:
                yield batch
                batch = []
            batch.append((start, stop))
        if batch:
            yield batch


def _arms(
    motion: Motion,
    body: BodyMap,
    shape: Capsules,
    frames: Index,
    held: Mapping[str, Array],
    touches: Mapping[str, Array],
) -> dict[str, Arm]:
    """The arms that are known, in some frames (N,)."""
    pose = GoalPose(motion, arm_joints(shape, body), frames)
    around = Around.of(pose, body, shape)
    found = {
        side: Arm.of(pose, body, shape, side, around, (held[side][frames], touches[side][frames]))
        for side in SIDES
    }
    return {side: arm for side, arm in found.items() if arm is not None}


def _turned(motion: Motion, frames: Index, arm: Arm, turns: Turns, held: Array) -> GoalPose | None:
    """An arm turned as in some frames (N,), in those where it is; a hand that is held keeps its direction."""
    each = np.concatenate([turns.free, turns.elbow[:, None]], axis=-1)
    each = _at_all(each, frames, len(motion))
    rows = np.flatnonzero(each.any(axis=1))
    if not len(rows):
        return None
    hand = arm.upper if arm.hand is None else arm.hand
    pose = GoalPose(motion, [hand], rows)
    above, kept = pose.turned[motion.skeleton.parents[arm.upper]], pose.turned[hand]
    way = Turns(each[rows, :3], each[rows, 3])
    pose.turn(arm.upper, way.in_model(above, pose.at[hand] - pose.at[arm.upper]))
    if arm.hand is not None and held[rows].any():
        pose.set_turned(hand, quat.slerp(pose.turned[hand], kept, held[rows]))
    return pose


def _at_all(turns: Array, frames: Index, count: int) -> Array:
    """Turns of some frames (N, K) for all frames (F, K), by a curve without corners."""
    if len(frames) == count:
        return turns
    out = np.zeros((count, turns.shape[1]))
    busy = turns.any(axis=1)
    spans = np.flatnonzero(busy[:-1] | busy[1:])
    slope = np.gradient(turns, frames, axis=0)
    every = _between(frames[spans], frames[spans + 1])
    low = np.clip(np.searchsorted(frames, every, side="right") - 1, 0, len(frames) - 2)
    span = (frames[low + 1] - frames[low])[:, None]
    p = (every - frames[low])[:, None] / span
    ease = smoothstep(p)
    out[every] = (
        turns[low] * (1 - ease)
        + turns[low + 1] * ease
        + span * (slope[low] * p * (1 - p) ** 2 - slope[low + 1] * p * p * (1 - p))
    )
    return out


def _between(starts: Index, stops: Index) -> Index:
    """All frames (M,) of ranges [start, stop], each once."""
    inside = np.zeros(int(stops.max(initial=-1)) + 1, bool)
    for step in range(int((stops - starts).max(initial=-1)) + 1):
        inside[np.minimum(starts + step, stops)] = True
    return np.flatnonzero(inside)
