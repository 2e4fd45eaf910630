"""The surface of a body as capsules on its joints."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np

from ..base.checks import Array, Index, expect_finite, expect_shape, owned
from ..maths import quat
from .sitting import SitPoints

TRUNK = ("hips", "spine", "chest", "upperChest")
"""The parts of the trunk, from below."""


@dataclass(frozen=True)
class Capsules:
    """C capsules, each on a joint, for parts of a body.

    Attributes:
        parts: (C,) the part of the body that each stands for.
        joints: (C,) the joint that carries it.
        a, b: (C, 3) the ends of its segment in the joint's space, metres.
        radius: (C,) metres.
        from_mesh: (C,) whether the mesh shows it; else people's measures are taken.
        sitting: what the mesh shows of the part that is sat on; None where it shows nothing of it.
    """

    parts: tuple[str, ...]
    joints: tuple[int, ...]
    a: Array
    b: Array
    radius: Array
    from_mesh: tuple[bool, ...]
    sitting: SitPoints | None = None

    def __post_init__(self) -> None:
        count = len(self.parts)
        for name, shape in (("a", (count, 3)), ("b", (count, 3)), ("radius", (count,))):
            array = owned(getattr(self, name))
            expect_shape(array, shape, f"capsules {name}")
            expect_finite(array, f"capsules {name}")
            object.__setattr__(self, name, array)

    def of(self, *parts: str) -> Index:
        """The capsules (N,) of some parts, in their own order."""
        return np.array([k for k, part in enumerate(self.parts) if part in parts], np.intp)

    def placed(self, rotations: Array, positions: Array, only: Index | None = None) -> tuple[Array, Array]:
        """Where the capsules' segments end (..., C, 3) twice, for joints in model space.

        Args:
            rotations: (..., J, 4).
            positions: (..., J, 3), metres.
            only: the capsules that are wanted; all when None.
        """
        chosen = np.arange(len(self.parts)) if only is None else only
        joints = np.array(self.joints, np.intp)[chosen]
        turned, at = rotations[..., joints, :], positions[..., joints, :]
        return at + quat.rotate(turned, self.a[chosen]), at + quat.rotate(turned, self.b[chosen])

    def joined(self, others: Iterable[Capsules]) -> Capsules:
        """These capsules and others'."""
        everyone = (self, *others)
        return Capsules(
            tuple(part for one in everyone for part in one.parts),
            tuple(joint for one in everyone for joint in one.joints),
            np.concatenate([one.a for one in everyone]),
            np.concatenate([one.b for one in everyone]),
            np.concatenate([one.radius for one in everyone]),
            tuple(known for one in everyone for known in one.from_mesh),
            next((one.sitting for one in everyone if one.sitting is not None), None),
        )

    def without(self, parts: Iterable[str]) -> Capsules:
        """The capsules of all other parts."""
        left_out = set(parts)
        kept = [k for k, part in enumerate(self.parts) if part not in left_out]
        return Capsules(
            tuple(self.parts[k] for k in kept),
            tuple(self.joints[k] for k in kept),
            self.a[kept],
            self.b[kept],
            self.radius[kept],
            tuple(self.from_mesh[k] for k in kept),
            self.sitting,
        )
