"""One arm and what it must stay out of, as capsules about its shoulder."""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np

from ..base.checks import Array, Index
from ..body.body_map import BodyMap
from ..body.body_parts import FINGERS, SIDES
from ..body.skeleton import Skeleton
from ..goals.goal_pose import GoalPose
from ..maths import quat
from ..maths.capsule_distance import capsule_gaps
from ..shape.capsules import TRUNK, Capsules

GAP_M = (
    0.006  # left between surfaces: as far as capsules may lie inside a mesh (by trial, as in clearance_turns)
)
_UPPER_ARM_SHARE = 0.5  # of the upper arm, from the elbow: above it lies at the trunk, as arms do


@dataclass(frozen=True)
class Around:
    """What arms must stay out of, in N frames; places are about the hips.

    Attributes:
        which: (B,) of the character's capsules.
        ends: (2, N, B, 3) of their segments.
        radius: (B,).
        half: (B,) the length from their middles to an end, float32.
        seen: (2, N, 5, B) what `seen_from` multiplies with, float32: enough to tell what is far.
    """

    which: Index
    ends: Array
    radius: Array
    half: Array
    seen: Array

    @classmethod
    def of(cls, pose: GoalPose, body: BodyMap, shape: Capsules) -> Around:
        """Trunk, head and thighs of a pose."""
        which = shape.of(*TRUNK, "neck", "head", *(f"{one}UpperLeg" for one in SIDES))
        ends = _placed(pose, shape, which, pose.at[body.require("hips")])
        half, middle = _half(shape, which), (ends[0] + ends[1]) / 2
        way = (ends[1] - ends[0]) / np.maximum(2 * half, 1e-9)[:, None]
        seen: Array = np.empty((2, len(pose), 5, len(which)), np.float32)
        seen[0, :, :3], seen[0, :, 3] = -2 * middle.swapaxes(1, 2), 1.0
        seen[1, :, :3], seen[1, :, 3] = way.swapaxes(1, 2), 0.0
        seen[0, :, 4] = np.einsum("nbi,nbi->nb", middle, middle)
        seen[1, :, 4] = -np.einsum("nbi,nbi->nb", middle, way)
        return cls(which, ends, shape.radius[which], half.astype(np.float32), seen)

    def seen_from(self, ends: Array, rows: Index) -> tuple[Array, Array]:
        """How far middles of others, at (2, M, A, 3) in some frames (M,), are from those of these.

        Squared (M, A, B), and how far they are along the segments of these (M, A, B), float32.
        """
        middle = np.ones((*ends.shape[1:3], 5), np.float32)
        np.add(ends[0], ends[1], out=middle[..., :3], casting="same_kind")
        middle[..., :3] *= 0.5
        middle[..., 3] = np.einsum("mai,mai->ma", middle[..., :3], middle[..., :3])
        return middle @ self.seen[0].take(rows, 0), middle @ self.seen[1].take(rows, 0)


@dataclass(frozen=True)
class Arm:
    """One arm and what it must stay out of, in N frames; places are about the hips.

    Attributes:
        upper: the joint at the shoulder.
        hand: the joint at the wrist; None where there is none.
        shoulder: (N, 3).
        lever: (N, 3) from the collar bone's joint to the shoulder; 0 where there is none.
        above: (N, 4) the turn of what carries the arm, in model space.
        outward: (N, 3) out of the body's core: to the arm's side, and ahead where the hand is.
        ends: (2, N, A, 3) of its capsules, from the shoulder.
        radius: (A,).
        half: (A,) the length from a capsule's middle to an end.
        groups: the capsules of upper arm, forearm and hand.
        touching: those that touch what a held hand reaches for: the hand's and the forearm's last.
        around: the other capsules.
        room: (A, B) how far apart each two must stay: less where they are nearer in the reference pose.
        wrist: (N, 3) from the shoulder.
        along: (N, 3) the upper arm's direction.
        length: of the forearm.
        span: of upper arm and forearm.
        reach: from the shoulder to the furthest point of its surface.
        held: (N,) how much the hand keeps its place.
        touches: (N,) how much that place lies on the body, or on the floor.
    """

    upper: int
    hand: int | None
    shoulder: Array
    lever: Array
    above: Array
    outward: Array
    ends: Array
    radius: Array
    half: Array
    groups: tuple[Index, ...]
    touching: Index
    around: Around
    room: Array
    wrist: Array
    along: Array
    length: float
    span: float
    reach: float
    held: Array
    touches: Array

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
        groups, mine = _arm_capsules(shape, side)
        theirs = around.which
        if not len(mine) or not len(theirs):
            return None
        hips, shoulder = pose.at[body.require("hips")], pose.at[upper]
        collar = collar_bone(body, pose.motion.skeleton, side)
        ends = _placed(pose, shape, mine, shoulder)
        turned, at = pose.motion.skeleton.reference_model
        (a, b), (c, d) = (shape.placed(turned, at, one) for one in (mine, theirs))
        radius = shape.radius[mine]
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
            shoulder - hips,
            np.zeros_like(shoulder) if collar is None else shoulder - pose.at[collar],
            pose.turned[parents[upper]],
            outward / np.maximum(quat.length(outward)[:, None], 1e-9),
            ends,
            radius,
            _half(shape, mine),
            groups,
            _touching(shape, mine, side),
            around,
            np.minimum(GAP_M, apart),
            wrist,
            along / np.maximum(quat.length(along)[:, None], 1e-9),
            fore or 0.1,
            fore + float(np.median(quat.length(along))),
            float((quat.length(ends).max(axis=(0, 1)) + radius).max()),
            *held,
        )

    def renewed(self, rows: Index, other: Arm) -> Arm:
        """The arm with what another has in its M frames, put at some rows (M,)."""
        new = {}
        for name in ("shoulder", "lever", "above", "wrist", "along"):
            new[name] = getattr(self, name).copy()
            new[name][rows] = getattr(other, name)
        ends = self.ends.copy()
        ends[:, rows] = other.ends
        return replace(self, ends=ends, **new)


