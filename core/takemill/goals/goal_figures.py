"""What goals know of a body: where the axis of each part runs, and how far its surface is from it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from ..base.checks import Array, Mask
from ..body.body_map import BodyMap
from ..body.body_parts import FINGERS, SIDES
from ..body.motion import Motion
from ..body.rest_frames import matched_frames
from ..body.skeleton import Skeleton
from ..maths import quat
from ..maths.capsule_distance import capsule_gaps
from ..maths.ray_exit import ray_exit
from ..shape.body_shape import body_shape
from ..shape.capsules import TRUNK, Capsules
from .goal_pose import GoalPose

_NEXT = {"UpperLeg": "LowerLeg", "LowerLeg": "Foot", "UpperArm": "LowerArm", "LowerArm": "Hand"}
_HEAD = ("neck", "head")
_UP = np.array([0.0, 0.0, 1.0])  # of the world
_CROWN_SHARE = 0.6  # of the way from the head's joint to its crown: where its axis ends, well inside it
_TINY = 1e-9  # keeps lengths of nothing from being divided by


@dataclass(frozen=True)
class Anchor:
    """One part of a body, in the space of the joint that carries it.

    Attributes:
        joint: that joint.
        start, end: (3,) the part's axis, metres.
        frame: (4,) the frame that means the same on both bodies.
        a, b, radius: (C, 3), (C, 3), (C,) the capsules around it, as the reference pose has them.
    """

    joint: int
    start: Array
    end: Array
    frame: Array
    a: Array
    b: Array
    radius: Array

    def place(self, points: Array) -> tuple[Array, Array, Array]:
        """Where points (N, 3) lie: how far along the axis (N,), the way out (N, 3) in the frame, how far."""
        axis = self.end - self.start
        along = np.clip((points - self.start) @ axis / max(axis @ axis, _TINY), 0.0, 1.0)
        out = points - self.start - along[:, None] * axis
        far = quat.length(out)
        way = quat.rotate(quat.inv(self.frame), out / np.maximum(far, _TINY)[:, None])
        return along, way, far

    def surface(self, points: Array, way: Array) -> Array:
        """How far (N,) the surface is from points (N, 3) of the axis, out along (N, 3); metres."""
        return ray_exit(points, way, self.a, self.b, self.radius)

    def on_axis(self, along: Array | float) -> Array:
        """The points (..., 3) so far (...) along the axis."""
        return self.start + np.asarray(along)[..., None] * (self.end - self.start)


@dataclass(frozen=True)
class Figure:
    """A body with its surface, seen beside another body.

    Attributes:
        skeleton, body: as the fit has them.
        shape: its surface.
        frames: part -> (4,) its frame in the reference pose, in model space (see rest_frames).
    """

    skeleton: Skeleton
    body: BodyMap
    shape: Capsules
    frames: Mapping[str, Array]

    @cached_property
    def arm_m(self) -> float:
        """From shoulder over elbow to wrist, the mean of both arms; 0 without arms."""
        at, lengths = self.skeleton.reference_model[1], [0.0]
        for side in SIDES:
            arm = [self.body.get(side + part) for part in ("UpperArm", "LowerArm", "Hand")]
            if None not in arm:
                upper, lower, hand = (at[joint] for joint in arm)
                lengths.append(float(np.linalg.norm(lower - upper) + np.linalg.norm(hand - lower)))
        return float(np.mean(lengths[1:])) if lengths[1:] else 0.0

    @cached_property
    def anchors(self) -> dict[str, Anchor]:
        """The parts that a hand can be on, and hands."""
        found = {part: self._anchor(part) for part in self.frames}
        return {part: anchor for part, anchor in found.items() if anchor is not None}

    def capsules(self, *parts: str) -> Mask:
        """Which capsules (C,) belong to parts."""
        return np.array([part in parts for part in self.shape.parts], bool)

    def gap(self, pose: GoalPose, hand: str, other: str) -> Array:
        """From the surface of a hand to that of a part (N,), metres; below 0 they lie in each other."""
        a, b, mine = self._ends(pose, hand)
        c, d, others = self._ends(pose, other)
        gaps = capsule_gaps(a[:, :, None], b[:, :, None], mine[:, None], c[:, None], d[:, None], others)
        return np.asarray(gaps.min(axis=(1, 2)))

    def _ends(self, pose: GoalPose, part: str) -> tuple[Array, Array, Array]:
        """The capsules around a part: both ends (N, C, 3) and radius (C,); fingers go with their hand."""
        anchor, mine = self.anchors[part], np.flatnonzero(self.capsules(*self.around(part)))
        joints = np.array(self.shape.joints, np.intp)[mine]
        if not all(joint in pose.at for joint in joints.tolist()):
            joints, a, b = np.full(len(mine), anchor.joint), anchor.a, anchor.b
        else:
            a, b = self.shape.a[mine], self.shape.b[mine]
        out = np.empty((2, len(mine), 3, len(pose))).transpose(0, 3, 1, 2)
        for joint in dict.fromkeys(joints.tolist()):
            some = np.flatnonzero(joints == joint)
            matrix, place = quat.to_matrix(pose.turned[joint]), pose.at[joint]
            for end, local in zip(out, (a, b), strict=True):
                end[:, some] = place[:, None] + local[some] @ matrix.swapaxes(1, 2)
        return out[0], out[1], anchor.radius

    def surface_joints(self, *parts: str) -> list[int]:
        """The joints that carry parts and the capsules around them."""
        joints = [
            self.shape.joints[k] for part in parts for k in np.flatnonzero(self.capsules(*self.around(part)))
        ]
        return list(dict.fromkeys([*(self.anchors[part].joint for part in parts), *joints]))

    def around(self, part: str) -> tuple[str, ...]:
        """The parts whose capsules make up the surface around a part."""
        if part.endswith("Hand"):
            side = part.removesuffix("Hand")
            return (part, *(f"{side}{finger}{joint}" for finger in FINGERS for joint in FINGERS[finger]))
        return TRUNK if part in TRUNK else _HEAD if part in _HEAD else (part,)

    def _anchor(self, part: str) -> Anchor | None:
        joint, mask = self.body.get(part), self.capsules(*self.around(part))
        axis = self._axis(part)
        if joint is None or axis is None or not mask.any():
            return None
        turned, at = self.skeleton.reference_model
        ends = self.shape.placed(turned, at)
        back = quat.inv(turned[joint])
        points = [quat.rotate(back, one - at[joint]) for one in (*axis, ends[0][mask], ends[1][mask])]
        return Anchor(joint, points[0], points[1], quat.mul(back, self.frames[part]), points[2], points[3],
                      self.shape.radius[mask])  # fmt: skip

    def _axis(self, part: str) -> tuple[Array, Array] | None:
        """The ends (3,), (3,) of a part's axis in model space, in the reference pose."""
        at, body = self.skeleton.reference_model[1], self.body
        side = next((one for one in SIDES if part.startswith(one)), "")
        ends = self.shape.placed(*self.skeleton.reference_model)
        if part in TRUNK:
            low = np.mean([at[body.require(f"{one}UpperLeg")] for one in SIDES], axis=0)
            arms = [at[joint] for one in SIDES if (joint := body.get(f"{one}UpperArm")) is not None]
            neck = body.get("neck") if body.get("neck") is not None else body.get("head")
            top = at[neck] if neck is not None else np.mean(arms, axis=0) if arms else None
            return None if top is None else (low, top)
        if part in _HEAD:
            joint, mask = body.get(part), self.capsules("head")
            if joint is None or not mask.any():
                return None
            crown = max((one[mask, 2] + self.shape.radius[mask]).max() for one in ends)
            base = at[joint] if body.get("head") is None else at[body.require("head")]
            return base, base + _CROWN_SHARE * (crown - base[2]) * _UP
        if part == f"{side}Hand":
            joint, mask = body.get(part), self.capsules(*self.around(part))
            if joint is None or not mask.any():
                return None
            # Along the hand as both bodies have it, not to the tip of a thumb that stands out.
            way = quat.rotate(self.frames[part], np.array([1.0 if side == "left" else -1.0, 0.0, 0.0]))
            length = max(float(((one[mask] - at[joint]) @ way).max()) for one in ends)
            return at[joint], at[joint] + length * way
        start, stop = body.get(part), body.get(side + _NEXT.get(part[len(side) :], "-"))
        return None if start is None or stop is None else (at[start], at[stop])


