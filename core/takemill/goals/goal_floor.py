"""What lies on the floor, or on a support: hips moved, and legs bent, so that it lies there."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from ..base.checks import Array, Index
from ..body.body_map import rest_facing
from ..body.body_parts import SIDES
from ..feet.leg_ik import bend_cost, reach
from ..maths import quat
from ..maths.blocks import each_solved
from .goal_figures import Figure, floor_low
from .goal_pose import GoalPose
from .goal_targets import Course, on_reach, wanted_in_world
from .goals import SUPPORT, SURROUNDINGS

# Of a step of the hips, in those of a bent arm's step across; and of a planted leg. Trial: goals_table.py.
_HIPS_COST, _LEG_COST = 0.05, 2.0
_PASSES = 3  # for knees and hips on the floor, each finishing what the one before left
_SIT_PASSES = 6  # hips that sink turn the thighs, which are sat on too: a third is left each time
_FIRM_COST = 50.0  # of hips, knees and elbows that lie on the floor: all but exact


class OnFloor:
    """A pose of the target, and what of its courses lies on the floor.

    Attributes:
        points: for each course on the floor, by its number, where its part goes (N, 3).
    """

    def __init__(
        self,
        pose: GoalPose,
        figure: Figure,
        courses: Sequence[Course],
        rows: Sequence[Index],
        planted: Mapping[str, Array],
    ) -> None:
        self.pose, self.figure, self.courses, self.rows, self.planted = pose, figure, courses, rows, planted
        self.points: dict[int, Array] = {}

    def lay(self) -> None:
        """Moves the hips, and bends legs, for what is on the floor."""
        self._find_points()
        if not self.points:
            return
        hips = self.figure.body.require("hips")
        firm = [n for n in self.points if not self.courses[n].part.endswith("Hand")]
        sits = any((one.on, one.part) == (SUPPORT, "hips") for one in self.courses)
        for turn in range(_SIT_PASSES if sits else _PASSES if firm else 1):
            if turn:
                self._find_points()
            step = self._hips_step(first=turn == 0)
            self.pose.move(hips, step)
            for side in SIDES:
                self._bend_leg(side, step, first=turn == 0)

    def _find_points(self) -> None:
        """Where the points of what lies on the floor, or on a support, go as the pose is now."""
        for n, course in enumerate(self.courses):
            if course.on in SURROUNDINGS:
                part = self.pose.at_rows(self.rows[n], course.joints)
                self.points[n] = wanted_in_world(course, self.figure, part)

    def _counts(self, course: Course, first: bool) -> Array:
        """How much (N,) of what a course asks for is done at once: later passes only finish what holds."""
        return course.weight if first else course.weight**4

    def _hips_step(self, first: bool) -> Array:
        """How the hips move (N, 3) so that limbs have the least to turn; later passes see to knees alone."""
        matrix = np.broadcast_to(_HIPS_COST * np.eye(3), (len(self.pose), 3, 3)).copy()
        wanted = np.zeros((len(self.pose), 3, 1))
        for n, goal in self.points.items():
            course, rows = self.courses[n], self.rows[n]
            if not first and course.part.endswith("Hand"):
                continue
            point = floor_low(self.figure, self.pose.at_rows(rows, course.joints), course.part)[1]
            cost = course.weight[:, None, None] * self._cost(course.part)[rows]
            # What is dragged asks for its height alone: a limb with a free foot has that of its own turn.
            ends_in = self.planted.get(course.part.replace("LowerLeg", "Foot"))
            firm, height = course.firm[:, None, None], _FIRM_COST if course.part == "hips" else 1.0
            if ends_in is not None:
                firm = np.maximum(firm, (ends_in[rows] * (1 - course.weight))[:, None, None])
            dragged = course.weight[:, None, None] * np.diag([0.0, 0.0, height])
            cost = firm * cost + (1 - firm) * dragged
            matrix[rows] += cost
            asked = self._counts(course, first)[:, None] * course.hold.held(goal - point)
            wanted[rows] += cost @ asked[..., None]
        for side in SIDES:
            weight = _LEG_COST * self.planted[f"{side}Foot"][:, None, None]
            matrix += weight * bend_cost(*self._limb(side, ("UpperLeg", "LowerLeg", "Foot")))
        return each_solved(matrix, wanted)[..., 0]

    def _limb(self, side: str, parts: tuple[str, ...]) -> list[Array]:
        return [self.pose.at[self.figure.body.require(side + part)] for part in parts]

    def _cost(self, part: str) -> Array:
        """What a step of the hips is worth (N, 3, 3) to a part that lies on the floor."""
        side = next((one for one in SIDES if part.startswith(one)), "")
        if part.endswith("Hand"):
            return bend_cost(*self._limb(side, ("UpperArm", "LowerArm", "Hand")))
        if part == "hips":
            return np.broadcast_to(_FIRM_COST * np.eye(3), (len(self.pose), 3, 3))
        upper, lower = self._limb(
            side, (part.removeprefix(side).replace("Lower", "Upper"), part.removeprefix(side))
        )
        line = (lower - upper) / quat.length(lower - upper)[:, None]
        return np.eye(3) + _FIRM_COST * line[:, :, None] * line[:, None, :]

    def _bend_leg(self, side: str, step: Array, first: bool) -> None:
        """Bends a leg: a planted foot goes back to where it was, and a knee to its place on the floor."""
        body, pose = self.figure.body, self.pose
        hip, knee, foot = (body.require(side + part) for part in ("UpperLeg", "LowerLeg", "Foot"))
        kept, planted = pose.turned[foot], self.planted[f"{side}Foot"]
        goal, shin = pose.at[foot] - planted[:, None] * step, pose.at[knee] - pose.at[foot]
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
            if course.on in SURROUNDINGS and course.part == f"{side}LowerLeg":
                self._lay_knee(n, (hip, knee, foot), (goal, shin, axis), first)
        pose.set_turned(foot, kept)

    def _lay_knee(
        self, n: int, leg: tuple[int, int, int], foot_goal: tuple[Array, Array, Array], first: bool
    ) -> None:
        """Brings the knee of course `n` to its place on the floor.

        Args:
            n: the course.
            leg: the joints of hip, knee and foot.
            foot_goal: (P, 3) where a planted foot goes, (P, 3) from it to the knee before, and (P, 3) the
                axis that the knee bends about.
            first: whether no pass was before.
        """
        pose, course, rows = self.pose, self.courses[n], self.rows[n]
        (hip, knee, foot), (goal, shin, axis) = leg, foot_goal
        planted = self.planted[course.part.replace("LowerLeg", "Foot")]
        turned, place = pose.turned[knee], pose.at[knee].copy()
        asked = course.hold.held(self.points[n] - place[rows])
        place[rows] += self._counts(course, first)[:, None] * asked
        place[rows] = on_reach(pose.at[hip][rows], pose.at[knee][rows], place[rows], course.firm)
        # Where the foot stands the shin leads to it.
        place[rows] = on_reach(goal[rows], goal[rows] + shin[rows], place[rows], 1 - planted[rows])
        pose.turn(hip, quat.between(pose.at[knee] - pose.at[hip], place - pose.at[hip]))
        pose.set_turned(knee, turned)
        line, now = goal - pose.at[knee], pose.at[foot] - pose.at[knee]
        pose.turn(knee, quat.between(now, now + planted[:, None] * (line - now)))
        # A knee on its way to the floor does not push the foot off.
        on_its_way = np.zeros(len(pose))
        on_its_way[rows] = 1 - course.weight
        ankle = pose.at[foot] + (planted * on_its_way)[:, None] * (goal - pose.at[foot])
        swing, bend = reach(pose.at[hip], pose.at[knee], pose.at[foot], ankle, axis)
        pose.turn(knee, bend)
        pose.turn(hip, swing)
