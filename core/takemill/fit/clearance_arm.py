"""One arm and what it must stay out of, as capsules about its shoulder.

Where capsules are is asked again and again, for many frames: that is kept in float32, right within a
ten-thousandth of a millimetre about the hips, and component by component in memory.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from ..base.checks import Array, Index, Single
from ..body.body_map import BodyMap
from ..body.body_parts import FINGERS, SIDES
from ..body.rest_frames import matched_frames
from ..body.skeleton import Skeleton
from ..goals.goal_pose import GoalPose
from ..maths import quat
from ..maths.capsule_distance import capsule_gaps
from ..shape.capsules import TRUNK, Capsules

GAP_M = (
    0.006  # left between surfaces: as far as capsules may lie inside a mesh (by trial, as in clearance_turns)
)
_COUNTS_FROM = 0.5  # of the upper arm, from the shoulder: above that it lies at the trunk, as arms do


@dataclass(frozen=True)
class Carrier:
    """A joint of the body, and the capsules that it carries; N frames.

    Attributes:
        capsules: (B,) which of those around the arms.
        start: (B, 3) their segments' first ends, from the middle of all, in the joint's space.
        away: (B, 3) from there to their second ends.
        reach: from the middle to the furthest point of their surface.
        turned: (9, N) the joint's rotation matrix, row by row.
        middle: (3, N) where the middle is, about the hips.
    """

    capsules: Index
    start: Single
    away: Single
    reach: float
    turned: Single
    middle: Single

    @classmethod
    def of(cls, pose: GoalPose, shape: Capsules, which: Index, joint: int, origin: Array) -> Carrier:
        """Those of some capsules (C,) that a joint of a pose carries; places are from an origin (N, 3)."""
        mine = np.flatnonzero(np.array(shape.joints, np.intp)[which] == joint)
        a, b, radius = (one[which[mine]] for one in (shape.a, shape.b, shape.radius))
        ends = np.concatenate([a, b])
        middle = (ends.min(axis=0) + ends.max(axis=0)) / 2
        reach = float((quat.length(ends - middle) + np.tile(radius, 2)).max())
        return cls(
            mine,
            (a - middle).astype(np.float32),
            (b - a).astype(np.float32),
            reach,
            np.array(quat.matrix_entries(pose.turned[joint]), np.float32).reshape(9, -1),
            (pose.point(joint, middle) - origin).T.astype(np.float32, order="C"),
        )


@dataclass(frozen=True)
class Around:
    """What arms must stay out of, by the joints that carry it.

    Attributes:
        which: (B,) of the character's capsules.
        radius: (B,).
        carriers: the joints that carry them.
    """

    which: Index
    radius: Array
    carriers: tuple[Carrier, ...]

    @classmethod
    def of(cls, pose: GoalPose, body: BodyMap, shape: Capsules) -> Around:
        """Trunk, head and thighs of a pose."""
        which, hips = _around(shape), pose.at[body.require("hips")]
        joints = np.unique(np.array(shape.joints, np.intp)[which]).tolist()
        carriers = (Carrier.of(pose, shape, which, joint, hips) for joint in joints)
        return cls(which, shape.radius[which], tuple(carriers))


@dataclass(frozen=True)
class Arm:
    """One arm and what it must stay out of, in N frames; places are about the hips.

    Attributes:
        upper: the joint at the shoulder.
        hand: the joint at the wrist; None where there is none.
        shoulder: (3, N).
        lever: (N, 3) from the collar bone's joint to the shoulder; 0 where there is none.
        above: (N, 4) the turn of what carries the arm, in model space.
        outward: (N, 3) out of the body's core: to the arm's side, and ahead where the hand is.
        ends: (2, 3, A, N) of its capsules' segments, from the shoulder.
        radius: (A,).
        half: (A,) the length from a capsule's middle to an end.
        pieces: the capsules of upper arm, forearm and hand.
        high: those of the upper arm that begin at its middle, and count only where the hand is held: on a
            broad body they lie at the trunk when arms hang.
        touching: those that touch what a held hand reaches for: the hand's and the forearm's last.
        around: the other capsules.
        room: (A, B) how far apart each two must stay: less where they are nearer in the reference pose.
        wrist: (N, 3) from the shoulder.
        along: (N, 3) the upper arm's direction.
        hinge: (N, 3) the axis that its elbow bends about.
        length: of the forearm.
        span: of upper arm and forearm.
        reach: from the shoulder to the furthest point of its surface.
        held: (N,) how much the hand keeps its place.
        touches: (N,) how much that place lies on the body, or on the floor.
    """

    upper: int
    hand: int | None
    shoulder: Single
    lever: Array
    above: Array
    outward: Array
    ends: Single
    radius: Array
    half: Array
    pieces: tuple[Index, Index, Index]
    high: Index
    touching: Index
    around: Around
    room: Array
    wrist: Array
    along: Array
    hinge: Array
    length: float
    span: float
    reach: float
    held: Array
    touches: Array

    @property
    def groups(self) -> tuple[Index, ...]:
        """The capsules (A,) of each of the pieces that has any."""
        return tuple(piece for piece in self.pieces if len(piece))

    def counted(self, rows: Index) -> tuple[tuple[Index, ...], Array]:
        """The same with the high ones apart, and how much each counts (G, M) in some frames (M,)."""
        split = [np.setdiff1d(piece, self.high) for piece in self.pieces]
        groups = tuple(piece for piece in (self.high, *split) if len(piece))
        counts = np.ones((len(groups), len(rows)))
        if len(self.high):
            counts[0] = self.held[rows]
        return groups, counts

    @classmethod
    def of(
        cls,
        pose: GoalPose,
        body: BodyMap,
        shape: Capsules,
        side: str,
        around: Around,
        held: tuple[Array, Array],
    ) -> Arm | None:
        """The arm of a side; None where its joints or its surface are not known.

        Args:
            pose: of N frames.
            body: which joint plays which part.
            shape: the character's surface.
            side: "left" or "right".
            around: what it must stay out of.
            held: (N,) how much the hand keeps its place, and (N,) how much that lies on body or floor.
        """
        upper, lower = body.get(f"{side}UpperArm"), body.get(f"{side}LowerArm")
        parents = pose.motion.skeleton.parents
        if upper is None or lower is None or parents[upper] < 0:
            return None
        other = body.get({"left": "right", "right": "left"}[side] + "UpperArm")
        hand = body.get(f"{side}Hand")
        pieces, high, mine = _arm_capsules(shape, side)
        theirs = around.which
        if not len(mine) or not len(theirs):
            return None
        hips, shoulder = pose.at[body.require("hips")], pose.at[upper]
        collar = collar_bone(body, pose.motion.skeleton, side)
        ends = _placed(pose, shape, mine, shoulder)
        radius, half = shape.radius[mine], quat.length(shape.b[mine] - shape.a[mine]) / 2
        turned, at = pose.motion.skeleton.reference_model
        (a, b), (c, d) = (shape.placed(turned, at, one) for one in (mine, theirs))
        apart = capsule_gaps(a[:, None], b[:, None], radius[:, None], c, d, around.radius)
        middle = pose.at[other if other is not None else parents[upper]]
        outward = _across_spine(
            shoulder - middle, pose.at[hand if hand is not None else lower] - hips, shoulder - hips
        )
        along = pose.at[lower] - shoulder
        wrist = pose.at[hand if hand is not None else lower] - shoulder
        fore = float(np.median(quat.length(wrist - along)))
        return cls(
            upper,
            hand,
            (shoulder - hips).T.astype(np.float32, order="C"),
            np.zeros_like(shoulder) if collar is None else shoulder - pose.at[collar],
            pose.turned[parents[upper]],
            outward / np.maximum(quat.length(outward)[:, None], 1e-9),
            ends,
            radius,
            half,
            pieces,
            high,
            _touching(shape, mine, side),
            around,
            np.minimum(GAP_M, apart),
            wrist,
            along / np.maximum(quat.length(along)[:, None], 1e-9),
            quat.rotate(pose.turned[upper], elbow_hinge(pose.motion.skeleton, body, side)),
            fore or 0.1,
            fore + float(np.median(quat.length(along))),
            _reach(ends, radius),
            *held,
        )


def elbow_hinge(skeleton: Skeleton, body: BodyMap, side: str) -> Array:
    """The axis (3,) that an elbow bends about, in the space of the upper arm's joint."""
    # An arm held sideways bends forwards: about -Z on the left and +Z on the right.
    up, upper = np.array([0.0, 0.0, -1.0 if side == "left" else 1.0]), f"{side}UpperArm"
    turned = matched_frames(skeleton, body, skeleton, body)[upper][0]
    back = quat.inv(skeleton.reference_model[0][body.require(upper)])
    return np.asarray(quat.rotate(quat.mul(back, turned), up))