def posed(figure: Figure, motion: Motion) -> GoalPose:
    """A motion of the figure in model space: all joints that goals look at, in all frames."""
    sat_on = [] if figure.shape.sitting is None else np.unique(figure.shape.sitting.joints).tolist()
    return GoalPose(motion, [*(one.joint for one in figure.anchors.values()), *sat_on], slice(None))


def figures(
    source: Skeleton,
    body: BodyMap,
    target: Skeleton,
    target_body: BodyMap,
    shape: Capsules | None = None,
    target_shape: Capsules | None = None,
) -> tuple[Figure, Figure]:
    """Both bodies, each with its surface: people's where none is given."""
    frames = matched_frames(source, body, target, target_body)
    shapes = shape or body_shape(source, body), target_shape or body_shape(target, target_body)
    return (
        Figure(source, body, shapes[0], {part: pair[0] for part, pair in frames.items()}),
        Figure(target, target_body, shapes[1], {part: pair[1] for part, pair in frames.items()}),
    )


_SEAT_SHARE = 0.15  # of the trunk's height: what lies within that of the hip joints is sat on
FLOOR_ALONG = 0.5
"""How far along a hand the point lies that stays where it is while the hand is on the floor."""


def floor_low(figure: Figure, pose: GoalPose, part: str) -> tuple[Array, Array]:
    """How high the lowest point of a part lies (N,), metres, and the point (N, 3) that stays on the floor.

    Of a forearm or a shin only its upper end counts: elbow and knee.
    """
    anchor = figure.anchors[part]
    a, b, radius = anchor.a, anchor.b, anchor.radius
    if part.endswith("Hand"):
        point = pose.point(anchor.joint, anchor.on_axis(FLOOR_ALONG))
    elif part == "hips":
        point = pose.at[anchor.joint]
        axis = anchor.end - anchor.start
        height = np.abs(((a + b) / 2 - anchor.start) @ axis) / max(axis @ axis, _TINY)
        sat_on = height <= max(_SEAT_SHARE, height.min())
        a, b, radius = a[sat_on], b[sat_on], radius[sat_on]
    else:
        point = pose.at[anchor.joint]
        return point[:, 2] - radius[np.argmin(np.linalg.norm(a, axis=-1))], point
    down = quat.rotate(quat.inv(pose.turned[anchor.joint]), _UP)
    lowest = np.minimum(down @ a.T, down @ b.T) - radius
    return pose.at[anchor.joint][:, 2] + lowest.min(axis=1, initial=np.inf), point
