"""A tree of joints: as its file lays them, and as an upright body holds them."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property

import numpy as np

from ..base.checks import Array, Index, expect_finite, expect_shape, owned
from ..base.errors import InputError
from ..maths import kinematics, quat

_SAME_REST = 1e-4  # metres and radians that two files of one suit may differ by


@dataclass(frozen=True)
class Reference:
    """An upright pose of a skeleton, from which is read what bodies have in common.

    Attributes:
        rotation: (J, 4) in the parent's space; made unit.
        translation: (J, 3) in the parent's space, metres.
        origin: where it comes from, for a person: "rest", "frame 131", "walk.bvh" ...
        score: how upright it is, 0 to 1.
    """

    rotation: Array
    translation: Array
    origin: str = "rest"
    score: float = 1.0

    def __post_init__(self) -> None:
        object.__setattr__(self, "rotation", owned(quat.normalize(self.rotation)))
        object.__setattr__(self, "translation", owned(self.translation))


@dataclass(frozen=True)
class Skeleton:
    """Names, parents and rest pose of J joints; parents come before their children.

    The rest pose is what a file stores, whatever its author made of it; it counts for reading and writing.
    What a stage wants to know of the body (front, soles, hinges, sides) it reads from the reference pose.

    Attributes:
        names: (J,) unique joint names.
        parents: (J,) index of the parent, -1 for a root; `parents[j] < j`.
        rest_translation: (J, 3) in the parent's space, metres.
        rest_rotation: (J, 4) in the parent's space; made unit.
        tip_joints: (K,) the joint that each tip belongs to (a BVH end site, a bone's tail).
        tip_offsets: (K, 3) the tip in its joint's space, metres.
        sole_joints: (P,) a joint that a vertex of a sole hangs on, where a mesh shows them.
        sole_points: (P, 3) where that joint alone would have it, in the joint's space, metres.
        sole_vertices: (P,) the vertex's number; without any each row is a vertex of its own.
        sole_weights: (P,) how much it hangs on the joint; without any wholly.
        reference: an upright pose; None where the rest pose is one.
    """

    names: tuple[str, ...]
    parents: tuple[int, ...]
    rest_translation: Array
    rest_rotation: Array
    tip_joints: tuple[int, ...] = ()
    tip_offsets: Array = field(default_factory=lambda: np.zeros((0, 3)))
    reference: Reference | None = None
    sole_joints: tuple[int, ...] = ()
    sole_points: Array = field(default_factory=lambda: np.zeros((0, 3)))
    sole_vertices: tuple[int, ...] = ()
    sole_weights: Array = field(default_factory=lambda: np.zeros(0))

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
        if any(not 0 <= joint < count for joint in self.sole_joints):
            raise InputError("skeleton: a point of a sole belongs to no joint")
        if self.sole_joints and not self.sole_vertices:
            object.__setattr__(self, "sole_vertices", tuple(range(len(self.sole_joints))))
            object.__setattr__(self, "sole_weights", np.ones(len(self.sole_joints)))
        if min(self.sole_vertices, default=0) < 0 or len(self.sole_vertices) != len(self.sole_joints):
            raise InputError("skeleton: a point of a sole belongs to no vertex")
        for name, shape in (("rest_translation", (count, 3)), ("rest_rotation", (count, 4)),
                            ("tip_offsets", (len(self.tip_joints), 3)),
                            ("sole_points", (len(self.sole_joints), 3)),
                            ("sole_weights", (len(self.sole_joints),))):  # fmt: skip
            array = owned(getattr(self, name))
            expect_shape(array, shape, f"skeleton {name}")
            expect_finite(array, f"skeleton {name}")
            object.__setattr__(self, name, array)
        zero = ~self.rest_rotation.any(axis=-1)
        if zero.any():
            raise InputError(f"skeleton: the rest rotation of {self.names[int(zero.argmax())]!r} is zero")
        object.__setattr__(self, "rest_rotation", owned(quat.normalize(self.rest_rotation)))
        if self.reference is not None:
            expect_shape(self.reference.rotation, (count, 4), "skeleton reference rotation")
            expect_shape(self.reference.translation, (count, 3), "skeleton reference translation")

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
    def reference_rotation(self) -> Array:
        """The local rotations (J, 4) of the reference pose."""
        return self.rest_rotation if self.reference is None else self.reference.rotation

    @property
    def reference_translation(self) -> Array:
        """The local translations (J, 3) of the reference pose, metres."""
        return self.rest_translation if self.reference is None else self.reference.translation

    @property
    def reference_score(self) -> float:
        """How upright the reference pose is, 0 to 1; a rest pose that is one stands upright."""
        return 1.0 if self.reference is None else self.reference.score

    @cached_property
    def reference_model(self) -> tuple[Array, Array]:
        """The reference pose in model space: rotations (J, 4) and positions (J, 3), metres."""
        if self.reference is None:
            return self.rest_model
        rotations, positions = kinematics.model_from_local(
            self.parents, self.reference_rotation, self.reference_translation
        )
        return owned(rotations), owned(positions)

    @cached_property
    def reference_tips(self) -> Array:
        """Where the tips lie in the reference pose, in model space (K, 3), metres."""
        rotations, positions = self.reference_model
        joints = np.asarray(self.tip_joints, np.intp)
        return positions[joints] + quat.rotate(rotations[joints], self.tip_offsets)

    @property
    def height(self) -> float:
        """The largest extent of the reference pose's joints and tips along any axis, metres."""
        points = np.concatenate([self.reference_model[1], self.reference_tips])
        return float(np.ptp(points, axis=0).max())

    def with_reference(self, reference: Reference | None) -> Skeleton:
        """The same skeleton with another reference pose."""
        return replace(self, reference=reference)

    def part(self, joints: Sequence[int]) -> Skeleton:
        """The skeleton of some joints, in the order given, each below a parent that is among them or a root.

        A root among them keeps the transform that it has in its parent's space.
        """
        kept = list(joints)
        place = {old: new for new, old in enumerate(kept)}
        tips = [k for k, joint in enumerate(self.tip_joints) if joint in place]
        soles = [k for k, joint in enumerate(self.sole_joints) if joint in place]
        reference = self.reference
        if reference is not None:
            reference = replace(
                reference, rotation=reference.rotation[kept], translation=reference.translation[kept]
            )
        return Skeleton(
            tuple(self.names[j] for j in kept),
            tuple(place.get(self.parents[j], -1) for j in kept),
            self.rest_translation[kept],
            self.rest_rotation[kept],
            tuple(place[self.tip_joints[k]] for k in tips),
            self.tip_offsets[tips],
            reference,
            tuple(place[self.sole_joints[k]] for k in soles),
            self.sole_points[soles],
            tuple(self.sole_vertices[k] for k in soles),
            self.sole_weights[soles],
        )

    def difference(self, other: Skeleton, free: Collection[int] = ()) -> str:
        """What first tells another skeleton from this one, in words; "" where the same motions fit both.

        The places at rest of joints `free`, which a motion places anew in each frame, do not count.
        """
        odd = sorted({*self.names} ^ {*other.names})
        if odd:
            return f"only one of them has a joint {odd[0]!r}"
        away = np.abs(self.rest_translation - other.rest_translation).max(axis=1)
        turned = quat.angle_between(self.rest_rotation, other.rest_rotation)
        for joint, name in enumerate(self.names):
            if other.names[joint] != name or other.parents[joint] != self.parents[joint]:
                return f"joint {name!r} hangs elsewhere"
            if max(0.0 if joint in free else away[joint], turned[joint]) > _SAME_REST:
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

    def under_root(self, name: str) -> Skeleton:
        """The same skeleton below a new joint `name` at the origin, which becomes joint 0."""
        none, unturned = np.zeros((1, 3)), quat.IDENTITY[None]
        reference = self.reference
        if reference is not None:
            reference = replace(
                reference,
                rotation=np.concatenate([unturned, reference.rotation]),
                translation=np.concatenate([none, reference.translation]),
            )
        return Skeleton(
            (name, *self.names),
            (-1, *(parent + 1 for parent in self.parents)),
            np.concatenate([none, self.rest_translation]),
            np.concatenate([unturned, self.rest_rotation]),
            tuple(joint + 1 for joint in self.tip_joints),
            self.tip_offsets,
            reference,
            tuple(joint + 1 for joint in self.sole_joints),
            self.sole_points,
            self.sole_vertices,
            self.sole_weights,
        )
