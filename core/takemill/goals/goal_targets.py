"""Where goals have a target's parts: in proportion to its own build, from surface to surface.

A place on a body is told by how far along a part's axis it lies, which way out, and how far above the
surface; between two hands the line counts, and how far apart the surfaces are; on the floor the height above
it, and the path along it.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np

from ..base.checks import Array, Index
from ..body.body_map import leg_length
from ..maths import quat, series
from ..maths.easing import smoothstep
from ..maths.ray_exit import ray_exit
from ..shape.capsules import TRUNK
from ..shape.scale import Scale
from .goal_figures import Figure, floor_low
from .goal_pose import GoalPose
from .goals import Goal, blend_frames, window

_TINY = 1e-9  # keeps lengths of nothing from being divided by
# Left between the capsules of meshes, which lie about as far inside these. Trial: hands on hips of generated
# meshes are 5 to 8 mm deep with it, 11 to 15 without (clearance_table.py).
_MESH_GAP_M = 0.008
_LOOK_S = 0.1  # from one look at the gap between all capsules to the next: hands slide slowly on a body
# Leg lengths a second, in the middle: hips, knees and elbows that are slower lie still on the floor, those
# that are faster are dragged over it. Trial: an open crawl, whose knees and hips slide by .1 to .3
# (goals_table.py).
_LIES = (0.04, 0.15)
_SLOWING_S = 0.08  # the change at a goal's end goes on for about so long. Trial: goals_table.py


@dataclass(frozen=True)
class Hold:
    """How the N values of a course go on before and after its goals: from the value at their ends.

    What a goal asks for means little while the hand is still far, and what goes on level cannot snap.

    Attributes:
        row: (M,) the values to make up.
        edge: (M,) from which value of a goal.
        steps: (M,) and how many frames' change there is added.
        share: (M,) how much this counts in the row.
    """

    row: Index
    edge: Index
    steps: Array
    share: Array

    def held(self, values: Array) -> Array:
        """Values (N, 3) as they count."""
        count = len(values)
        slope = (values[np.minimum(self.edge + 1, count - 1)] - values[np.maximum(self.edge - 1, 0)]) / 2
        each = self.share[:, None] * (values[self.edge] + self.steps[:, None] * slope)
        return np.stack([np.bincount(self.row, each[:, k], count) for k in range(3)], axis=-1)


def _hold(goals: Sequence[Goal], frames: Index, count: int, blend: int, rate: float) -> Hold:
    rows, edges, steps, shares = [], [], [], []
    for goal in goals:
        first, weight = window(goal, count, blend)
        at = np.arange(first, first + len(weight))
        edge = np.clip(at, goal.start, goal.stop - 1)
        away, slow = at - edge, _SLOWING_S * rate
        rows.append(np.searchsorted(frames, at))
        edges.append(np.searchsorted(frames, edge))
        steps.append(np.sign(away) * slow * (1 - np.exp(-np.abs(away) / slow)))
        shares.append(weight)
    row, share = np.concatenate(rows), np.concatenate(shares)
    share = share / np.bincount(row, share, len(frames))[row]
    return Hold(row, np.concatenate(edges), np.concatenate(steps), share)


@dataclass(frozen=True)
class Course:
    """All goals of one pair of parts, over the N frames in which any of them counts.

    Attributes:
        kind: of the goals.
        part, on: the target's parts; "floor".
        joints: the target's joints that carry them.
        goals: the goals, in the order of time.
        frames: (N,).
        weight: (N,) how much they count.
        along, along_other: (N,) how far along the part, and along the other hand, they touch.
        where: (N, 3) on a body: the way out from the axis, in the part's frame; between hands: from the left
            to the right, metres of the target, in model space; on the floor: the source's point, scaled.
        place: (N,) on a body: how far along its axis.
        gap: (N,) between the surfaces, metres of the target.
        thick: (N,) between hands: of `where`, what the source's hands make up, metres of the target.
        firm: (N,) on the floor: how much it lies still there; what is dragged keeps its height alone.
        hold: how what is asked for goes on before and after the goals.
        looks: (L,) of the N, some while goals hold, at which the gap between all capsules is looked at.
        asked: (L,) what it should be there, metres; empty for props and on the floor.
        meets: whether meshes show both surfaces.
    """

    kind: str
    part: str
    on: str
    joints: tuple[int, ...]
    goals: tuple[Goal, ...]
    frames: Index
    weight: Array
    along: Array
    along_other: Array
    where: Array
    place: Array
    gap: Array
    thick: Array
    firm: Array
    hold: Hold
    looks: Index
    asked: Array
    meets: bool

    def at_looks(self, values: Array) -> Array:
        """Values (L,) of the looks, for all frames (N,)."""
        if not len(self.asked):
            return np.zeros(len(self.frames))
        return np.interp(self.frames, self.frames[self.looks], values)


def courses(
    goals: Iterable[Goal], source: GoalPose, figures: tuple[Figure, Figure], scale: Scale
) -> tuple[Course, ...]:
    """The goals that both bodies have parts for, by pairs of parts; the source is `posed` in all frames."""
    own, other = figures
    pairs: dict[tuple[str, str, str], list[Goal]] = {}
    for goal in goals:
        if _on_target(other, goal.part) and (goal.on == "floor" or _on_target(other, goal.on)):
            pairs.setdefault((goal.kind, goal.part, goal.on), []).append(goal)
    return tuple(_course(key, tuple(those), source, own, other, scale) for key, those in pairs.items())


def _on_target(figure: Figure, part: str) -> str:
    """The part of a body that stands for a source's: for one of the trunk the next below that it has."""
    if part not in TRUNK:
        return part if part in figure.anchors else ""
    return next((one for one in reversed(TRUNK[: TRUNK.index(part) + 1]) if one in figure.anchors), "")