def collar_bone(body: BodyMap, skeleton: Skeleton, side: str) -> int | None:
    """The joint that lifts a shoulder; None where none above the arm does."""
    collar = body.get(f"{side}Shoulder")
    return collar if collar in skeleton.path_to(body.require(f"{side}UpperArm"))[:-1] else None


def arm_joints(shape: Capsules, body: BodyMap) -> list[int]:
    """The joints that arms, and what they must stay out of, hang on."""
    parts = ["hips", *(f"{side}{part}" for side in SIDES for part in ("UpperArm", "LowerArm", "Hand"))]
    mine = [k for side in SIDES for k in _arm_capsules(shape, side)[-1].tolist()]
    theirs = _around(shape).tolist()
    joints = [joint for part in parts if (joint := body.get(part)) is not None]
    return [*joints, *(shape.joints[k] for k in (*mine, *theirs))]


def _placed(pose: GoalPose, shape: Capsules, which: Index, origin: Array) -> Single:
    """Where the segments (2, 3, C, N) of some capsules (C,) end, from an origin (N, 3)."""
    out: Single = np.empty((2, 3, len(which), len(pose)), np.float32)
    joints = np.array(shape.joints, np.intp)[which]
    for joint in np.unique(joints).tolist():
        matrix = np.array(quat.matrix_entries(pose.turned[joint]), np.float32)
        at = (pose.at[joint] - origin).T.astype(np.float32, order="C")
        for k in np.flatnonzero(joints == joint).tolist():
            for end, place in enumerate((shape.a[which[k]], shape.b[which[k]])):
                x, y, z = place.tolist()
                for i in range(3):
                    out[end, i, k] = matrix[i, 0] * x + matrix[i, 1] * y + matrix[i, 2] * z + at[i]
    return out


