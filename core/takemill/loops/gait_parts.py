"""The parts of a gait between two calm stretches: start, loop, stop, and the turns on the way.

All parts begin and end, where they meet, as the same foot comes down: the start ends in the loop's first
pose, the stop begins in it, a turn does both. Which foot, and which of its steps, is what repeats best.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ..base.checks import Array, Index, Mask
from ..base.errors import InputError
from ..body.body_map import BodyMap, heading
from ..body.motion import Motion
from ..clip.clouds import Places, cloud_of, main_joints, positions_at
from ..clip.events import foot_events
from ..clip.measure import PoseGap, ends_at, gap_between
from ..clip.seam_quality import SUGGESTED
from ..feet.contacts import Contacts
from ..maths.series import runs
from .loop_search import LoopSettings, measure_loops

PARTS = ("start", "loop", "turn", "stop")
"""What a gait is parted into."""

_REACH_S = 0.07  # by which an end may move from where the foot comes down (found within 2 frames at 30 Hz)
_MAX_CALM_SHARE = 0.35  # of the gait's usual speed: slower, a range begins or ends calmly (chosen by eye)
_CALM_S = 0.15  # over which that speed is taken
# A start or stop that is longer by a cycle, for a pose that fits so much better (chosen by eye).
_CYCLE_WORTH_M = 0.01
_MAX_STRAIGHT_RAD = np.radians(15.0)  # of turn in a cycle: a straight walk wanders by 5 (open walks)


@dataclass(frozen=True)
class GaitPart:
    """Frames `start` to `end`, both included, of a take.

    Attributes:
        part: one of PARTS.
        start, end: where it meets another part the pose is, nearly, the loop's first.
        turn_deg: of a turn, counter-clockwise.
    """

    part: str
    start: int
    end: int
    turn_deg: float = 0.0


def find_gait_parts(
    motion: Motion,
    body: BodyMap,
    contacts: Contacts,
    within: tuple[int, int],
    settings: LoopSettings | None = None,
    turn_deg: float = 40.0,
) -> tuple[GaitPart, ...]:
    """The parts of a gait in order of time: a start if the range begins calmly, a loop, turns, and a stop.

    Args:
        motion: the take.
        body: of its skeleton.
        contacts: of its frames.
        within: its frames [start, stop), from rest to rest.
        settings: how many cycles the loop holds, and how far around each frame poses are compared.
        turn_deg: least turn of a turn.

    Raises:
        InputError: the feet do not come down often enough, or no cycle repeats well enough.
    """
    settings = settings or LoopSettings()
    first, stop = within
    choices = [
        choice
        for foot in contacts.feet
        if (choice := _Steps.of(motion, body, contacts, foot, within, settings)) is not None
    ]
    if not choices:
        raise InputError("its feet do not come down often enough for a start, a loop and a stop")
    calm = _calm_ends(motion, body, within)
    plans = [plan for choice in choices for plan in choice.plans(calm)]
    for plan in sorted(plans, key=lambda plan: plan.cost):
        pairs = [(plan.steps.frame(one, plan.loop), plan.steps.down[plan.loop]) for one in plan.meets]
        seams = measure_loops(motion, body, [(b, a) for a, b in pairs], settings)
        if all(seam.quality in SUGGESTED for seam in seams):
            return plan.parts(first, stop - 1, calm, np.radians(turn_deg))
    raise InputError(
        "no pose of its cycles comes back well enough for a start, a loop and a stop to share it"
    )


def _calm_ends(motion: Motion, body: BodyMap, within: tuple[int, int]) -> tuple[bool, bool]:
    """Whether the body hardly moves over the floor where a range begins, and where it ends."""
    hips = positions_at(motion, np.arange(*within), np.array([body.require("hips")]))[:, 0, :2]
    speed = np.linalg.norm(np.diff(hips, axis=0), axis=-1) * motion.rate
    near = max(1, round(_CALM_S * motion.rate))
    limit = _MAX_CALM_SHARE * float(np.median(speed)) if len(speed) else 0.0
    return bool(speed[:near].mean() < limit), bool(speed[-near:].mean() < limit)


@dataclass(frozen=True)
class _Steps:
    """Where one foot comes down, N times, and how far its poses there are from each other.

    Attributes:
        down: (N,) frames of the take.
        nearest: (N, N) of each step (row) the frame near it that is most like another one (column).
        away: (N, N) how far they are apart, metres.
        turns: (N - 1,) by which the heading turns in each cycle, radians.
        cycles: of the loop.
    """

    down: Index
    nearest: Index
    away: Array
    turns: Array
    cycles: int

    @classmethod
    def of(
        cls,
        motion: Motion,
        body: BodyMap,
        contacts: Contacts,
        foot: str,
        within: tuple[int, int],
        settings: LoopSettings,
    ) -> _Steps | None:
        """The steps of a foot in a range; None for fewer than a loop needs."""
        first, stop = within
        events = foot_events(contacts, loop=False)
        down = np.array(
            [one.frame for one in events if one.name == f"{foot}.down" and first < one.frame < stop], np.intp
        )
        cycles = max(settings.cycles, 1)
        if len(down) <= cycles:
            return None
        joints, last = main_joints(body), len(motion) - 1
        window = max(1, round(settings.window_s * motion.rate))
        reach = max(1, round(_REACH_S * motion.rate))
        places = Places.around(motion, joints, down, reach + window)
        clouds, lows = [], []
        for frame in down:
            low, high = max(first, frame - reach), min(stop - 1, frame + reach)
            clouds.append(cloud_of(places, int(low), int(high), window, last))
            lows.append(low)
        nearest = np.zeros((len(down), len(down)), np.intp)
        away = np.zeros(nearest.shape)
        for row, (cloud, low) in enumerate(zip(clouds, lows, strict=True)):
            for column, (other, frame) in enumerate(zip(clouds, down, strict=True)):
                centre = int(frame - lows[column])
                gaps = cloud.distances(slice(None), slice(centre, centre + 1), other)[:, 0]
                nearest[row, column], away[row, column] = low + int(gaps.argmin()), gaps.min()
        turns = np.diff(heading(motion, body)[down])
        return cls(down, nearest, away, turns, cycles)

    def frame(self, step: int, like: int) -> int:
        """The frame of a step that is most like another step's."""
        return int(self.down[step] if step == like else self.nearest[step, like])

    @property
    def straight(self) -> Mask:
        """(N - 1,) whether each cycle goes straight on; all do where the gait is a curve as a whole."""
        straight = np.abs(self.turns) < _MAX_STRAIGHT_RAD
        return straight if np.median(np.abs(self.turns)) < _MAX_STRAIGHT_RAD else np.ones_like(straight)

    def plans(self, calm: tuple[bool, bool]) -> list[_Plan]:
        """For each step at which the loop can begin, the best steps for start and stop."""
        straight, last, plans = self.straight, len(self.down) - 1, []
        for loop in range(last - self.cycles + 1):
            after = loop + self.cycles
            if not straight[loop:after].all():
                continue
            out = int(np.argmin(self.away[: loop + 1, loop] + _CYCLE_WORTH_M * np.arange(loop + 1)))
            tail = self.away[after:, loop] + _CYCLE_WORTH_M * np.arange(last - after, -1, -1)
            into = after + int(np.argmin(tail))
            out, into = (out if calm[0] else loop), (into if calm[1] else after)
            cost = self.away[after, loop] + self.away[out, loop] + self.away[into, loop]
            cost += _CYCLE_WORTH_M * ((out if calm[0] else 0) + (last - into if calm[1] else 0))
            plans.append(_Plan(self, loop, out, into, float(cost)))
        return plans


