"""Arms that reach what goals ask for, with shoulders and trunk where an arm alone is too short."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from copy import copy
from dataclasses import dataclass

import numpy as np

from ..base.checks import Array, Index
from ..body.body_parts import SIDES
from ..feet.leg_ik import reach
from ..maths import quat
from ..maths.blocks import each_solved
from .goal_asked import Asked
from .goal_figures import FLOOR_ALONG, Figure
from .goal_limits import MAX_SHOULDER_RAD, added, beyond, softened, within_reach
from .goal_looks import tilts
from .goal_pose import GoalPose
from .goal_targets import Course, on_reach, wanted_line, wanted_point
from .goals import SURROUNDINGS

_MAX_TRUNK_RAD = np.radians(50.0)  # about as far as people's (no source)
_TRUNK_COST = 0.15  # of turning the trunk, in the squared distance from its joints to the shoulders
_MEET_COST = 0.3  # of moving the place where hands meet, in steps along an arm. Trial: goals_table.py
STILL_RAD, STILL_M = np.radians(0.1), 1e-4
"""Turns of trunk and shoulders and steps of hands that count as none: 0.1 degrees move a hand by 1 mm."""
_TINY = 1e-9  # keeps lengths of nothing from being divided by
# A trunk that bends carries these with it, so that it brings no hand nearer to them.
_CARRIED = ("spine", "chest", "upperChest", "head", "Arm", "Hand")


@dataclass(frozen=True)
class _Arm:
    """One arm of the target: its joints, and its elbow's hinge (3,) in the space of the upper arm's joint."""

    shoulder: int | None
    upper: int
    lower: int
    hand: int
    hinge: Array


class Arms:
    """Both arms of a pose, and what goals ask of them.

    Attributes:
        changed: (N,) by how much the last pass changed shoulders, trunk and the place where hands meet, in
            what counts as still (see goal_passes).
    """

    def __init__(self, pose: GoalPose, figure: Figure, asked: Sequence[Asked]) -> None:
        self.pose, self.figure, self.asked = pose, figure, list(asked)
        known = {side: arm for side in SIDES if (arm := self._arm(side)) is not None}
        self.arms = {side: arm for side, arm in known.items() if self._is_asked(side)}
        self.uppers = [arm.upper for arm in known.values()]
        self.kept = {side: pose.turned[arm.hand] for side, arm in self.arms.items()}
        self.trunk = self._trunk(list(known.values()))
        self.bent, self.aside = np.zeros((len(pose), 3)), np.zeros((len(pose), 3))
        self.loose, self.changed = np.zeros(len(pose)), np.zeros(len(pose))
        self.lifted = {side: np.zeros((len(pose), 3)) for side in self.arms}

    def cut(self, rows: Index) -> Arms:
        """The same in those frames `rows` (M,) of the pose alone; `put` takes them back."""
        new = np.full(len(self.pose), -1)
        new[rows] = np.arange(len(rows))
        out = copy(self)
        out.pose = self.pose.cut(rows)
        out.asked = [part for one in self.asked if (part := one.cut(new)) is not None]
        out.arms = {side: arm for side, arm in self.arms.items() if out._is_asked(side)}
        out.kept = {side: one[rows] for side, one in self.kept.items()}
        out.bent, out.aside = self.bent[rows], self.aside[rows]
        out.loose, out.changed = self.loose[rows], self.changed[rows]
        out.lifted = {side: one[rows] for side, one in self.lifted.items()}
        return out

    def put(self, rows: Index, part: Arms) -> None:
        """Takes back a part, in those frames `rows` (M,), after passes over it."""
        new = np.full(len(self.pose), -1)
        new[rows] = np.arange(len(rows))
        self.pose.put(rows, part.pose)
        mine = [one for one in self.asked if (new[one.rows] >= 0).any()]
        for one, other in zip(mine, part.asked, strict=True):
            one.put(new, other)

    def forget(self) -> None:
        """Takes back all that passes have turned."""
        for joint in (*self.trunk[:1], *(arm.upper for arm in self.arms.values())):
            self.pose.restore(joint)
        for arm in self.arms.values():
            self.pose.restore(arm.upper if arm.shoulder is None else arm.shoulder)
        self.bent, self.aside = np.zeros_like(self.bent), np.zeros_like(self.aside)
        self.lifted = {side: np.zeros_like(one) for side, one in self.lifted.items()}

    def _is_asked(self, side: str) -> bool:
        """Whether any goal asks for an arm."""
        parts = (f"{side}Hand", f"{side}LowerArm")
        return any(one.course.part in parts or one.course.on == parts[0] for one in self.asked)

    def _arm(self, side: str) -> _Arm | None:
        body, skeleton = self.figure.body, self.figure.skeleton
        upper, lower, hand = (body.get(side + part) for part in ("UpperArm", "LowerArm", "Hand"))
        if upper is None or lower is None or hand is None or f"{side}Hand" not in self.figure.anchors:
            return None
        # An arm held sideways bends forwards: about -Z on the left and +Z on the right.
        up = np.array([0.0, 0.0, -1.0 if side == "left" else 1.0])
        hinge = quat.rotate(self.figure.frames[f"{side}UpperArm"], up)
        hinge = quat.rotate(quat.inv(skeleton.reference_model[0][upper]), hinge)
        return _Arm(body.get(f"{side}Shoulder"), upper, lower, hand, hinge)

    def _trunk(self, arms: Sequence[_Arm]) -> list[int]:
        """The joints between the hips and where the arms leave."""
        if not arms:
            return []
        paths = [self.figure.skeleton.path_to(arm.upper) for arm in arms]
        shared = [joint for joint in paths[0] if all(joint in path for path in paths)]
        own = {joint for arm in arms for joint in (arm.upper, arm.shoulder)}
        shared = [joint for joint in shared if joint not in own]
        hips = self.figure.body.require("hips")
        return shared[shared.index(hips) + 1 :] if hips in shared else []

    def once(self, again: bool) -> None:
        """One pass: brings the hands to their goals; `again` over what the pass before did."""
        points = self._points()
        if again:
            for arm in self.arms.values():
                self.pose.restore(arm.upper)
        self.changed = np.zeros(len(self.pose))
        self._elbows_down()
        goals, weights, hands, frees = self._goals(points)
        self._lend(goals, frees)
        for side, arm in self.arms.items():
            self._bend(side, arm, goals[side], weights[side], hands[side])

    def _points(self) -> list[Array | None]:
        """Where the points of hands go (N, 3), for each course of one hand."""
        return [
            wanted_point(one.course, self.figure, self.pose.at_rows(one.rows, one.course.joints), one.more)
            if one.course.kind == "body"
            else one.floor
            for one in self.asked
        ]

    def _elbows_down(self) -> None:
        """Swings upper arms so that elbows are where they lie on the floor."""
        for one in self.asked:
            course = one.course
            if one.floor is not None and course.part.endswith("LowerArm"):
                arm = self.arms.get(course.part.removesuffix("LowerArm"))
                if arm is not None:
                    pose, rows = self.pose, one.rows
                    turned, place = pose.turned[arm.lower], pose.at[arm.lower].copy()
                    step = course.hold.held(one.floor - place[rows])
                    place[rows] += one.weight[:, None] * step
                    upper = pose.at[arm.upper][rows]
                    place[rows] = on_reach(upper, pose.at[arm.lower][rows], place[rows], course.firm)
                    line = pose.at[arm.lower] - pose.at[arm.upper]
                    pose.turn(arm.upper, quat.between(line, place - pose.at[arm.upper]))
                    pose.set_turned(arm.lower, turned)

    def _goals(
        self, points: Sequence[Array | None]
    ) -> tuple[dict[str, Array], dict[str, Array], dict[str, Array], dict[str, Array]]:
        """What goals ask of each arm.

        Where its wrist goes (N, 3), how much goals say so (N,), the hand's rotation (N, 4), and how much of
        it a bend of the trunk would help (N,).
        """
        pose, count = self.pose, len(self.pose)
        left = {side: np.ones(count) for side in self.arms}
        for one in self.asked:
            for side in self._sides(one.course):
                left[side][one.rows] *= 1 - one.weight
        hands = {
            side: quat.slerp(
                pose.turned[arm.hand], _near(self.kept[side], pose.turned[arm.hand]), 1 - left[side]
            )
            for side, arm in self.arms.items()
        }
        for one in self.asked:
            side, rows = one.course.part.removesuffix("Hand"), one.rows
            if one.lift.any():
                tilt = tilts(one, self.pose, self.figure, hands[side][rows])
                hands[side][rows] = quat.mul(tilt, hands[side][rows])
        moved, alone, helps = {}, {}, {}
        for side, arm in self.arms.items():
            total, step, free, bends = np.zeros(count), np.zeros((count, 3)), np.ones(count), np.zeros(count)
            for one, point in zip(self.asked, points, strict=True):
                course, rows, weight = one.course, one.rows, one.weight
                if course.part != f"{side}Hand" or point is None:
                    continue
                along = course.along if course.kind == "body" else np.full(len(rows), FLOOR_ALONG)
                away = quat.rotate(hands[side][rows], self.figure.anchors[course.part].on_axis(along))
                step[rows] += weight[:, None] * course.hold.held(point - away - pose.at[arm.hand][rows])
                total[rows] += weight
                free[rows] *= 1 - weight
                if course.on in SURROUNDINGS or not course.on.endswith(_CARRIED):
                    bends[rows] += weight
            moved[side] = step * ((1 - free) / np.maximum(total, _TINY))[:, None]
            alone[side] = free
            helps[side] = bends / np.maximum(total, _TINY)
        if len(self.arms) == 2 and any(one.course.kind in ("hands", "prop") for one in self.asked):
            self._meet(moved, alone, hands)
        goals = {side: pose.at[arm.hand] + moved[side] for side, arm in self.arms.items()}
        return goals, {side: 1 - one for side, one in left.items()}, hands, helps

    def _sides(self, course: Course) -> tuple[str, ...]:
        if course.kind in ("hands", "prop"):
            return tuple(self.arms)
        return tuple(side for side in self.arms if course.part == f"{side}Hand")

    def _meet(self, moved: dict[str, Array], alone: dict[str, Array], hands: dict[str, Array]) -> None:
        """Adds to the steps of both wrists (N, 3) what brings the hands together; a held hand moves less."""
        count = len(self.pose)
        total, step, free = np.zeros(count), np.zeros((count, 3)), np.ones(count)
        for one in self.asked:
            course, rows, weight = one.course, one.rows, one.weight
            if course.kind not in ("hands", "prop"):
                continue
            ends = []
            for side, along in (("left", course.along), ("right", course.along_other)):
                offset = quat.rotate(hands[side][rows], self.figure.anchors[f"{side}Hand"].on_axis(along))
                ends.append(self.pose.at[self.arms[side].hand][rows] + moved[side][rows] + offset)
            held = self.pose.at_rows(rows, course.joints)
            for side in SIDES:
                held.turned[self.arms[side].hand] = hands[side][rows]
            line = wanted_line(course, self.figure, held, one.more)
            step[rows] += weight[:, None] * (line - (ends[1] - ends[0]))
            total[rows] += weight
            free[rows] *= 1 - weight
        step = step * ((1 - free) / np.maximum(total, _TINY))[:, None]
        stands = {side: np.ones(count) for side in SIDES}
        for one in self.asked:
            if one.floor is not None and one.course.part.endswith("Hand"):
                stands[one.course.part.removesuffix("Hand")][one.rows] *= 1 - one.weight
        step = step * (stands["left"] + stands["right"] - stands["left"] * stands["right"])[:, None]
        self.loose = (1 - free) * alone["left"] * alone["right"]
        for side in SIDES:
            moved[side] = moved[side] + self.aside * self.loose[:, None]
        share = (alone["right"] + _TINY) / (alone["left"] + alone["right"] + 2 * _TINY)
        moved["right"] = moved["right"] + share[:, None] * step
        moved["left"] = moved["left"] - (1 - share)[:, None] * step

    def _lend(self, goals: dict[str, Array], helps: Mapping[str, Array]) -> None:
        """Turns shoulders and trunk towards goals that an arm would have to straighten for."""
        pose = self.pose
        wants = {side: self._wanted(side, goals[side]) for side in self.arms}
        if not any(want.any() for want in wants.values()):
            return
        if self.loose.any():
            self._meet_nearer(goals, wants)
            wants = {side: self._wanted(side, goals[side]) for side in self.arms}
        for side, arm in self.arms.items():
            rows = np.flatnonzero(wants[side].any(axis=1))
            if arm.shoulder is not None and len(rows):
                place = pose.at[arm.upper]
                lever = (place - pose.at[arm.shoulder])[rows]
                turn = quat.cross(lever, wants[side][rows]) / np.sum(lever**2, axis=-1)[:, None]
                before = self.lifted[side][rows]
                after = softened(added(before, turn, MAX_SHOULDER_RAD), MAX_SHOULDER_RAD)
                self.lifted[side][rows] = after
                self._note(rows, (after - before) / STILL_RAD)
                pose.turn(arm.shoulder, quat.mul(quat.exp(after), quat.exp(-before)), rows)
                wants[side] = wants[side] - (pose.at[arm.upper] - place)
        self._bend_trunk({side: want * helps[side][:, None] for side, want in wants.items()}, helps)

    def _wanted(self, side: str, goal: Array) -> Array:
        """How far a shoulder should come along (N, 3) for its wrist's goal (N, 3)."""
        return self._eased(side, self._short(side, goal))

    def _eased(self, side: str, steps: Array) -> Array:
        """Steps of an arm (N, 3): beside its goals those of their ends, by how much the goals count there.

        Where a hand is on its way, its place means little, and a trunk that bends for it would swing.
        """
        total, out, free = np.zeros(len(steps)), np.zeros_like(steps), np.ones(len(steps))
        for one in self.asked:
            course, rows = one.course, one.rows
            if side in self._sides(course):
                out[rows] += course.weight[:, None] * course.hold.held(steps[rows])
                total[rows] += course.weight
                free[rows] *= 1 - course.weight
        return out * ((1 - free) / np.maximum(total, _TINY))[:, None]

    def _short(self, side: str, goal: Array) -> Array:
        """How far a shoulder should come along (N, 3) towards its wrist's goal (N, 3)."""
        pose, arm = self.pose, self.arms[side]
        at = pose.at[arm.upper]
        length = quat.length(pose.at[arm.lower] - at) + quat.length(pose.at[arm.hand] - pose.at[arm.lower])
        line = goal - at
        far = quat.length(line)
        short = beyond(far, length) - beyond(quat.length(pose.at[arm.hand] - at), length)
        return line * (np.maximum(short, 0.0) / np.maximum(far, _TINY))[:, None]

    def _meet_nearer(self, goals: dict[str, Array], wants: Mapping[str, Array]) -> None:
        """Lets hands that are only on each other meet where both arms reach: moves both goals alike."""
        matrix = np.broadcast_to(_MEET_COST * np.eye(3), (len(self.pose), 3, 3)).copy()
        right = np.zeros((len(self.pose), 3, 1))
        for side, arm in self.arms.items():
            line = goals[side] - self.pose.at[arm.upper]
            way = line / np.maximum(quat.length(line), _TINY)[:, None]
            matrix += way[:, :, None] * way[:, None, :]
            right[..., 0] -= wants[side]
        step = each_solved(matrix, right)[..., 0]
        self.aside = self.aside + step
        self._note(slice(None), step * self.loose[:, None] / STILL_M)
        for side in self.arms:
            goals[side] = goals[side] + step * self.loose[:, None]

    def _bend_trunk(self, wants: Mapping[str, Array], helps: Mapping[str, Array]) -> None:
        """Turns the trunk's joints, each by its share, for shoulders that are wanted elsewhere (N, 3)."""
        rows = np.flatnonzero(np.any([want.any(axis=1) for want in wants.values()], axis=0))
        if not self.trunk or not len(rows):
            return
        pose = self.pose
        pivot = np.mean([pose.at[joint][rows] for joint in self.trunk], axis=0)
        matrix, right = np.zeros((len(rows), 3, 3)), np.zeros((len(rows), 3, 1))
        for upper in self.uppers:
            lever = pose.at[upper][rows] - pivot
            matrix += _TRUNK_COST * np.sum(lever**2, axis=-1)[:, None, None] * np.eye(3)
        for side, arm in self.arms.items():
            lever, help_rows = pose.at[arm.upper][rows] - pivot, helps[side][rows, None, None]
            squared = np.sum(lever**2, axis=-1)[:, None, None]
            matrix += help_rows * (squared * np.eye(3) - lever[:, :, None] * lever[:, None, :])
            right[..., 0] += quat.cross(lever, wants[side][rows])
        turn = each_solved(matrix, right)[..., 0]
        before = self.bent[rows]
        after = softened(added(before, turn, _MAX_TRUNK_RAD), _MAX_TRUNK_RAD)
        self.bent[rows] = after
        self._note(rows, (after - before) / STILL_RAD)
        step = [quat.exp(sign * one / len(self.trunk)) for sign, one in ((1.0, after), (-1.0, before))]
        for joint in self.trunk:
            pose.turn(joint, quat.mul(*step), rows)

    def _bend(self, side: str, arm: _Arm, goal: Array, weight: Array, hand: Array) -> None:
        """Bends one arm so that its wrist is at its goal (N, 3), and turns its hand (N, 4)."""
        if not weight.any():
            return
        pose = self.pose
        firm = self._on_elbow(side)
        near = goal if firm is None else pose.at[arm.hand] + (1 - firm)[:, None] * (goal - pose.at[arm.hand])
        # Both limits are needed: without the first an arm that is too short snaps at its goal's end (peaks of
        # 2 for 1.1), without the second beside its goal (elbows of 4 degrees for 12). goals_table.py
        near = self._within_reach(arm, near)
        near = pose.at[arm.hand] + self._eased(side, near - pose.at[arm.hand])
        near = self._within_reach(arm, near)
        hinge = quat.rotate(pose.turned[arm.upper], arm.hinge)
        swing, bend = reach(pose.at[arm.upper], pose.at[arm.lower], pose.at[arm.hand], near, hinge)
        pose.turn(arm.lower, bend)
        pose.turn(arm.upper, swing)
        if firm is not None:
            line = pose.at[arm.hand] - pose.at[arm.lower]
            ahead = line + firm[:, None] * (goal - pose.at[arm.lower] - line)
            pose.turn(arm.lower, quat.between(line, ahead))
        pose.set_turned(arm.hand, hand)

    def _within_reach(self, arm: _Arm, goal: Array) -> Array:
        """A wrist's goal (N, 3), nearer where the arm would snap straight; one that is fitted so stays."""
        at, hand = self.pose.at[arm.upper], self.pose.at[arm.hand]
        length = quat.length(self.pose.at[arm.lower] - at) + quat.length(hand - self.pose.at[arm.lower])
        far, own = quat.length(goal - at), quat.length(hand - at)
        allowed = within_reach(far, own, length)
        return at + (goal - at) * (allowed / np.maximum(far, _TINY))[:, None]

    def _on_elbow(self, side: str) -> Array | None:
        """How much (N,) an arm lies still on its elbow; None when it never does."""
        part = f"{side}LowerArm"
        found = [one for one in self.asked if one.floor is not None and one.course.part == part]
        if not found:
            return None
        out = np.zeros(len(self.pose))
        for one in found:
            out[one.rows] = one.weight * one.course.firm
        return out

    def _note(self, rows: Index | slice, change: Array) -> None:
        """Notes how much (N, 3) some frames of the pose changed."""
        self.changed[rows] = np.maximum(self.changed[rows], np.abs(change).max(axis=-1))


def _near(turned: Array, other: Array) -> Array:
    """Rotations (N, 4) with the signs that lie nearer to others."""
    return np.where(np.einsum("ni,ni->n", turned, other)[:, None] < 0, -turned, turned)
