"""Where goals have a target's parts: in proportion to its own build, from surface to surface.

A place on a body is told by how far along a part's axis it lies, which way out, and how far above the
surface; between two hands the line counts, and how far apart the surfaces are; on the floor, and on what
stands on it, the height above it, and the path along it.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace

import numpy as np

from ..base.checks import Array, Index, Mask
from ..body.body_map import leg_length
from ..maths import quat, series
from ..maths.easing import smoothstep
from ..maths.ray_exit import ray_exit
from ..shape.capsules import TRUNK
from ..shape.scale import Scale
from .goal_figures import Figure, floor_low
from .goal_pose import GoalPose
from .goal_spans import Hold, Looks, Spans, hold_of, looks_of, spans_of
from .goal_supports import support_joints, touching_place
from .goals import FLOOR, SUPPORT, SURROUNDINGS, Goal

_TINY = 1e-9  # keeps lengths of nothing from being divided by
# Left between the capsules of meshes, which lie about as far inside these. Trial: hands on hips of generated
# meshes are 5 to 8 mm deep with it, 11 to 15 without (clearance_table.py).
_MESH_GAP_M = 0.008
_LOOK_S = 0.1  # from one look at the gap between all capsules to the next: hands slide slowly on a body
# Leg lengths a second, in the middle: hips, knees and elbows that are slower lie still on the floor, those
# that are faster are dragged over it. Trial: an open crawl, whose knees and hips slide by .1 to .3
# (goals_table.py).
_LIES = (0.04, 0.15)


_EACH_FRAME = ("along", "along_other", "where", "place", "gap", "thick", "firm")


@dataclass(frozen=True)
class Course:
    """All goals of one pair of parts, over the N frames in which any of them counts.

    Attributes:
        kind: of the goals.
        part, on: the target's parts; of `on` also SURROUNDINGS.
        joints: the target's joints that carry them.
        spans: the goals, and the N frames.
        along, along_other: (N,) how far along the part, and along the other hand, they touch.
        where: (N, 3) on a body: the way out from the axis, in the space of the target's joint; between hands:
            from the left to the right, metres of the target, in model space; on the floor or a support:
            the source's point, scaled.
        place: (N, 3) on a body: the point on its axis, in the space of the target's joint, metres.
        gap: (N,) between the surfaces, metres of the target; on a body: from the axis to the hand's surface.
        thick: (N,) between hands: of `where`, what the source's hands make up, metres of the target.
        firm: (N,) on the floor: how much it lies still there; what is dragged keeps its height alone.
        hold: how what is asked for goes on before and after the goals.
        looks: L of the N, at which the gap between all capsules is looked at.
        asked: (L,) what it should be there, metres; empty for props and on the floor.
        meets: whether meshes show both surfaces.
        rate: frames a second.
    """

    kind: str
    part: str
    on: str
    joints: tuple[int, ...]
    spans: Spans
    along: Array
    along_other: Array
    where: Array
    place: Array
    gap: Array
    thick: Array
    firm: Array
    hold: Hold
    looks: Looks
    asked: Array
    meets: bool
    rate: float

    @property
    def frames(self) -> Index:
        """The frames (N,) in which any of its goals counts."""
        return self.spans.frames

    @property
    def weight(self) -> Array:
        """How much (N,) its goals count together, 0 to 1."""
        return self.spans.weight

    def moving(self, some: Mask) -> Mask:
        """Some of the frames (N,), and those whose values depend on them or they on."""
        some = self.hold.with_edges(some)
        return self.looks.with_looks(some) if len(self.asked) else some

    def cut(self, rows: Index) -> Course:
        """The course in those of its frames `rows` (M,) alone, which are such as `moving` gives."""
        new = np.full(len(self.frames), -1)
        new[rows] = np.arange(len(rows))
        looks, asked = self.looks, self.asked
        if len(asked):
            asked = asked[new[looks.rows] >= 0]
            looks = looks.cut(rows, new)
        cut = {name: getattr(self, name)[rows] for name in _EACH_FRAME}
        hold = self.hold.cut(new)
        return replace(self, spans=self.spans.cut(rows), hold=hold, looks=looks, asked=asked, **cut)

    def points_at(self, rows: Index) -> Course:
        """The course in some of its frames, `rows` (M,), to tell where points go there alone."""
        return replace(self, **{name: getattr(self, name)[rows] for name in _EACH_FRAME})


def courses(
    goals: Iterable[Goal], source: GoalPose, figures: tuple[Figure, Figure], scale: Scale
) -> tuple[Course, ...]:
    """The goals that both bodies have parts for, by pairs of parts; the source is `posed` in all frames."""
    own, other = figures
    pairs: dict[tuple[str, str, str], list[Goal]] = {}
    for goal in goals:
        if _on_target(other, goal.part) and (goal.on in SURROUNDINGS or _on_target(other, goal.on)):
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
    spans = spans_of(goals, len(source), rate)
    frames, count = spans.frames, len(spans.frames)
    along = spans.mixed(np.array([goal.along for goal in goals]))
    along_other = spans.mixed(np.array([goal.along_other for goal in goals]))
    joints = [own.anchors[one].joint for one in (part, on) if one in own.anchors]
    pose = source.at_rows(frames, joints)
    size = other.arm_m / max(own.arm_m, _TINY)
    place, thick, firm = np.zeros((count, 3)), np.zeros(count), np.ones(count)
    there = on if on in SURROUNDINGS else _on_target(other, on)
    thickness = np.zeros(count)
    looks = looks_of(spans, max(round(_LOOK_S * rate), 1))
    if kind == SUPPORT:
        pose = source.at_rows(frames, support_joints(own, part))
        low, point = touching_place(own, pose, part, spans, looks.rows, rate)
        where, gap = scale.apply(np.insert(point, 2, low, axis=1)), (low - scale.floor_m) * scale.height
    elif kind == FLOOR:
        low, point = floor_low(own, pose, part)
        where, gap = scale.apply(point), (low - scale.floor_m) * scale.height
        if not part.endswith("Hand"):
            speed = quat.length(series.derivative(point[:, :2], rate)) / leg_length(own.skeleton, own.body)
            speed = spans.middles(speed)
            firm = 1 - smoothstep(np.clip((speed - _LIES[0]) / (_LIES[1] - _LIES[0]), 0.0, 1.0))
    elif kind == "body":
        far_along, way, gap = _place_on(own, pose, part, on, along)
        gap = gap * size
        anchor = other.anchors[there]
        place, where = anchor.on_axis(far_along), quat.rotate(anchor.frame, way)
        thickness = anchor.surface(place, where)
    else:
        where = _between(own, pose, along, along_other)
        thick = size * _thick(own, pose, along, along_other, where)
        where = size * where
        gap = quat.length(where) - thick
    asked = np.zeros(0)
    if kind in ("body", "hands"):
        looked_at = [one for one in own.surface_joints(part, on) if one in source.at]
        asked = size * own.gap(source.at_rows(frames[looks.rows], looked_at), part, on)
    meets = kind != "prop" and _seen(other, part) and (there in SURROUNDINGS or _seen(other, there))
    if meets:
        level = spans.middles(gap)
        asked = np.full(len(asked), _MESH_GAP_M)
        gap = level if there == SUPPORT else gap - level
        gap = gap + (0.0 if there in SURROUNDINGS else _MESH_GAP_M)
    carriers = tuple(other.anchors[one].joint for one in (part, there) if one not in SURROUNDINGS)
    carriers = tuple(support_joints(other, part)) if there == SUPPORT else carriers
    return Course(kind, part, there, carriers, spans, along, along_other, where, place, gap + thickness,
                  thick, firm, hold_of(spans, rate), looks, asked, meets, rate)  # fmt: skip


def _seen(figure: Figure, part: str) -> bool:
    """Whether the body's mesh shows a part: then surfaces touch where people's measures only nearly do."""
    return any(
        known and one in figure.around(part)
        for one, known in zip(figure.shape.parts, figure.shape.from_mesh, strict=True)
    )


def _place_on(figure: Figure, pose: GoalPose, part: str, on: str, along: Array) -> tuple[Array, Array, Array]:
    """Where on a part a hand is: along its axis (N,), the way out (N, 3), and the gap (N,), metres."""
    hand, anchor = figure.anchors[part], figure.anchors[on]
    point = pose.point(hand.joint, hand.on_axis(along))
    seen = quat.rotate(quat.inv(pose.turned[anchor.joint]), point - pose.at[anchor.joint])
    place, way, far = anchor.place(seen)
    out = quat.rotate(pose.turned[anchor.joint], quat.rotate(anchor.frame, way))
    far = far - anchor.surface(anchor.on_axis(place), quat.rotate(anchor.frame, way))
    return place, way, far - hand_thickness(figure, pose, part, along, -out)


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
    on = figure.anchors[course.on].joint
    out = quat.rotate(pose.turned[on], course.where)
    far = course.gap + more + hand_thickness(figure, pose, course.part, course.along, -out)
    return pose.point(on, course.place) + far[:, None] * out


def wanted_in_world(course: Course, figure: Figure, pose: GoalPose) -> Array:
    """Where the part's point (see `floor_low`) goes (N, 3) on the floor or on a support."""
    if course.on == FLOOR:
        return wanted_on_floor(course, figure, pose)
    low, place = touching_place(figure, pose, course.part, course.spans, course.looks.rows, course.rate)
    goal = floor_low(figure, pose, course.part)[1].copy()
    aside = place - course.where[:, :2]
    goal[:, :2] += course.spans.middles(aside) - aside
    goal[:, 2] += course.gap - low
    return goal


def wanted_on_floor(course: Course, figure: Figure, pose: GoalPose) -> Array:
    """Where the part's point goes (N, 3) on the floor: on the source's path, a constant step aside.

    Each time on the floor has its own step, which leads to the middle of where the pose has the point.
    """
    low, point = floor_low(figure, pose, course.part)
    goal = course.where.copy()
    goal[:, 2] = course.gap + point[:, 2] - low
    aside = (point - course.where)[:, :2]
    goal[:, :2] += course.spans.middles(aside)
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