def collar_bone(body: BodyMap, skeleton: Skeleton, side: str) -> int | None:
    """The joint that lifts a shoulder; None where none above the arm does."""
    collar = body.get(f"{side}Shoulder")
    return collar if collar in skeleton.path_to(body.require(f"{side}UpperArm"))[:-1] else None


def arm_joints(shape: Capsules, body: BodyMap) -> list[int]:
    """The joints that arms, and what they must stay out of, hang on."""
    parts = ["hips", *(f"{side}{part}" for side in SIDES for part in ("UpperArm", "LowerArm", "Hand"))]
    mine = [k for side in SIDES for k in _arm_capsules(shape, side)[1].tolist()]
    theirs = shape.of(*TRUNK, "neck", "head", *(f"{one}UpperLeg" for one in SIDES)).tolist()
    joints = [joint for part in parts if (joint := body.get(part)) is not None]
    return [*joints, *(shape.joints[k] for k in (*mine, *theirs))]


def _placed(pose: GoalPose, shape: Capsules, which: Index, origin: Array) -> Array:
    """Where the segments (2, N, C, 3) of some capsules (C,) end, from an origin (N, 3)."""
    out = np.empty((2, len(pose), len(which), 3))
    joints = np.array(shape.joints, np.intp)[which]
    for joint in np.unique(joints).tolist():
        mine = np.flatnonzero(joints == joint)
        ends = np.concatenate([shape.a[which[mine]], shape.b[which[mine]]])
        placed = ends @ quat.to_matrix(pose.turned[joint]).swapaxes(1, 2)
        placed += (pose.at[joint] - origin)[:, None]
        out[0][:, mine], out[1][:, mine] = placed[:, : len(mine)], placed[:, len(mine) :]
    return out


def _half(shape: Capsules, which: Index) -> Array:
    return np.asarray(quat.length(shape.b[which] - shape.a[which]) / 2)


def _across_spine(aside: Array, hand: Array, up: Array) -> Array:
    """The way out (N, 3) for what lies in the core: to the arm's side, and to where its hand is."""
    up = up - aside * (np.einsum("ni,ni->n", up, aside) / np.einsum("ni,ni->n", aside, aside))[:, None]
    away = hand - up * (np.einsum("ni,ni->n", hand, up) / np.einsum("ni,ni->n", up, up))[:, None]
    return (
        aside / np.maximum(quat.length(aside), 1e-9)[:, None]
        + away / np.maximum(quat.length(away), 1e-9)[:, None]
    )


def _arm_capsules(shape: Capsules, side: str) -> tuple[tuple[Index, ...], Index]:
    """The capsules of an arm that must stay out: which are of upper arm, forearm and hand; and all."""
    fingers = [f"{side}{finger}{joint}" for finger, joints in FINGERS.items() for joint in joints]
    upper = shape.of(f"{side}UpperArm")
    if len(upper):  # those that begin below its middle
        ahead = [float(np.linalg.norm(shape.a[k])) for k in upper]
        whole = max(float(np.linalg.norm(shape.b[k])) for k in upper)
        upper = upper[np.array(ahead) > (1 - _UPPER_ARM_SHARE) * whole]
    parts = [upper, shape.of(f"{side}LowerArm"), shape.of(f"{side}Hand", *fingers)]
    stops = np.cumsum([0, *map(len, parts)])
    groups = tuple(np.arange(a, b) for a, b in pairwise(stops) if b > a)
    return groups, np.concatenate(parts)


def _touching(shape: Capsules, mine: Index, side: str) -> Index:
    """Which of an arm's capsules lie at its hand, or are of it."""
    fore = [k for k in mine if shape.parts[k] == f"{side}LowerArm"]
    ends = {k: float(np.linalg.norm(shape.b[k])) for k in fore}
    last = [k for k in fore if ends[k] > 0.9 * max(ends.values())]
    hands = [k for k in mine if not shape.parts[k].endswith("Arm")]
    return np.flatnonzero(np.isin(mine, [*hands, *last]))
