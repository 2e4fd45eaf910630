"""Tails, ears, hair and straps swing in a set of clips, as VRMC_springBone 1.0 defines it.

Source: VRM Consortium, VRMC_springBone 1.0, "Inertia calculation" and the sections below it. All clips are
simulated in the world, where they travel, and together; the turns are kept in the joints' own axes. What a
chain swings about is what the clip plays there, which in most clips is its rest.

A loop is simulated until a cycle ends as it began: its last state, brought back by the cycle's own way and
turn, is the next one's first. A one-shot starts from what a body has come to that moved on as in its first
frames, in its first pose.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from ..base.checks import Array, Index
from ..base.errors import InputError
from ..body.motion import Motion
from ..maths import quat
from ..maths.easing import smoothstep
from .springs import STEP_S, Springs, expect_springs, joints_of
from .springs_drive import ASIDE, Carried, Layout, between_frames, beyond, drive_of, on_curves
from .springs_steps import Drive, step_runs

_WARM_S = 2.0  # of a loop's end that its first cycle starts from: most swings have died away by then
_HELD_S = 0.5  # a cycle of the pose that a one-shot starts from
_SPEED_S = 0.1  # of its first frames, which say how it moves there (common practice: three frames of thirty)
_SLACK = 1e-6  # of a step: rates are rounded in files
_SAME_M = 1e-7  # two cycles that begin so alike are the same: a tenth of what their ends may differ by
_MAX_S, _MIN_CYCLES = 30.0, 3  # after so many seconds, and cycles, a loop is mixed instead (chosen by trial)


@dataclass(frozen=True)
class Swung:
    """A clip whose chains swing.

    Attributes:
        rotations: (F, N, 4) local, of the joints that swing, in the order of `springs.joints_of`.
        gap_m: how far the ends of two cycles of a loop still lay apart when they were mixed; 0 where they
            met by themselves, and for one-shots.
    """

    rotations: Array
    gap_m: float


@dataclass(frozen=True)
class _Run:
    """A stretch that is simulated: a whole clip, or a held pose.

    Attributes:
        carried: (S + 1 rows) what carries the chains at its steps.
        step_s: seconds of each.
        frames: (F,) where its frames lie among the steps.
        turn, shift: (4,) and (3,) from its first row to its last: the way of a cycle.
    """

    carried: Carried
    step_s: float
    frames: Array
    turn: Array
    shift: Array

    @property
    def count(self) -> int:
        """How many steps it makes."""
        return len(self.carried.place) - 1


def swing(motions: Sequence[Motion], loops: Sequence[bool], springs: Springs) -> tuple[Swung, ...]:
    """How the chains swing in some clips of one skeleton; a loop's last frame is its first again.

    Args:
        motions: with their way over the floor.
        loops: whether each repeats.
        springs: the chains and colliders.

    Raises:
        InputError: they cannot be simulated (see `springs.expect_springs`), or a loop has less than two
            frames.
    """
    if not motions or not springs.chains:
        return tuple(Swung(np.zeros((len(motion), 0, 4)), 0.0) for motion in motions)
    skeleton = motions[0].skeleton
    expect_springs(springs, skeleton)
    for motion, loop in zip(motions, loops, strict=True):
        if loop and len(motion) < 2:
            raise InputError(f"springs: a loop of {len(motion)} frame cannot be simulated")
    layout = Layout(springs, skeleton)
    whole = layout.carried_by(motions)
    starts = np.concatenate([[0], np.cumsum([len(motion) for motion in motions])])
    clips = [
        _run_of(whole.rows(slice(a, b)), motion.rate, loop)
        for a, b, motion, loop in zip(starts, starts[1:], motions, loops, strict=False)
    ]
    heads = [one if loop else _held(one) for one, loop in zip(clips, loops, strict=True)]
    cycles = _Batch(layout, heads)
    gaps = cycles.repeat_until_periodic(loops)
    ones = [k for k, loop in enumerate(loops) if not loop]
    single = _Batch(layout, [clips[k] for k in ones])
    single.begin_with(cycles, ones)
    single.play(range(len(ones)))
    out = []
    for k, (motion, loop) in enumerate(zip(motions, loops, strict=True)):
        before = cycles.directions(k)
        own = before if loop else single.directions(ones.index(k))
        own = np.concatenate([before[-1:], own[1:]])
        aside = ASIDE if loop else 2
        head = before[np.maximum(len(before) - 1 - np.arange(aside, 0, -1), 0)]
        foot = own[np.minimum(np.arange(1, aside + 1), len(own) - 1)] if loop else beyond(own)[1]
        along = on_curves(np.concatenate([head, own, foot]), clips[k].frames, aside=aside)
        held = motion.rotations[:, list(joints_of(springs))]
        axis = np.broadcast_to(layout.lanes.axis.T, along.shape)
        out.append(Swung(quat.mul(held, quat.between(axis, along)), gaps[k]))
    return tuple(out)


def _run_of(frames: Carried, rate: float, loop: bool) -> _Run:
    """A clip at its steps; outside its frames it goes on as a loop does, or as it moves at its ends.

    A one-shot's steps last `STEP_S`, whatever its frames do, and may end behind it; a loop's are so many
    that they come nearest to that.
    """
    count = len(frames.place)
    seconds = (count - 1) / rate
    turn, shift = _way_of(frames) if loop else (quat.IDENTITY, np.zeros(3))
    if count == 1:
        return _Run(frames, STEP_S, np.zeros(1), turn, shift)
    if loop:
        steps = max(1, round(seconds / STEP_S))
        step_s = seconds / steps
        back, last = quat.inv(turn), count - 1
        before = frames.rows(np.maximum(last - np.arange(ASIDE, 0, -1), 0)).moved(
            back, -quat.rotate(back, shift)
        )
        after = frames.rows(np.minimum(np.arange(1, ASIDE + 1), last)).moved(turn, shift)
    else:
        step_s, steps = STEP_S, int(np.ceil(seconds / STEP_S - _SLACK))
        ends = [beyond(one) for one in frames.blocks]
        before, after = (frames.with_blocks([pair[end] for pair in ends]) for end in (0, 1))
    places = np.minimum(np.arange(steps + 1) * (step_s * rate), count - 1)
    spots = np.minimum(np.arange(count) / (step_s * rate), steps)
    return _Run(between_frames(frames, before, after, places), step_s, spots, turn, shift)


def _way_of(frames: Carried) -> tuple[Array, Array]:
    """The turn about the vertical and the way from a loop's first frame to its last, (4,) and (3,)."""
    top = int(np.argmax(frames.is_free))
    turn = quat.mul(frames.rotation[-1, top], quat.inv(frames.rotation[0, top]))
    turn = quat.from_yaw(quat.yaw(turn))
    return turn, frames.place[-1, top] - quat.rotate(turn, frames.place[0, top])


