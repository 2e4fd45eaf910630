"""One arm and what it must stay out of, as capsules about its shoulder."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from ..base.checks import Array, Index
from ..body.body_map import BodyMap
from ..body.body_parts import FINGERS, SIDES
from ..body.motion import Motion
from ..maths import quat
from ..maths.capsule_distance import all_distances
from ..shape.capsules import TRUNK, Capsules

GAP_M = (
    0.006  # left between surfaces: as far as capsules may lie inside a mesh (by trial, as in clearance_turns)
)
_UPPER_ARM_SHARE = 0.5  # of the upper arm, from the elbow: above it lies at the trunk, as arms do


@dataclass(frozen=True)
class Arm:
    """One arm and what it must stay out of, in N frames; places are about the shoulder.

    Attributes:
        upper: the joint at the shoulder.
        hand: the joint at the wrist; None where there is none.
        above: (N, 4) the turn of what carries the arm, in model space.
        outward: (N, 3) out of the body's core: to the arm's side, and ahead where the hand is.
        ends: (2, N, A, 3) of its capsules.
        radius: (A,).
        groups: the capsules of upper arm, forearm and hand.
        touching: those that touch what a held hand reaches for: the hand's and the forearm's last.
        body_ends: (2, N, B, 3) of the other capsules.
        body_radius: (B,).
        room: (A, B) how far apart each two must stay: less where they are nearer in the reference pose.
        wrist: (N, 3).
        along: (N, 3) the upper arm's direction.
        length: of the forearm.
        held: (N,) how much the hand keeps its place.
    """

    upper: int
    hand: int | None
    above: Array
    outward: Array
    ends: Array
    radius: Array
    groups: tuple[Index, ...]
    touching: Index
    body_ends: Array
    body_radius: Array
    room: Array
    wrist: Array
    along: Array
    length: float
    held: Array

    @classmethod
    def of(
        cls,
        motion: Motion,
        model: tuple[Array, Array],
        body: BodyMap,
        shape: Capsules,
        side: str,
        held: Array,
    ) -> Arm | None:
        """The arm of a side; None where its joints or its surface are not known.

        Args:
            motion: of N frames.
            model: its joints' rotations (N, J, 4) and places (N, J, 3) in model space.
            body: which joint plays which part.
            shape: the character's surface.
            side: "left" or "right".
            held: (N,) how much the hand keeps its place.
        """
        upper, lower = body.get(f"{side}UpperArm"), body.get(f"{side}LowerArm")
        if upper is None or lower is None or motion.skeleton.parents[upper] < 0:
            return None
        other = body.get({"left": "right", "right": "left"}[side] + "UpperArm")
        hand = body.get(f"{side}Hand")
        groups, mine = _arm_capsules(shape, side)
        theirs = shape.of(*TRUNK, "neck", "head", *(f"{one}UpperLeg" for one in SIDES))
        if not len(mine) or not len(theirs):
            return None
        rotations, positions = model
        shoulder = positions[:, upper]
        ends = [
            np.stack(shape.placed(rotations, positions, one)) - shoulder[:, None] for one in (mine, theirs)
        ]
        turned, at = motion.skeleton.reference_model
        (a, b), (c, d) = (shape.placed(turned[None], at[None], one) for one in (mine, theirs))
        apart = all_distances(a, b, shape.radius[mine], c, d, shape.radius[theirs])[0]
        middle = positions[:, other] if other is not None else positions[:, motion.skeleton.parents[upper]]
        hips = positions[:, body.require("hips")]
        outward = _across_spine(shoulder - middle, positions[:, hand or lower] - hips, shoulder - hips)
        along = positions[:, lower] - shoulder
        wrist = positions[:, hand if hand is not None else lower] - shoulder
        return cls(
            upper,
            hand,
            rotations[:, motion.skeleton.parents[upper]],
            outward / np.maximum(quat.length(outward)[:, None], 1e-9),
            ends[0],
            shape.radius[mine],
            groups,
            _touching(shape, mine, side),
            ends[1],
            shape.radius[theirs],
            np.minimum(GAP_M, apart),
            wrist,
            along / np.maximum(quat.length(along)[:, None], 1e-9),
            float(np.median(quat.length(wrist - along))) or 0.1,
            held,
        )


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