@dataclass(frozen=True)
class _Plan:
    """The steps at which the loop begins, the start ends (`out`) and the stop begins (`into`)."""

    steps: _Steps
    loop: int
    out: int
    into: int
    cost: float

    @property
    def meets(self) -> tuple[int, ...]:
        """The steps whose poses must be like that at which the loop begins."""
        return tuple({self.out, self.loop + self.steps.cycles, self.into} - {self.loop})

    def turns(self, least: float) -> list[tuple[int, int]]:
        """The steps between which the gait turns, by at least so much, between the start and the stop.

        A step more to either side is taken where its pose fits the loop's so much better.
        """
        out = []
        for start, stop in zip(*runs(~self.steps.straight), strict=True):
            if abs(self.steps.turns[start:stop].sum()) < least:
                continue
            away = self.steps.away[:, self.loop]
            ends = []
            for step, way in ((int(start), -1), (int(stop), 1)):
                near = [one for one in (step, step + way) if self.out <= one <= self.into]
                ends.append(
                    min(near, key=lambda one: away[one] + _CYCLE_WORTH_M * abs(one - step), default=-1)
                )
            if min(ends) >= 0:
                out.append((ends[0], ends[1]))
        return out

    def parts(
        self, first: int, last: int, calm: tuple[bool, bool], least_turn: float
    ) -> tuple[GaitPart, ...]:
        """The parts from the range's first frame to its last."""
        frame = self.steps.frame
        parts = [
            GaitPart("loop", frame(self.loop, self.loop), frame(self.loop + self.steps.cycles, self.loop))
        ]
        for start, stop in self.turns(least_turn):
            turn = float(np.degrees(self.steps.turns[start:stop].sum()))
            parts.append(GaitPart("turn", frame(start, self.loop), frame(stop, self.loop), turn))
        if calm[0]:
            parts.append(GaitPart("start", first, frame(self.out, self.loop)))
        if calm[1]:
            parts.append(GaitPart("stop", frame(self.into, self.loop), last))
        return tuple(sorted(parts, key=lambda one: (one.start, one.end)))


def nearest_pose(
    motion: Motion,
    body: BodyMap,
    frame: int,
    reach: int,
    other: Motion,
    at: int,
    settings: LoopSettings,
) -> tuple[int, PoseGap]:
    """The frame of a motion, at most `reach` from `frame`, most like frame `at` of another; and how near.

    Both have the same joints; poses are compared as `find_loops` does, place and heading aside.
    """
    joints, window = main_joints(body), max(1, round(settings.window_s * motion.rate))
    low, high = max(0, frame - reach), min(len(motion) - 1, frame + reach)
    near = Places.around(motion, joints, np.arange(low, high + 1), window)
    there = Places.around(other, joints, np.array([at]), window)
    cloud = cloud_of(near, low, high, window, len(motion) - 1)
    wanted = cloud_of(there, at, at, window, len(other) - 1)
    best = low + int(cloud.distances(slice(None), slice(None), wanted)[:, 0].argmin())
    (here,), (target,) = (
        ends_at(one, joints, [place], window) for one, place in ((motion, best), (other, at))
    )
    return best, gap_between(here, target)