def _reach(ends: Single, radius: Array) -> float:
    """From the shoulder to the furthest point of capsules whose segments end at (2, 3, A, N)."""
    far = np.sqrt(np.einsum("eian,eian->ean", ends, ends).max(axis=(0, 2)))
    return float((far + radius).max())


def _across_spine(aside: Array, hand: Array, up: Array) -> Array:
    """The way out (N, 3) for what lies in the core: to the arm's side, and to where its hand is."""
    up = up - aside * (np.einsum("ni,ni->n", up, aside) / np.einsum("ni,ni->n", aside, aside))[:, None]
    away = hand - up * (np.einsum("ni,ni->n", hand, up) / np.einsum("ni,ni->n", up, up))[:, None]
    return (
        aside / np.maximum(quat.length(aside), 1e-9)[:, None]
        + away / np.maximum(quat.length(away), 1e-9)[:, None]
    )


def _around(shape: Capsules) -> Index:
    """The capsules that arms must stay out of."""
    return shape.of(*TRUNK, "neck", "head", *(f"{one}UpperLeg" for one in SIDES))


def lower_halves(shape: Capsules) -> Capsules:
    """The same surface, its upper arms cut where they begin to count: above that they lie at the trunk."""
    starts = shape.a.copy()
    for side in SIDES:
        upper, first, last = _upper_arm(shape, side)
        for k, start, stop in zip(upper, first, last, strict=True):
            if start < _COUNTS_FROM < stop:
                starts[k] += (_COUNTS_FROM - start) / (stop - start) * (shape.b[k] - shape.a[k])
    return replace(shape, a=starts)


def _upper_arm(shape: Capsules, side: str) -> tuple[Index, Array, Array]:
    """The capsules (U,) of an upper arm, and where each begins and ends (U,), in shares of its length."""
    upper = shape.of(f"{side}UpperArm")
    first, last = (np.linalg.norm(ends[upper], axis=-1) for ends in (shape.a, shape.b))
    whole = last.max(initial=1e-9)
    return upper, first / whole, last / whole


def _arm_capsules(shape: Capsules, side: str) -> tuple[tuple[Index, Index, Index], Index, Index]:
    """The capsules of an arm that must stay out: of upper arm, forearm and hand; those high up; and all."""
    fingers = [f"{side}{finger}{joint}" for finger, joints in FINGERS.items() for joint in joints]
    upper, first, _ = _upper_arm(shape, side)
    counts = first > _COUNTS_FROM - 1e-6
    high = np.flatnonzero(first[counts] < _COUNTS_FROM + 1e-6)
    parts = [upper[counts], shape.of(f"{side}LowerArm"), shape.of(f"{side}Hand", *fingers)]
    stops = np.cumsum([len(part) for part in parts])
    upper, fore, hand = (np.arange(stop - len(part), stop) for part, stop in zip(parts, stops, strict=True))
    return (upper, fore, hand), high, np.concatenate(parts)


def _touching(shape: Capsules, mine: Index, side: str) -> Index:
    """Which of an arm's capsules lie at its hand, or are of it."""
    fore = [k for k in mine if shape.parts[k] == f"{side}LowerArm"]
    ends = {k: float(np.linalg.norm(shape.b[k])) for k in fore}
    last = [k for k in fore if ends[k] > 0.9 * max(ends.values())]
    hands = [k for k in mine if not shape.parts[k].endswith("Arm")]
    return np.flatnonzero(np.isin(mine, [*hands, *last]))
