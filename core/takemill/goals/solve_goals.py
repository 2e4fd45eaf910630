"""Goals kept: hips, trunk, shoulders and arms moved so that hands and body meet as the performer's.

The order: what lies on the floor moves the hips, and legs make up for it; an arm that a goal would straighten
takes shoulder and trunk along; then two bones reach, and the hand keeps its direction. Each step works on all
frames at once, is weighted in and out with its goals, and has soft limits, so that nothing snaps.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from ..base.checks import Array, Index
from ..body.body_map import rest_facing
from ..body.body_parts import SIDES
from ..body.motion import Motion
from ..feet.contacts import Contacts
from ..feet.leg_ik import reach
from ..maths import filters, quat
from ..maths.blocks import each_solved
from .goal_arms import Arms
from .goal_figures import Figure, floor_low
from .goal_pose import GoalPose
from .goal_targets import Course, on_reach, wanted_on_floor
from .goals import blend_frames

# Of a step of the hips, in those of a bent arm's step across; and of a planted leg. Trial: goals_table.py.
_HIPS_COST, _LEG_COST = 0.05, 2.0
_PASSES = 3  # for knees and hips on the floor, each finishing what the one before left
_LIFT_S = 0.1  # a foot is free so long after it was planted, and not at once
_FIRM_COST = 50.0  # of hips, knees and elbows that lie on the floor: all but exact
_MIN_BEND_SINE2 = 0.05  # as in pin_legs: a straighter limb counts as bent by so much


def keep_goals(
    fitted: Motion,
    those: Sequence[Course],
    figure: Figure,
    contacts: Contacts | None = None,
    hands_of: Motion | None = None,
) -> tuple[Motion, tuple[Array, ...]]:
    """The fitted motion of a figure with its goals kept; feet that are planted stay where they are.

    Hands keep the rotations that they have in the world, or those of another motion, `hands_of`.

    And for each course how much further out (N,) its part is than the thickness at its point says, metres.
    """
    if not those:
        return fitted, ()
    frames = np.unique(np.concatenate([course.frames for course in those]))
    solver = _Solver(fitted, frames, those, figure, contacts)
    solver.lay_on_floor()
    arms = Arms(solver.pose, figure, those, solver.rows, solver.floor_points)
    if hands_of is not None:
        arms.keep_hands_of(hands_of)
    arms.reach()
    return solver.pose.written(), tuple(arms.looks.more)


class _Solver:
    """The target at the frames in which goals count."""

    def __init__(
        self,
        fitted: Motion,
        frames: Index,
        those: Sequence[Course],
        figure: Figure,
        contacts: Contacts | None,
    ) -> None:
        self.figure, self.courses, self.frames, self.count = figure, those, frames, len(fitted)
        body = figure.body
        legs = [side + part for side in SIDES for part in ("UpperLeg", "LowerLeg", "Foot")]
        arms = [side + part for side in SIDES for part in ("Shoulder", "UpperArm", "LowerArm", "Hand")]
        joints = [joint for part in (*legs, *arms) if (joint := body.get(part)) is not None]
        self.pose = GoalPose(fitted, [*joints, *(j for course in those for j in course.joints)], frames)
        self.rows = [np.searchsorted(frames, course.frames) for course in those]
        self.blend = blend_frames(fitted.rate)
        self.planted = self._planted(contacts)
        self.floor_points: dict[int, Array] = {}

    def _planted(self, contacts: Contacts | None) -> dict[str, Array]:
        """How much (N,) each foot is planted."""
        out = {f"{side}Foot": np.zeros(len(self.frames)) for side in SIDES}
        if contacts is not None:
            half = max(round(_LIFT_S * contacts.rate / 2), 1)
            for k, foot in enumerate(contacts.feet):
                wide = filters.moving_max(contacts.planted[:, k].astype(float), 2 * half)
                out[foot] = filters.moving_mean(filters.moving_mean(wide, half), half)[self.frames]
        return out

    def lay_on_floor(self) -> None:
        """Moves the hips, and bends legs, for what is on the floor."""
        for n, course in enumerate(self.courses):
            if course.on == "floor":
                part = self.pose.at_rows(self.rows[n], course.joints)
                self.floor_points[n] = wanted_on_floor(course, self.figure, part, self.count, self.blend)
        if not self.floor_points:
            return
        hips = self.figure.body.require("hips")
        firm = [n for n in self.floor_points if not self.courses[n].part.endswith("Hand")]
        for turn in range(_PASSES if firm else 1):
            step = self._hips_step(first=turn == 0)
            self.pose.move(hips, step)
            for side in SIDES:
                self._bend_leg(side, step, first=turn == 0)

    def _counts(self, course: Course, first: bool) -> Array:
        """How much (N,) of what a course asks for is done at once: later passes only finish what holds."""
        return course.weight if first else course.weight**4

    def _hips_step(self, first: bool) -> Array:
        """How the hips move (N, 3) so that limbs have the least to turn; later passes see to knees alone."""
        matrix = np.broadcast_to(_HIPS_COST * np.eye(3), (len(self.frames), 3, 3)).copy()
        wanted = np.zeros((len(self.frames), 3, 1))
        for n, goal in self.floor_points.items():
            course, rows = self.courses[n], self.rows[n]
            point = floor_low(self.figure, self.pose.at_rows(rows, course.joints), course.part)[1]
            cost = course.weight[:, None, None] * self._cost(course.part)[rows]
            # What is dragged asks for its height alone, which a limb has of its own turn.
            firm, height = course.firm[:, None, None], _FIRM_COST if course.part == "hips" else 1.0
            dragged = course.weight[:, None, None] * np.diag([0.0, 0.0, height])
            cost = firm * cost + (1 - firm) * dragged
            matrix[rows] += cost
            if first or not course.part.endswith("Hand"):
                asked = self._counts(course, first)[:, None] * course.hold.held(goal - point)
                wanted[rows] += cost @ asked[..., None]
        for side in SIDES:
            weight = _LEG_COST * self.planted[f"{side}Foot"][:, None, None]
            matrix += weight * _bend_cost(*self._limb(side, ("UpperLeg", "LowerLeg", "Foot")))
        return each_solved(matrix, wanted)[..., 0]

    def _limb(self, side: str, parts: tuple[str, ...]) -> list[Array]:
        return [self.pose.at[self.figure.body.require(side + part)] for part in parts]

    def _cost(self, part: str) -> Array:
        """What a step of the hips is worth (N, 3, 3) to a part that lies on the floor."""
        side = next((one for one in SIDES if part.startswith(one)), "")
        if part.endswith("Hand"):
            return _bend_cost(*self._limb(side, ("UpperArm", "LowerArm", "Hand")))
        if part == "hips":
            return np.broadcast_to(_FIRM_COST * np.eye(3), (len(self.frames), 3, 3))
        upper, lower = self._limb(
            side, (part.removeprefix(side).replace("Lower", "Upper"), part.removeprefix(side))
        )
        line = (lower - upper) / quat.length(lower - upper)[:, None]
        return np.eye(3) + _FIRM_COST * line[:, :, None] * line[:, None, :]

    def _bend_leg(self, side: str, step: Array, first: bool) -> None:
        """Bends a leg: a planted foot goes back to where it was, and a knee to its place on the floor."""
        body, pose = self.figure.body, self.pose
        hip, knee, foot = (body.require(side + part) for part in ("UpperLeg", "LowerLeg", "Foot"))
        kept = pose.turned[foot]
        goal = pose.at[foot] - self.planted[f"{side}Foot"][:, None] * step
        across = quat.rotate(
            quat.from_yaw(rest_facing(self.figure.skeleton, body)), np.array([1.0, 0.0, 0.0])
        )
        axis = quat.rotate(
            quat.mul(pose.turned[hip], quat.inv(self.figure.skeleton.reference_model[0][hip])), across
        )
        swing, bend = reach(pose.at[hip], pose.at[knee], pose.at[foot], goal, axis)
        pose.turn(knee, bend)
        pose.turn(hip, swing)
        for n, course in enumerate(self.courses):
            if course.on == "floor" and course.part == f"{side}LowerLeg":
                turned, place = pose.turned[knee], pose.at[knee].copy()
                rows = self.rows[n]
                asked = course.hold.held(self.floor_points[n] - place[rows])
                place[rows] += self._counts(course, first)[:, None] * asked
                place[rows] = on_reach(pose.at[hip][rows], pose.at[knee][rows], place[rows], course.firm)
                pose.turn(hip, quat.between(pose.at[knee] - pose.at[hip], place - pose.at[hip]))
                pose.set_turned(knee, turned)
                firm = np.zeros((len(pose), 1))
                firm[rows, 0] = course.weight
                line, shin = goal - pose.at[knee], pose.at[foot] - pose.at[knee]
                near = self.planted[f"{side}Foot"][:, None] * firm
                pose.turn(knee, quat.between(shin, shin + near * (line - shin)))
        pose.set_turned(foot, kept)


def _bend_cost(start: Array, bend: Array, end: Array) -> Array:
    """What a limb (N, 3) each turns by for a small step of its end (N, 3, 3); 1 for a step across a bent one.

    As `pin_legs._bend_cost`: a step along a nearly straight limb costs many times as much.
    """
    first, second, line = bend - start, end - bend, end - start
    lengths = np.sum(first**2, axis=-1) * np.sum(second**2, axis=-1)
    sine = np.sum(quat.cross(first, second) ** 2, axis=-1) / lengths
    squared = np.maximum(np.sum(line**2, axis=-1), 1e-12)
    along = 0.75 * squared**2 / (lengths * (sine + _MIN_BEND_SINE2)) - 1.0
    return np.eye(3) + (along / squared)[:, None, None] * line[:, :, None] * line[:, None, :]
