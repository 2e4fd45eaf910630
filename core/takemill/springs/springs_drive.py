"""What carries the chains in each step: the body's joints, colliders and centers, between frames too."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

from ..base.checks import Array, Index
from ..body.motion import Motion
from ..body.skeleton import Skeleton
from ..maths import kinematics, quat
from ..maths.easing import cubic_basis
from .springs import STEP_S, SpringJoint, Springs
from .springs_steps import Drive, Lanes, Pull

_BLOCKS = ("rotation", "place", "one", "other", "center_rotation", "center_place")
_TURNS = (0, 4)  # which of the blocks are quaternions
_POLE = np.sqrt(3) - 2  # the root of x + 4 + 1/x within 1

ASIDE = 6
"""How far a value counts in the slope of another one: by then its share is 4e-4."""


@dataclass(frozen=True)
class Carried:
    """What carries L swinging joints, and K colliders, in each of F frames or substeps.

    Attributes:
        rotation, place: (F, L, 4) and (F, L, 3) as in `springs_steps.Drive`.
        one, other: (F, K, 3) the ends of the colliders in the world.
        center_rotation, center_place: (F, L, 4) and (F, L, 3).
        is_free: (L,) whether a joint's place is in the world, not below another swinging joint.
    """

    rotation: Array
    place: Array
    one: Array
    other: Array
    center_rotation: Array
    center_place: Array
    is_free: Array

    @property
    def blocks(self) -> tuple[Array, ...]:
        """Its arrays over time, each (F, ..., 3 or 4)."""
        return tuple(getattr(self, name) for name in _BLOCKS)

    def with_blocks(self, blocks: Sequence[Array]) -> Carried:
        """The same with other arrays over time, (F, ..., 3 or 4)."""
        return replace(self, **dict(zip(_BLOCKS, blocks, strict=True)))

    def rows(self, places: Index | slice) -> Carried:
        """Some of its rows (N,)."""
        return self.with_blocks([one[places] for one in self.blocks])

    def moved(self, turn: Array, shift: Array) -> Carried:
        """All of it turned by (4,) about the origin and shifted by (3,) in the world."""
        mine = self.is_free[:, None] > 0

        def place(points: Array) -> Array:
            return quat.rotate(turn, points) + shift

        return self.with_blocks([
            np.where(mine, quat.mul(turn, self.rotation), self.rotation),
            np.where(mine, place(self.place), self.place),
            place(self.one),
            place(self.other),
            quat.mul(turn, self.center_rotation),
            place(self.center_place),
        ])  # fmt: skip


@dataclass(frozen=True)
class Layout:
    """The joints that swing, as `springs_steps` takes them, and which joints of the skeleton carry them.

    Attributes:
        springs: the chains and colliders.
        skeleton: theirs.
    """

    springs: Springs
    skeleton: Skeleton

    @cached_property
    def joints(self) -> tuple[SpringJoint, ...]:
        """The L joints that swing, chain by chain."""
        return tuple(one for chain in self.springs.chains for one in chain.joints)

    @cached_property
    def centers(self) -> tuple[int | None, ...]:
        """The center of each (L,)."""
        return tuple(chain.center for chain in self.springs.chains for _ in chain.joints)

    @cached_property
    def lanes(self) -> Lanes:
        """What stays the same in all steps."""
        place = {one.joint: k for k, one in enumerate(self.joints)}
        parent, depth = [], [0] * len(self.joints)
        for one in self.joints:
            path = self.skeleton.path_to(one.joint)[:-1]
            parent.append(next((place[joint] for joint in reversed(path) if joint in place), -1))
        # Parents first: a joint's index in the skeleton is above its parent's.
        for k in sorted(range(len(self.joints)), key=lambda k: self.joints[k].joint):
            depth[k] = depth[parent[k]] + 1 if parent[k] >= 0 else 0
        ends = np.array([one.end for one in self.joints]).T
        length = np.linalg.norm(ends, axis=0)
        number = {one.name: k for k, one in enumerate(self.springs.colliders)}
        pushed = [
            [number[name] for name in chain.colliders] for chain in self.springs.chains for _ in chain.joints
        ]
        most = max(map(len, pushed))
        return Lanes(
            np.array(parent),
            np.array(depth),
            ends / length,
            length,
            np.array([one.radius for one in self.joints]),
            np.array([center is not None for center in self.centers], np.intp),
            np.array([[*row, *[-1] * (most - len(row))] for row in pushed], np.intp)
            .reshape(len(ends.T), most)
            .T,
            np.array([one.radius for one in self.springs.colliders]),
            np.array([-1.0 if one.inside else 1.0 for one in self.springs.colliders]),
            np.array([one.normal is not None for one in self.springs.colliders], bool),
        )

    def pull(self, step_s: Sequence[float]) -> Pull:
        """The joints' numbers for steps of R lengths (seconds).

        A step of another length than `STEP_S` keeps the same share of the speed over the same time, and the
        same final speed under the same pull.
        """
        share = np.asarray(step_s)[:, None] / STEP_S
        drag = np.array([one.drag for one in self.joints])
        keep = (1 - drag) ** share
        # For no drag the limit of (1 - keep) / drag, which is the share itself.
        bent = np.where(drag > 0, (1 - keep) / np.where(drag > 0, drag, 1), share)
        size = STEP_S * share * bent
        gravity = [one.gravity * one.gravity_dir / np.linalg.norm(one.gravity_dir) for one in self.joints]
        stiffness = np.array([one.stiffness for one in self.joints])
        return Pull(keep, size * stiffness, size * np.array(gravity).T[:, None])

    def carried_by(self, motions: Sequence[Motion]) -> Carried:
        """What carries the chains in all frames of some motions of the skeleton, one after another."""
        joints = [one.joint for one in self.joints]
        carriers = [one.joint for one in self.springs.colliders]
        centers = [joint if joint is not None else -1 for joint in self.centers]
        ends = {*joints, *carriers, *(joint for joint in centers if joint >= 0)}
        needed = sorted({above for joint in ends for above in self.skeleton.path_to(joint)})
        at = {joint: k for k, joint in enumerate(needed)}
        parents = [at.get(self.skeleton.parents[joint], -1) for joint in needed]
        local_q = np.concatenate([motion.rotations[:, needed] for motion in motions])
        local_p = np.concatenate(
            [np.stack([motion.translation_of(joint) for joint in needed], axis=1) for motion in motions]
        )
        model_q, model_p = kinematics.model_from_local(parents, local_q, local_p)
        own = [at[joint] for joint in joints]
        rotation, place = model_q[:, own], model_p[:, own]
        parent = self.lanes.parent
        below = np.flatnonzero(parent >= 0)
        if len(below):
            up = [own[k] for k in parent[below]]
            back = quat.inv(model_q[:, up])
            place[:, below] = quat.rotate(back, place[:, below] - model_p[:, up])
            rotation[:, below] = quat.mul(back, rotation[:, below])
        carry = [at[joint] for joint in carriers]
        offsets = [[one.offset, one.far_end] for one in self.springs.colliders]
        points = np.array(offsets).reshape(-1, 2, 3)
        one, other = (
            model_p[:, carry] + quat.rotate(model_q[:, carry], points[None, :, end]) for end in (0, 1)
        )
        middle = np.array([at[joint] if joint >= 0 else -1 for joint in centers])
        center_q = np.where((middle >= 0)[:, None], model_q[:, middle], quat.IDENTITY)
        center_p = np.where((middle >= 0)[:, None], model_p[:, middle], 0.0)
        return Carried(rotation, place, one, other, center_q, center_p, np.asarray(parent < 0, np.float64))


def on_curves(values: Array, places: Array, turns: bool = False, aside: int = 2) -> Array:
    """Values (N, ...) at places (N,) of a series (F + 2 * aside, ...) with `aside` more at either end.

    Cubic splines with a steady second derivative (de Boor, A Practical Guide to Splines, 1978): slopes s at
    values y satisfy s[k-1] + 4 s[k] + s[k+1] = 3 (y[k+1] - y[k-1]): those of the fourth degree are put
    right by the answer of that system to what they miss, which dies away by 0.27 from one value to the next.
    Place 0 is the value behind those aside. `turns` are quaternions, which are kept in one hemisphere and
    unit.

    Of kicks, spins and jumps at 30 and at 60 frames a second the ends of chains differ by at most 7.0 mm with
    them; with slopes of the fourth degree alone by 24, with those between two neighbours (Catmull and Rom
    1974) by 44. What is left lies in the frames: a jump's at 60 a second lie 10 mm off any curve through
    every other one of them.
    """
    if turns:
        values = quat.continuous(values)
    slopes = (8 * (values[3:-1] - values[1:-3]) - (values[4:] - values[:-4])) / 12
    if len(slopes) > 2:
        missed = 3 * (values[4:-2] - values[2:-4]) - (slopes[:-2] + 4 * slopes[1:-1] + slopes[2:])
        slopes = slopes + _spread(missed)
    slopes, values = (one[aside - 2 : len(one) - aside + 2] for one in (slopes, values))
    last = len(slopes) - 1
    low = np.clip(np.floor(places), 0, max(last - 1, 0)).astype(np.intp)
    high = np.minimum(low + 1, last)
    basis = cubic_basis((places - low).reshape(-1, *[1] * (values.ndim - 1)))
    early, late = values[low + 2], values[high + 2]
    curve = (
        early + (late - early) * basis.late + slopes[low] * basis.out_slope + slopes[high] * basis.in_slope
    )
    return quat.normalize(curve) if turns else np.asarray(curve)


def _spread(missed: Array) -> Array:
    """What (N + 2, ...) put through 1, 4, 1 gives `missed` (N, ...); nothing is missed beyond it."""
    count = len(missed)
    out = np.zeros((count + 2, *missed.shape[1:]))
    for offset in range(-ASIDE, ASIDE + 1):
        first, last = max(-1, offset), min(count + 1, count + offset)  # of where it comes to lie
        if first < last:
            share = _POLE ** abs(offset) / (2 * np.sqrt(3))
            out[first + 1 : last + 1] += share * missed[first - offset : last - offset]
    return out


def between_frames(frames: Carried, before: Carried, after: Carried, places: Array) -> Carried:
    """What carries the chains at places (N,) among F frames, on cubic curves through them.

    `before` and `after` are two frames or more, as many each, which would stand on either side.
    """
    aside = len(before.place)
    blocks = zip(before.blocks, frames.blocks, after.blocks, strict=True)
    return frames.with_blocks(
        [
            on_curves(np.concatenate(three), places, number in _TURNS, aside)
            for number, three in enumerate(blocks)
        ]
    )


def beyond(values: Array) -> tuple[Array, Array]:
    """Two values before a series (F, ...) and two behind it, (2, ...) each, on the cubics of its ends."""
    places = np.minimum(np.arange(4), len(values) - 1)
    next_two = np.array([[4.0, -6.0, 4.0, -1.0], [10.0, -20.0, 15.0, -4.0]])
    before = np.tensordot(next_two[::-1], values[places], 1)
    return before, np.tensordot(next_two, values[::-1][places], 1)


def drive_of(parts: Sequence[Carried]) -> Drive:
    """Runs one after another, as `springs_steps` takes them: (3 or 4, T * ...)."""
    blocks = zip(*(part.blocks for part in parts), strict=True)
    return Drive(
        *(np.ascontiguousarray(np.concatenate(one).reshape(-1, one[0].shape[-1]).T) for one in blocks)
    )
