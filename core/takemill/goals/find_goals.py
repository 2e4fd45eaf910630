"""Which relations of hands and body a motion keeps: found by distance of surfaces and relative speed."""

from __future__ import annotations

from collections.abc import Iterator
from functools import cached_property

import numpy as np

from ..base.checks import Array, Index, Mask
from ..body.body_map import leg_length
from ..body.body_parts import SIDES
from ..body.motion import Motion
from ..maths import filters, quat, series
from ..maths.capsule_distance import capsule_gaps, segment_nearest
from ..maths.series import filled, runs
from ..shape.capsules import TRUNK
from .find_supports import find_supports
from .goal_figures import FLOOR_ALONG, Figure, floor_low
from .goal_pose import GoalPose, at_rows
from .goal_runs import arm_of, one_at_a_time, preferred, spans, spread, tidy, within
from .goals import FLOOR, Goal

# Lengths in leg lengths (0.85 m of a person of 1.75 m), speeds in leg lengths a second. Chosen by eye on
# tests/hand_takes.py and on open motion (tests/benchmarks/goals_table.py counts what is found there).
_NEAR_IN, _NEAR_OUT = 0.03, 0.06  # surfaces: 2.5 and 5 cm; people's capsules are right within about 2 cm
_FLOOR_IN, _FLOOR_OUT = 0.05, 0.08  # as feet (ContactSettings)
_SLOW_IN, _SLOW_OUT = 0.3, 0.6
_TAP = 0.9  # a pat or a clap: at the moment of the least distance, slower than this along the surface
_TAP_DEPTH = 0.003  # and it lasts while the surfaces are no further apart than at that moment: 2.5 mm
_MIN_S, _MIN_FLOOR_S, _GAP_S = 0.06, 0.15, 0.12
_CALM_S = 0.075  # means of so long, twice: they let through what feet's 6 Hz do, in a tenth of the time
_HANGING_COSINE = np.cos(np.radians(30.0))  # an arm that points down like this hangs: its hand is on nothing
# Two hands on one thing: the line between them keeps its length (in arms) and its place in both hands, while
# they move about by more than so many arms.
_PROP_LENGTH, _PROP_TURN, _PROP_WINDOW_S, _PROP_MIN_S, _PROP_MOVES = 0.02, 0.10, 0.4, 0.6, 0.15


_TIP = 0.8  # of a hand's length: a hand that touches with what is beyond only hangs near, but for the head
# Parts that a hand can be on; what lies in one group is one surface.
_GROUPS: tuple[tuple[str, ...], ...] = (
    TRUNK,
    ("neck", "head"),
    *((side + limb,) for limb in ("UpperArm", "LowerArm", "UpperLeg", "LowerLeg") for side in SIDES),
)


def find_goals(pose: GoalPose, figure: Figure, floor_m: float) -> tuple[Goal, ...]:
    """The goals of a motion of the figure (see `posed`), in order; its floor lies at `floor_m`."""
    motion, anchors = pose.motion, figure.anchors
    leg = leg_length(figure.skeleton, figure.body)
    scene = _Scene(motion, figure, pose, leg, floor_m)
    hands = [hand for side in SIDES if (hand := f"{side}Hand") in anchors]
    found = list(scene.hand_on_hand()) if len(hands) == 2 else []
    carries = filled(len(motion), *spans(goal for goal in found if goal.kind == "prop"))
    found += one_at_a_time(scene.on_body(carries))
    found += find_supports(pose, figure, floor_m, found)
    found += [goal for part in scene.floor_parts() for goal in scene.on_floor(part)]
    return tuple(sorted(found, key=lambda goal: (goal.start, goal.part, goal.on)))


