"""A tree of joints at rest."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import cached_property

import numpy as np

from ..base.checks import Array, Index, expect_finite, expect_shape, owned
from ..base.errors import InputError
from ..maths import kinematics, quat

_SAME_REST = 1e-4  # metres and radians that two files of one suit may differ by


@dataclass(frozen=True)
class Skeleton:
    """Names, parents and rest pose of J joints; parents come before their children.

    Attributes:
        names: (J,) unique joint names.
        parents: (J,) index of the parent, -1 for a root; `parents[j] < j`.
        rest_translation: (J, 3) in the parent's space, metres.
        rest_rotation: (J, 4) in the parent's space; made unit.
        tip_joints: (K,) the joint that each tip belongs to (a BVH end site, a bone's tail).
        tip_offsets: (K, 3) the tip in its joint's space, metres.
    """

    names: tuple[str, ...]
    parents: tuple[int, ...]
    rest_translation: Array
    rest_rotation: Array
    tip_joints: tuple[int, ...] = ()
    tip_offsets: Array = field(default_factory=lambda: np.zeros((0, 3)))

    def __post_init__(self) -> None:
        count = len(self.names)
        if count == 0:
            raise InputError("skeleton: it has no joints")
        twice = sorted({name for name in self.names if self.names.count(name) > 1})
        if twice:
            raise InputError(f"skeleton: joint name {twice[0]!r} stands twice; joint names must be unique")
        if len(self.parents) != count:
            raise InputError(f"skeleton: {count} names but {len(self.parents)} parents")
        for joint, parent in enumerate(self.parents):
            if not -1 <= parent < joint:
                raise InputError(f"skeleton: the parent of {self.names[joint]!r} must stand before it")
        if any(not 0 <= joint < count for joint in self.tip_joints):
            raise InputError("skeleton: a tip belongs to no joint")
        for name, shape in (("rest_translation", (count, 3)), ("rest_rotation", (count, 4)),
                            ("tip_offsets", (len(self.tip_joints), 3))):  # fmt: skip
            array = owned(getattr(self, name))
            expect_shape(array, shape, f"skeleton {name}")
            expect_finite(array, f"skeleton {name}")
            object.__setattr__(self, name, array)
        zero = ~self.rest_rotation.any(axis=-1)
        if zero.any():
            raise InputError(f"skeleton: the rest rotation of {self.names[int(zero.argmax())]!r} is zero")
        object.__setattr__(self, "rest_rotation", owned(quat.normalize(self.rest_rotation)))

    def __len__(self) -> int:
        return len(self.names)

    def index(self, name: str) -> int:
        """The place of the joint called `name`.

        Raises:
            InputError: there is no such joint.
        """
        try:
            return self.names.index(name)
        except ValueError:
            raise InputError(f"skeleton: there is no joint {name!r}") from None

    @cached_property
    def children(self) -> tuple[tuple[int, ...], ...]:
        """(J,) the children of each joint."""
        below: list[list[int]] = [[] for _ in self.names]
        for joint, parent in enumerate(self.parents):
            if parent >= 0:
                below[parent].append(joint)
        return tuple(map(tuple, below))

    @cached_property
    def rest_model(self) -> tuple[Array, Array]:
        """The rest pose in model space: rotations (J, 4) and positions (J, 3), metres."""
        rotations, positions = kinematics.model_from_local(
            self.parents, self.rest_rotation, self.rest_translation
        )
        return owned(rotations), owned(positions)

    @cached_property
    def rest_tips(self) -> Array:
        """Where the tips lie at rest in model space (K, 3), metres."""
        rotations, positions = self.rest_model
        joints = np.asarray(self.tip_joints, np.intp)
        return positions[joints] + quat.rotate(rotations[joints], self.tip_offsets)

    @property
    def height(self) -> float:
        """The largest extent of the rest pose's joints and tips along any axis, metres."""
        points = np.concatenate([self.rest_model[1], self.rest_tips])
        return float(np.ptp(points, axis=0).max())

    def difference(self, other: Skeleton) -> str:
        """What first tells another skeleton from this one, in words; "" where the same motions fit both."""
        odd = sorted({*self.names} ^ {*other.names})
        if odd:
            return f"only one of them has a joint {odd[0]!r}"
        away = np.abs(self.rest_translation - other.rest_translation).max(axis=1)
        turned = quat.angle_between(self.rest_rotation, other.rest_rotation)
        for joint, name in enumerate(self.names):
            if other.names[joint] != name or other.parents[joint] != self.parents[joint]:
                return f"joint {name!r} hangs elsewhere"
            if max(away[joint], turned[joint]) > _SAME_REST:
                return f"joint {name!r} rests elsewhere"
        return ""

    def path_to(self, joint: int) -> tuple[int, ...]:
        """The chain of joints from a root down to `joint`, both included."""
        chain = [joint]
        while self.parents[chain[-1]] >= 0:
            chain.append(self.parents[chain[-1]])
        return tuple(reversed(chain))

    def subtree(self, joint: int) -> Index:
        """`joint` and the N - 1 that hang below it, as indices (N,) in order."""
        inside = np.zeros(len(self), bool)
        inside[joint] = True
        for other in range(joint + 1, len(self)):
            parent = self.parents[other]
            inside[other] = parent >= 0 and inside[parent]
        return np.flatnonzero(inside)

    def reordered(self, order: Sequence[int]) -> Skeleton:
        """The same skeleton with its joints in the given order (parents before children).

        Raises:
            InputError: the order does not hold each joint once, or a child stands before its parent.
        """
        if sorted(order) != list(range(len(self))):
            raise InputError(f"skeleton: an order must hold each joint once, 0 to {len(self) - 1}")
        place = {old: new for new, old in enumerate(order)}
        return Skeleton(
            names=tuple(self.names[j] for j in order),
            parents=tuple(place.get(self.parents[j], -1) for j in order),
            rest_translation=self.rest_translation[list(order)],
            rest_rotation=self.rest_rotation[list(order)],
            tip_joints=tuple(place[j] for j in self.tip_joints),
            tip_offsets=self.tip_offsets,
        )