def _course(
    key: tuple[str, str, str],
    goals: tuple[Goal, ...],
    source: GoalPose,
    own: Figure,
    other: Figure,
    scale: Scale,
) -> Course:
    kind, part, on = key
    rate = source.motion.rate
    blend, count = blend_frames(rate), len(source)
    total, left, along, along_other = (np.zeros(count) for _ in range(4))
    left += 1
    for goal in goals:
        first, weight = window(goal, count, blend)
        mine = slice(first, first + len(weight))
        total[mine] += weight
        left[mine] *= 1 - weight
        along[mine] += weight * goal.along
        along_other[mine] += weight * goal.along_other
    frames = np.flatnonzero(total > _TINY)
    along, along_other = along[frames] / total[frames], along_other[frames] / total[frames]
    joints = [own.anchors[one].joint for one in (part, on) if one in own.anchors]
    pose = source.at_rows(frames, joints)
    size = other.arm_m / max(own.arm_m, _TINY)
    place, thick, firm = np.zeros(len(frames)), np.zeros(len(frames)), np.ones(len(frames))
    if kind == "floor":
        low, point = floor_low(own, pose, part)
        where, gap = scale.apply(point), (low - scale.floor_m) * scale.height
        if not part.endswith("Hand"):
            speed = quat.length(series.derivative(point[:, :2], rate)) / leg_length(own.skeleton, own.body)
            speed = _course_of(goals, frames, speed, count, blend)
            firm = 1 - smoothstep(np.clip((speed - _LIES[0]) / (_LIES[1] - _LIES[0]), 0.0, 1.0))
    elif kind == "body":
        place, where, gap = _place_on(own, pose, part, on, along)
        gap = gap * size
    else:
        where = _between(own, pose, along, along_other)
        thick = size * _thick(own, pose, along, along_other, where)
        where = size * where
        gap = quat.length(where) - thick
    looks = _looks(goals, frames, rate)
    asked = np.zeros(0)
    if kind in ("body", "hands"):
        looked_at = [one for one in own.surface_joints(part, on) if one in source.at]
        asked = size * own.gap(source.at_rows(frames[looks], looked_at), part, on)
    on = on if on == "floor" else _on_target(other, on)
    meets = kind != "prop" and _seen(other, part) and (on == "floor" or _seen(other, on))
    if meets:
        gap = gap - _course_of(goals, frames, gap, count, blend)
        asked = np.full(len(asked), _MESH_GAP_M)
        gap = gap + (0.0 if on == "floor" else _MESH_GAP_M)
    carriers = tuple(other.anchors[one].joint for one in (part, on) if one != "floor")
    hold = _hold(goals, frames, count, blend, rate)
    return Course(kind, part, on, carriers, goals, frames, 1 - left[frames], along, along_other, where, place,
                  gap, thick, firm, hold, looks, asked, meets)  # fmt: skip


def _looks(goals: Sequence[Goal], frames: Index, rate: float) -> Index:
    """Some of the frames (N,) in which goals hold, the first and the last of each among them."""
    step = max(round(_LOOK_S * rate), 1)
    times = [np.append(np.arange(goal.start, goal.stop - 1, step), goal.stop - 1) for goal in goals]
    return np.searchsorted(frames, np.unique(np.concatenate(times)))


def _seen(figure: Figure, part: str) -> bool:
    """Whether the body's mesh shows a part: then surfaces touch where people's measures only nearly do."""
    return any(
        known and one in figure.around(part)
        for one, known in zip(figure.shape.parts, figure.shape.from_mesh, strict=True)
    )


def _course_of(goals: Sequence[Goal], frames: Index, values: Array, count: int, blend: int) -> Array:
    """The middle of values (N, ...) while each goal holds, easing from one goal to the next (N, ...)."""
    out, total = np.zeros_like(values), np.zeros(len(frames))
    for goal in goals:
        first, weight = window(goal, count, blend)
        start, stop = np.searchsorted(frames, (first, first + len(weight)))
        held = slice(*np.searchsorted(frames, (goal.start, goal.stop)))
        middle = np.median(values[held], axis=0)
        out[start:stop] += weight.reshape(-1, *[1] * (values.ndim - 1)) * middle
        total[start:stop] += weight
    return out / np.maximum(total, _TINY).reshape(-1, *[1] * (values.ndim - 1))