class _Scene:
    """A motion in model space, looked at for goals."""

    def __init__(self, motion: Motion, figure: Figure, pose: GoalPose, leg: float, floor_m: float) -> None:
        self.motion, self.figure, self.pose, self.leg, self.floor_m = motion, figure, pose, leg, floor_m
        self.rate = motion.rate
        self.palms = {
            f"{side}Hand": self._axis(f"{side}Hand") for side in SIDES if f"{side}Hand" in figure.anchors
        }

    def _axis(self, hand: str) -> tuple[Array, Array, Array]:
        """A hand as one capsule: its ends (F, 3) and its radius."""
        anchor = self.figure.anchors[hand]
        ends = (self.pose.point(anchor.joint, end) for end in (anchor.start, anchor.end))
        return next(ends), next(ends), np.median(anchor.radius, keepdims=True)

    def _calm(self, values: Array) -> Array:
        """Values (F, ...) without what is quicker than a part moves."""
        half = round(_CALM_S * self.rate / 2)
        return filters.moving_mean(filters.moving_mean(values, half), half) if half else values

    def _speed(self, points: Array) -> Array:
        """(F,) leg lengths a second."""
        return quat.length(series.derivative(self._calm(points), self.rate)) / self.leg

    def _held(self, gap: Array, speed: Array, near: tuple[float, float], min_s: float) -> Mask:
        """When (F,) a gap (leg lengths) is small and the speed low, with hysteresis."""
        surely, maybe = (gap < near[0]) & (speed < _SLOW_IN), (gap < near[1]) & (speed < _SLOW_OUT)
        return tidy(within(maybe, surely), round(_GAP_S * self.rate), round(min_s * self.rate))

    def _touching(self, gap: Array, speed: Array) -> Mask:
        """When (F,) surfaces rest on each other, and the moments when they only pat each other."""
        least = np.zeros(len(gap), bool)
        least[1:-1] = (gap[1:-1] <= gap[:-2]) & (gap[1:-1] < gap[2:])
        taps = least & (gap < _NEAR_IN) & (speed < _TAP)
        lowest = -filters.moving_max(-gap, max(round(_MIN_S * self.rate), 1))
        held = self._held(gap, speed, (_NEAR_IN, _NEAR_OUT), _MIN_S)
        return held | within((gap < lowest + _TAP_DEPTH) & (gap < _NEAR_IN), taps)

    def on_body(self, carries: Mask) -> Iterator[tuple[float, Goal]]:
        """The times when a hand is on the own body, the other arm included, and how near it comes, metres.

        Hands that carry something (F,) only pass the trunk.
        """
        anchors = self.figure.anchors
        for group in _GROUPS:
            mine = [hand for hand in self.palms if group[0] not in arm_of(hand)]
            capsules = np.flatnonzero(self.figure.capsules(*group))
            known = [part for part in group if part in anchors]
            if not len(capsules) or not known or not mine:
                continue
            for hand, (gap, nearest) in self._gaps(mine, capsules).items():
                if not (gap < _NEAR_IN).any():
                    continue
                middle = (self.palms[hand][0] + self.palms[hand][1]) / 2
                held = self._touching(gap, self._speed(self._seen(anchors[known[0]].joint, middle)))
                if group == TRUNK or group[0].endswith("Leg"):
                    held &= ~(self._hangs(hand.removesuffix("Hand")) | carries)
                if group[0].endswith("LowerArm"):
                    held &= ~self._hands_near
                for first, last in zip(*runs(held), strict=True):
                    best = first + int(np.argmin(gap[first:last]))
                    part = self.figure.shape.parts[int(nearest[best])]
                    part = "head" if part == "neck" and "head" in anchors else part
                    if part in anchors:
                        along = self._touch(hand, part, first, last)
                        if along > _TIP and part != "head":  # fingers that hang beside a thigh
                            continue
                        near = float(np.median(gap[first:last]))
                        yield near, self._goal("body", hand, part, first, last, along)

    def _hangs(self, side: str) -> Mask:
        """When (F,) an arm hangs down straight beside an upright trunk."""
        body = self.figure.body
        top = body.get("neck") if body.get("neck") is not None else body.get("head")
        upright = self._down(top, body.require("hips"))
        return self._straight_down(side) & upright

    def _straight_down(self, side: str) -> Mask:
        """When (F,) an arm points straight down."""
        arm = [self.figure.body.get(side + part) for part in ("UpperArm", "LowerArm", "Hand")]
        return self._down(arm[0], arm[1]) & self._down(arm[1], arm[2])

    def _down(self, high: int | None, low: int | None) -> Mask:
        """When (F,) one joint lies below another."""
        if high is None or low is None or high not in self.pose.at or low not in self.pose.at:
            return np.zeros(len(self.motion), bool)
        bone = self.pose.at[high] - self.pose.at[low]
        return np.asarray(bone[:, 2] > _HANGING_COSINE * quat.length(bone))

    def _seen(self, joint: int, points: Array) -> Array:
        """Points (F, 3) in a joint's space."""
        return quat.rotate(quat.inv(self.pose.turned[joint]), points - self.pose.at[joint])

    def _gaps(self, hands: list[str], capsules: Index) -> dict[str, tuple[Array, Index]]:
        """From hands' surfaces to the nearest of some capsules (F,), leg lengths, and which that is (F,).

        Infinitely far where it is surely more than counts as near.
        """
        shape, count = self.figure.shape, len(self.motion)
        best = {hand: (np.full(count, np.inf), np.zeros(count, np.intp)) for hand in hands}
        for k in capsules.tolist():
            joint = shape.joints[k]
            if joint not in self.pose.at:
                continue
            a, b, radius = shape.a[k], shape.b[k], shape.radius[k : k + 1]
            middle = self.pose.point(joint, (a + b) / 2)
            size = np.linalg.norm(b - a) / 2 + radius + _NEAR_OUT * self.leg
            for hand in hands:
                start, end, thick = self.palms[hand]
                far = quat.length(middle - (start + end) / 2)
                rows = np.flatnonzero(far < size + thick + self._half_palms[hand])
                if not len(rows):
                    continue
                there = self.pose.at_rows(rows, [joint])
                lines = at_rows(start, rows), at_rows(end, rows), thick
                gap = capsule_gaps(*lines, there.point(joint, a), there.point(joint, b), radius) / self.leg
                old, which = best[hand]
                which[rows] = np.where(gap < old[rows], k, which[rows])
                old[rows] = np.minimum(gap, old[rows])
        return best

    @cached_property
    def _half_palms(self) -> dict[str, float]:
        """Half the length of each hand."""
        anchors = self.figure.anchors
        return {
            hand: float(np.linalg.norm(anchors[hand].end - anchors[hand].start)) / 2 for hand in self.palms
        }

    def _touch(self, hand: str, part: str, first: int, last: int) -> float:
        """How far along the hand it touches a part: 0 at the wrist, 1 at the tip."""
        anchor, frames = self.figure.anchors[part], np.arange(first, last)
        there = self.pose.at_rows(frames, [anchor.joint])
        ends = (there.point(anchor.joint, one) for one in (anchor.start, anchor.end))
        start, end, _ = self.palms[hand]
        lines = start[frames], end[frames], *ends
        return preferred(segment_nearest(*lines)[0], lines)

    @cached_property
    def _hands_near(self) -> Mask:
        """When (F,) the hands are so near to each other that a hand on the other's wrist means the hand."""
        if len(self.palms) < 2:
            return np.zeros(len(self.motion), bool)
        left, right = self.palms.values()
        gap = capsule_gaps(*left, *right) / self.leg
        return np.asarray(filters.moving_max((gap < _NEAR_OUT).astype(float), round(_GAP_S * self.rate)) > 0)

    def hand_on_hand(self) -> Iterator[Goal]:
        """The times when one hand is on the other, or both hold one thing."""
        left, right = self.palms["leftHand"], self.palms["rightHand"]
        s, t = segment_nearest(*left[:2], *right[:2])
        here, there = (
            left[0] + s[:, None] * (left[1] - left[0]),
            right[0] + t[:, None] * (right[1] - right[0]),
        )
        gap = (quat.length(there - here) - left[2] - right[2]) / self.leg
        middles = [(start + end) / 2 for start, end, _ in (left, right)]
        joints = [self.figure.anchors[hand].joint for hand in ("leftHand", "rightHand")]
        seen = self._seen(joints[0], middles[1]), self._seen(joints[1], middles[0])
        chest = self.figure.body.require("hips")
        between = quat.rotate(quat.inv(self.pose.turned[chest]), middles[1] - middles[0])
        speed = np.minimum(self._speed(seen[0]), self._speed(between))
        touching = self._touching(gap, speed)
        for kind, mask in (("hands", touching), ("prop", self._one_thing(seen, middles) & ~touching)):
            for first, last in zip(*runs(mask), strict=True):
                lines = tuple(one[first:last] for one in (*left[:2], *right[:2]))
                other = (lines[2], lines[3], lines[0], lines[1])
                along = [0.5, 0.5]
                if kind == "hands":
                    along = [preferred(s[first:last], lines), preferred(t[first:last], other)]
                yield self._goal(kind, "leftHand", "rightHand", first, last, along[0], along[1])

    def _one_thing(self, seen: tuple[Array, Array], middles: list[Array]) -> Mask:
        """When (F,) the line between the hands is as in one thing that both hold, and it is moved about."""
        half = max(round(_PROP_WINDOW_S * self.rate / 2), 1)
        arm = max(self.figure.arm_m, 1e-6)
        length = quat.length(seen[0])
        still = spread(length[:, None], half) < _PROP_LENGTH * arm
        for one in seen:
            way = one / np.maximum(quat.length(one), 1e-9)[:, None]
            still &= spread(way, half) < _PROP_TURN
        still &= length < 1.6 * arm
        still &= ~(self._straight_down("left") & self._straight_down("right"))
        chest = next(
            j for part in (*reversed(TRUNK), "hips") if (j := self.figure.body.get(part)) in self.pose.at
        )
        place = self._seen(chest, (middles[0] + middles[1]) / 2)
        held = tidy(still, round(_GAP_S * self.rate), round(_PROP_MIN_S * self.rate))
        out = np.zeros_like(held)
        for first, last in zip(*runs(held), strict=True):
            out[first:last] = np.ptp(place[first:last], axis=0).max() > _PROP_MOVES * arm
        return out

    def floor_parts(self) -> list[str]:
        """The parts that may rest on the floor."""
        limbs = [side + part for part in ("Hand", "LowerArm", "LowerLeg") for side in SIDES]
        return [part for part in (*limbs, "hips") if part in self.figure.anchors]

    def on_floor(self, part: str) -> Iterator[Goal]:
        """The times when a part is on the floor."""
        low, point = floor_low(self.figure, self.pose, part)
        gap = (low - self.floor_m) / self.leg
        if not (gap < _FLOOR_IN).any():
            return
        held = self._held(gap, self._speed(point), (_FLOOR_IN, _FLOOR_OUT), _MIN_FLOOR_S)
        for first, last in zip(*runs(held), strict=True):
            yield self._goal("floor", part, FLOOR, first, last, FLOOR_ALONG if part.endswith("Hand") else 0.0)

    def _goal(
        self, kind: str, part: str, on: str, first: int, last: int, along: float, other: float = 0.0
    ) -> Goal:
        name = f"{part} on {on} {first / self.rate:.2f}s"
        return Goal(kind, part, on, int(first), int(last), along, other, name)
