"""What in the surroundings carries a body, but for the floor: a chair, a box, a bench.

Nobody tells where such things are. What keeps still in the world at a height counts where the body could not
keep still without it: its centre of mass stands beside all that is on the floor, and not beside that together
with the part. A hand also counts that stays in its place while its shoulder goes far. What hangs still in the
air does neither.
"""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np

from ..base.checks import Array, Index, Mask
from ..body.body_map import leg_length
from ..body.body_parts import SIDES
from ..feet.soles import sole_offsets
from ..maths import filters, quat, series
from ..maths.series import filled, runs
from .balance import centre_of_mass, mass_joints, off_balance, reaches
from .goal_figures import FLOOR_ALONG, Figure, floor_low
from .goal_pose import GoalPose
from .goal_runs import spans, spread, tidy, within
from .goals import FLOOR, SUPPORT, Goal

# Lengths in leg lengths (0.85 m of a person of 1.75 m), speeds in leg lengths a second. Chosen by eye on
# tests/support_takes.py and on open motion that nothing but the floor carries (goals_table.py).
_STILL_IN, _STILL_OUT = 0.08, 0.15
_SPAN = 0.012  # a part stays so near to its middle height: 1 cm
_HIGH = 0.1  # what is lower lies on the floor, or nearly; a head whose joint is lower than three times that
_CALM_S, _GAP_S, _MIN_S = 0.075, 0.12, 0.8
_MIN_OFF, _OFF_S = 0.09, 0.5  # beside what is on the floor: a person's centre is known within 3 cm
_MAX_OFF = 0.06  # beside that and the part
_HELPS = 0.7  # a hand that carries brings the centre so much nearer
_TIP = 1.35  # of the way from heel to ball: as far as toes reach (common practice)
# Who sits has lifted thighs by so much from hanging, and folded trunk and thighs by so much from straight.
_SITTING_THIGH, _SITTING_FOLD = np.cos(np.radians(35.0)), np.cos(np.radians(40.0))
_LEVEL_SHIN = np.sin(np.radians(50.0))  # one who kneels has the shin nearly level, and the thigh above it
_LEVEL_FOREARM = np.sin(np.radians(-20.0))  # one who lies on an elbow has the hand no lower than that
# A hand that keeps its place while its shoulder goes far, both as the root of their variance.
_FIXED_S, _FIXED, _SHOULDER_GOES = 2.0, 0.004, 0.03


def find_supports(pose: GoalPose, figure: Figure, floor_m: float, known: Iterable[Goal]) -> list[Goal]:
    """The times when hips, knees, elbows or hands are carried by something over the floor at `floor_m`.

    The pose is `posed`, in all frames. Hands are not looked at while they are `known` to be on the body, on
    each other or on a prop.
    """
    search = _Search(pose, figure, floor_m, known)
    return search.goals() if search.still else []