def _held(run: _Run) -> _Run:
    """The pose of a run's first frame, moving on as it does there; it ends where the run begins."""
    first, tops = run.carried, run.carried.is_free > 0
    reach = min(run.count, max(1, round(_SPEED_S / run.step_s)))
    way = (first.place[reach, tops] - first.place[0, tops]).mean(axis=0) / max(reach, 1) if run.count else 0.0
    count = round(_HELD_S / run.step_s)
    times = np.arange(-count, 1)[:, None, None]
    still = first.rows(np.zeros(count + 1, np.intp))
    blocks = list(still.blocks)
    for number in (1, 2, 3, 5):
        counts = still.is_free[:, None] if number == 1 else 1.0
        blocks[number] = blocks[number] + times * np.broadcast_to(way, 3) * counts
    shift = np.asarray(count * np.broadcast_to(way, 3), np.float64)
    return _Run(still.with_blocks(blocks), run.step_s, np.array([float(count)]), quat.IDENTITY, shift)


class _Batch:
    """Runs that are simulated together, and where their bones end by now."""

    def __init__(self, layout: Layout, runs: Sequence[_Run]) -> None:
        self.layout, self.runs, self.lanes = layout, list(runs), layout.lanes
        count = len(self.lanes.length)
        sizes = [len(run.carried.place) for run in self.runs]
        self.first = np.concatenate([[0], np.cumsum(sizes)]).astype(np.intp)
        self.drive: Drive | None = drive_of([run.carried for run in self.runs]) if self.runs else None
        self.out = np.zeros((3, int(self.first[-1]) * count))
        self.pull = layout.pull([run.step_s for run in self.runs]) if self.runs else None
        self.tail, self.before = (np.zeros((3, len(self.runs), count)) for _ in range(2))

    def repeat_until_periodic(self, loops: Sequence[bool]) -> list[float]:
        """Play all runs over and over until each ends as it began, or is mixed so that it does.

        How far apart the ends of those loops still were, metres; 0 for all others.
        """
        counts = np.array([run.count for run in self.runs], np.intp)
        seconds = counts * [run.step_s for run in self.runs]
        warm = [min(run.count, round(_WARM_S / run.step_s)) for run in self.runs]
        self._begin_at_rest(counts - warm)
        self._play(range(len(self.runs)), counts - warm)
        self._bring_back(range(len(self.runs)))
        gaps, spent = [0.0] * len(self.runs), np.zeros(len(self.runs))
        left, cycle = list(range(len(self.runs))), 0
        while left:
            tail, before, old = self.tail.copy(), self.before.copy(), self.out.copy()
            self.play(left)
            self._bring_back(left)
            cycle += 1
            spent[left] += seconds[left]
            still = []
            for k in left:
                away = max(
                    float(np.abs(a[:, k] - b[:, k]).max())
                    for a, b in ((self.tail, tail), (self.before, before))
                )
                if away <= _SAME_M:
                    continue
                if spent[k] < _MAX_S or cycle < _MIN_CYCLES:
                    still.append(k)
                elif loops[k]:
                    self._mix(k, old)
                    gaps[k] = away
            left = still
        return gaps

    def begin_with(self, other: _Batch, which: Sequence[int]) -> None:
        """Start where runs of another batch have ended."""
        self.tail, self.before = other.tail[:, list(which)], other.before[:, list(which)]
        if self.runs:
            back = [other.runs[k] for k in which]
            for number, run in enumerate(back):  # they were brought back to their own start
                self._move(number, run.turn, run.shift)

    def play(self, which: Sequence[int]) -> None:
        """Simulate some whole runs from where they are."""
        self._play(which, np.zeros(len(self.runs), np.intp))

    def directions(self, number: int) -> Array:
        """The bones' directions (S + 1, L, 3) in their held axes at the steps of a run."""
        count = len(self.lanes.length)
        rows = slice(self.first[number] * count, self.first[number + 1] * count)
        return self.out[:, rows].T.reshape(-1, count, 3)

    def _play(self, which: Sequence[int], skip: Index) -> None:
        if not self.runs or self.drive is None or self.pull is None:
            return
        steps = np.array([self.runs[k].count - int(skip[k]) for k in which], np.intp)
        order = np.array(list(which), np.intp)[np.argsort(-steps, kind="stable")]
        steps = -np.sort(-steps)
        pull = type(self.pull)(self.pull.keep[order], self.pull.stiffness[order], self.pull.gravity[:, order])
        tail, before = step_runs(
            self.lanes, self.drive, pull, self.first[order] + skip[order].astype(np.intp), steps,
            self.tail[:, order], self.before[:, order], self.out,
        )  # fmt: skip
        self.tail[:, order], self.before[:, order] = tail, before

    def _begin_at_rest(self, skip: Index) -> None:
        """Bones as the clip holds them, without a speed."""
        for k, run in enumerate(self.runs):
            row = run.carried.rows(np.array([int(skip[k])]))
            turned, heads = row.rotation[0].copy(), row.place[0].copy()
            for lane in np.argsort(self.lanes.depth, kind="stable"):
                above = self.lanes.parent[lane]
                if above >= 0:
                    heads[lane] = heads[above] + quat.rotate(turned[above], heads[lane])
                    turned[lane] = quat.mul(turned[above], turned[lane])
            ends = heads + quat.rotate(turned, (self.lanes.axis * self.lanes.length).T)
            back = quat.inv(row.center_rotation[0])
            ends = quat.rotate(back, ends - row.center_place[0])
            self.tail[:, k] = self.before[:, k] = ends.T

    def _bring_back(self, which: Sequence[int]) -> None:
        """From the end of a cycle to its start."""
        for k in which:
            run = self.runs[k]
            back = quat.inv(run.turn)
            self._move(k, back, -quat.rotate(back, run.shift))

    def _move(self, k: int, turn: Array, shift: Array) -> None:
        """Move a run's ends in the world; those that count in a center's space stay in it."""
        for ends in (self.tail, self.before):
            moved = quat.rotate(turn, ends[:, k].T) + shift
            ends[:, k] = np.where(self.lanes.centered > 0, ends[:, k], moved.T)

    def _mix(self, k: int, old: Array) -> None:
        """A cycle that goes over from the one after it into itself, so that its ends meet.

        Of two cycles in a row, the later one begins as the earlier one ends: the mix begins as the later
        one, and ends as the earlier one.
        """
        count, run = len(self.lanes.length), self.runs[k]
        rows = slice(self.first[k] * count, self.first[k + 1] * count)
        part = smoothstep(np.linspace(0.0, 1.0, run.count + 1))[:, None]
        new, before = (one[:, rows].reshape(3, -1, count) for one in (self.out, old))
        new[:, 0] = before[:, -1]  # where it began
        mixed = new * (1 - part) + before * part
        self.out[:, rows] = (mixed / np.linalg.norm(mixed, axis=0)).reshape(3, -1)
