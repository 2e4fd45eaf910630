"""What a course asks of some frames of a pose, and what passes over them have found so far."""

from __future__ import annotations

import numpy as np

from ..base.checks import Array, Index, Mask
from .goal_targets import Course


class Asked:
    """A course on a pose of the target.

    Attributes:
        course: of N frames.
        rows: (N,) those frames of the pose.
        weight: (N,) how much is asked for; less than the course's where a goal is out of reach.
        more: (N,) how much further out the part goes than the thickness at its point says, metres.
        lift: (N,) how much higher than its tip a wrist lies that its forearm may stay out, metres.
        short: (N,) how far the part stays off at full reach where the goal is let go, metres; else 0.
        floor: (N, 3) where a part on the floor goes; None for others.
    """

    def __init__(self, course: Course, rows: Index, floor: Array | None) -> None:
        self.course, self.rows, self.floor = course, rows, floor
        self.weight = course.weight
        self.more = self.lift = self.short = np.zeros(len(rows))

    def moving(self, some: Mask) -> Mask:
        """Some of the pose's frames (P,), and those whose values depend on them or they on."""
        out = some.copy()
        out[self.rows] |= self.course.moving(some[self.rows])
        return out

    def cut(self, new: Index) -> Asked | None:
        """The same on a part of the pose: `new` (P,) are its frames' places, -1 of others."""
        mine = np.flatnonzero(new[self.rows] >= 0)
        if not len(mine):
            return None
        floor = None if self.floor is None else self.floor[mine]
        out = Asked(self.course.cut(mine), new[self.rows[mine]], floor)
        out.weight, out.more, out.lift = self.weight[mine], self.more[mine], self.lift[mine]
        return out

    def put(self, new: Index, part: Asked) -> None:
        """Takes back what passes over a part found; `new` (P,) as in `cut`."""
        mine = np.flatnonzero(new[self.rows] >= 0)
        self.more, self.lift = self.more.copy(), self.lift.copy()
        self.more[mine], self.lift[mine] = part.more, part.lift