class _Search:
    """A motion in model space, looked at for what carries it."""

    def __init__(self, pose: GoalPose, figure: Figure, floor_m: float, known: Iterable[Goal]) -> None:
        self.pose, self.figure, self.floor_m = pose, figure, floor_m
        self.rate, self.count = pose.motion.rate, len(pose)
        self.leg = leg_length(figure.skeleton, figure.body)
        self.lows = {part: floor_low(figure, pose, part) for part in _parts(figure)}
        self.known = [one for one in known if one.on != FLOOR]
        still = {part: self._keeps_still(part) for part in self.lows}
        self.still = {part: mask for part, mask in still.items() if mask.any()}

    def _calm(self, values: Array, over_s: float = _CALM_S) -> Array:
        half = round(over_s * self.rate / 2)
        return filters.moving_mean(filters.moving_mean(values, half), half) if half else values

    def _keeps_still(self, part: str) -> Mask:
        """When (F,) a part keeps still over the floor, and its height; hands while nothing else is known."""
        low, point = self.lows[part]
        high = low - self.floor_m > _HIGH * self.leg
        if not high.any():
            return high
        speed = quat.length(series.derivative(self._calm(point), self.rate)) / self.leg
        still = within((speed < _STILL_OUT) & high, (speed < _STILL_IN) & high) & self._postured(part)
        still &= ~filled(self.count, *spans(one for one in self.known if part in (one.part, one.on)))
        gap, least = round(_GAP_S * self.rate), round(_MIN_S * self.rate)
        still = tidy(still, gap, least)
        for start, stop in zip(*runs(still), strict=True):
            level = np.abs(low[start:stop] - np.median(low[start:stop])) < _SPAN * self.leg
            still[start:stop] = level
        return tidy(still, gap, least)

    def _postured(self, part: str) -> Mask:
        """When (F,) a body sits, for hips, kneels, for a knee, or leans on an elbow, for that."""
        at, body = self.pose.at, self.figure.body
        side = next((one for one in SIDES if part.startswith(one)), "")
        if part == "hips":
            hips, knees = (
                np.mean([at[body.require(one + limb)] for one in SIDES], axis=0)
                for limb in ("UpperLeg", "LowerLeg")
            )
            thigh, trunk = _unit(knees - hips), _unit(self._top() - hips)
            folded = np.einsum("fi,fi->f", thigh, trunk) > -_SITTING_FOLD
            return np.asarray((thigh[:, 2] > -_SITTING_THIGH) & folded)
        if part.endswith("LowerLeg"):
            hip, knee = (at[body.require(side + one)] for one in ("UpperLeg", "LowerLeg"))
            anchor = self.figure.anchors[part]
            level = np.abs(_unit(self.pose.point(anchor.joint, anchor.end) - knee)[:, 2]) < _LEVEL_SHIN
            return np.asarray(level & (_unit(hip - knee)[:, 2] > _LEVEL_SHIN))
        if part.endswith("LowerArm"):
            anchor, elbow = self.figure.anchors[part], self.pose.at[self.figure.anchors[part].joint]
            return np.asarray(_unit(self.pose.point(anchor.joint, anchor.end) - elbow)[:, 2] > _LEVEL_FOREARM)
        return np.ones(self.count, bool)

    def _top(self) -> Array:
        """Where the trunk ends (F, 3)."""
        joints = [self.figure.body.get(part) for part in ("neck", "head", "upperChest", "chest", "spine")]
        return self.pose.at[next(joint for joint in joints if joint is not None and joint in self.pose.at)]

    def goals(self) -> list[Goal]:
        """The times when a part carries."""
        rows = np.flatnonzero(np.any([*self.still.values()], axis=0))
        body = self.figure.body
        at = GoalPose(self.pose.motion, mass_joints(body), rows)
        centre = centre_of_mass(at, body)
        reach = reaches(centre, *self._on_floor(at, rows))
        found: list[Goal] = []
        off = off_balance(reach)
        near = self._near(self._mean(off, rows) > _MIN_OFF * self.leg, rows)
        for group in (("hips",), *(_pair(limb) for limb in ("LowerLeg", "LowerArm", "Hand"))):
            parts = [part for part in group if part in self.still]
            if not parts:
                continue
            mine = [np.flatnonzero(self.still[part][rows] & near) for part in parts]
            holds, wide = [], reach.copy() if any(map(len, mine)) else reach
            for part, some in zip(parts, mine, strict=True):
                spots = self._spots(part, at, rows, some)
                alone = reaches(centre[some], spots, np.ones(spots.shape[:2], bool))
                nearer = off_balance(np.maximum(reach[:, some], alone))
                helps = nearer < _HELPS * off[some]
                holds.append(some[helps])
                wide[:, some[helps]] = np.maximum(wide[:, some[helps]], alone[:, helps])
            after = off_balance(wide)
            needed = (self._mean(off, rows) > _MIN_OFF * self.leg) & (after < _MAX_OFF * self.leg)
            for part, hold in zip(parts, holds, strict=True):
                surely = np.zeros(self.count, bool)
                surely[rows[hold]] = needed[hold]
                if part.endswith("Hand"):
                    surely |= self._keeps_its_place(part)
                found += self._held(part, surely)
            reach, off = wide, after
        return found

    def _near(self, some: Mask, rows: Index) -> Mask:
        """Those of the frames (N,) of `rows` (N,) that means over time of others (N,) are made of."""
        whole = np.zeros(self.count)
        whole[rows[some]] = 1.0
        return filters.moving_max(whole, round(_OFF_S * self.rate / 2))[rows] > 0

    def _on_floor(self, at: GoalPose, rows: Index) -> tuple[Array, Mask]:
        """Points of the body (N, K, 3) that are on the floor (N, K) in some frames; soles count always."""
        figure, body = self.figure, self.figure.body
        points, carries = [], []
        for foot, (heel, ball) in zip(body.feet, sole_offsets(figure.skeleton, body), strict=True):
            for offset in (heel, heel + _TIP * (ball - heel)):
                points.append(at.point(body.require(foot), offset))
                carries.append(np.ones(len(rows), bool))
        for low, point in self.lows.values():
            points.append(point[rows])
            carries.append(low[rows] - self.floor_m < _HIGH * self.leg)
        head = body.get("head")
        if head is not None:
            points.append(at.at[head])
            carries.append(at.at[head][:, 2] - self.floor_m < 3 * _HIGH * self.leg)
        return np.stack(points, axis=1), np.stack(carries, axis=1)

    def _spots(self, part: str, at: GoalPose, rows: Index, some: Index) -> Array:
        """Where (M, K, 3) a part carries in some (M,) of the rows: hips as far as to the middle of thighs."""
        if part != "hips":
            return self.lows[part][1][rows[some]][:, None]
        body = self.figure.body
        hips, knees = (
            [at.at[body.require(one)][some] for one in _pair(limb)] for limb in ("UpperLeg", "LowerLeg")
        )
        thighs = [(hip + knee) / 2 for hip, knee in zip(hips, knees, strict=True)]
        return np.stack([*hips, *thighs], axis=1)

    def _mean(self, values: Array, rows: Index) -> Array:
        """Values (N,) of some frames, each as the mean of those about it in time."""
        whole, known = np.zeros(self.count), np.zeros(self.count)
        whole[rows], known[rows] = np.minimum(values, self.leg), 1.0
        half = round(_OFF_S * self.rate / 2)
        share = filters.moving_mean(known, half)[rows]
        return np.asarray(filters.moving_mean(whole, half)[rows] / np.maximum(share, 1e-9))

    def _keeps_its_place(self, hand: str) -> Mask:
        """When (F,) a hand keeps its place in the world while its shoulder goes far."""
        upper = self.figure.body.get(hand.replace("Hand", "UpperArm"))
        if upper is None or upper not in self.pose.at:
            return np.zeros(self.count, bool)
        half = max(round(_FIXED_S * self.rate / 2), 1)
        place, shoulder = (spread(one, half) / self.leg for one in (self.lows[hand][1], self.pose.at[upper]))
        return np.asarray((place < _FIXED) & (shoulder > _SHOULDER_GOES))

    def _held(self, part: str, surely: Mask) -> list[Goal]:
        """The times when a part keeps still, of which it carries surely (F,) for some."""
        surely = tidy(surely, round(_GAP_S * self.rate), round(_MIN_S * self.rate))
        along = FLOOR_ALONG if part.endswith("Hand") else 0.0
        return [
            Goal(SUPPORT, part, SUPPORT, int(start), int(stop), along, 0.0,
                 f"{part} on {SUPPORT} {start / self.rate:.2f}s")
            for start, stop in zip(*runs(within(self.still[part], surely & self.still[part])), strict=True)
        ]  # fmt: skip


def _parts(figure: Figure) -> list[str]:
    """The parts that something may carry."""
    limbs = [part for limb in ("LowerLeg", "LowerArm", "Hand") for part in _pair(limb)]
    return [part for part in ("hips", *limbs) if part in figure.anchors]


def _pair(limb: str) -> tuple[str, ...]:
    return tuple(side + limb for side in SIDES)


def _unit(lines: Array) -> Array:
    return lines / np.maximum(quat.length(lines), 1e-9)[:, None]