def _place_on(figure: Figure, pose: GoalPose, part: str, on: str, along: Array) -> tuple[Array, Array, Array]:
    """Where on a part a hand is: along its axis (N,), the way out (N, 3), and the gap (N,), metres."""
    hand, anchor = figure.anchors[part], figure.anchors[on]
    point = pose.point(hand.joint, hand.on_axis(along))
    seen = quat.rotate(quat.inv(pose.turned[anchor.joint]), point - pose.at[anchor.joint])
    place, way, far = anchor.place(seen)
    out = quat.rotate(pose.turned[anchor.joint], quat.rotate(anchor.frame, way))
    return place, way, far - anchor.surface(place, way) - hand_thickness(figure, pose, part, along, -out)


def hand_thickness(figure: Figure, pose: GoalPose, hand: str, along: Array, way: Array) -> Array:
    """From a hand's axis to its surface (N,), metres, out along unit (N, 3) in model space."""
    anchor = figure.anchors[hand]
    seen = quat.rotate(quat.inv(pose.turned[anchor.joint]), way)
    return ray_exit(anchor.on_axis(along), seen, anchor.a, anchor.b, anchor.radius)


def _between(figure: Figure, pose: GoalPose, along: Array, along_other: Array) -> Array:
    """From the left hand's point to the right hand's (N, 3), metres."""
    return hand_point(figure, pose, "rightHand", along_other) - hand_point(figure, pose, "leftHand", along)


def hand_point(figure: Figure, pose: GoalPose, hand: str, along: Array) -> Array:
    """The points (N, 3) so far along (N,) a hand's axis."""
    anchor = figure.anchors[hand]
    return pose.point(anchor.joint, anchor.on_axis(along))


def _thick(figure: Figure, pose: GoalPose, along: Array, along_other: Array, between: Array) -> Array:
    """What both hands make up (N,) of the line between them, metres."""
    way = between / np.maximum(quat.length(between), _TINY)[:, None]
    return hand_thickness(figure, pose, "leftHand", along, way) + hand_thickness(
        figure, pose, "rightHand", along_other, -way
    )


def wanted_line(course: Course, figure: Figure, pose: GoalPose, more: Array) -> Array:
    """From the left hand's point to the right's (N, 3) on the target, whose frames are the course's.

    By `more` (N,) metres they are further apart than the thickness at their points says.
    """
    if course.kind == "prop":
        return course.where
    far = quat.length(course.where)
    thick = _thick(figure, pose, course.along, course.along_other, course.where)
    # Where hands lie in each other the line between them has no sure direction: it keeps its length there.
    sure = far**2 / (far**2 + (0.2 * course.thick) ** 2 + _TINY)
    longer = sure * (thick + course.gap + more - far) / np.maximum(far, _TINY)
    return course.where * (1 + longer)[:, None]


def wanted_point(course: Course, figure: Figure, pose: GoalPose, more: Array) -> Array:
    """Where a hand's point goes (N, 3) on the target's body, whose pose has the course's frames.

    By `more` (N,) metres it is further out than the thickness at its point says.
    """
    anchor = figure.anchors[course.on]
    out = quat.rotate(pose.turned[anchor.joint], quat.rotate(anchor.frame, course.where))
    far = anchor.surface(course.place, course.where) + course.gap + more
    far = far + hand_thickness(figure, pose, course.part, course.along, -out)
    return pose.point(anchor.joint, anchor.point(course.place, course.where, far))


def wanted_on_floor(course: Course, figure: Figure, pose: GoalPose, count: int, blend: int) -> Array:
    """Where the part's point goes (N, 3) on the floor: on the source's path, a constant step aside.

    Each time on the floor has its own step, which leads to the middle of where the pose has the point.
    """
    low, point = floor_low(figure, pose, course.part)
    goal = course.where.copy()
    goal[:, 2] = course.gap + point[:, 2] - low
    aside = (point - course.where)[:, :2]
    goal[:, :2] += _course_of(course.goals, course.frames, aside, count, blend)
    goal[:, :2] += (1 - course.firm)[:, None] * (point - goal)[:, :2]
    return goal


def on_reach(joint: Array, end: Array, place: Array, firm: Array) -> Array:
    """Places (N, 3) as far from a joint (N, 3) as a limb's end (N, 3) is, at their own heights.

    By how much each is dragged, 1 - `firm` (N,): what lies still keeps its place, to be reached or not.
    """
    line = place - joint
    far = quat.length(line[:, :2])
    wanted = np.sqrt(np.maximum(np.sum((end - joint) ** 2, axis=-1) - line[:, 2] ** 2, 0.0))
    share = 1 + (1 - firm) * (wanted / np.maximum(far, 1e-6) - 1)
    share = np.where(far > 0.1 * quat.length(line), share, 1.0)  # straight under it no way aside is sure
    return joint + line * np.stack([share, share, np.ones(len(share))], axis=-1)
