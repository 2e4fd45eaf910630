"""The meshes that hang on a skeleton, at rest, as arrays."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from ..base.checks import Array, Index, expect_finite, expect_shape, owned
from ..base.errors import InputError

HELD_BY = 4
"""Joints that a vertex hangs on at most, as games have it."""

# Points that are laid on triangles: a mesh of a game's character has 5,000 to 100,000 vertices.
_MAX_POINTS = 200_000


@dataclass(frozen=True)
class Skin:
    """The meshes that hang on a skeleton, at rest.

    Attributes:
        points: (V, 3) the vertices in the skeleton's model space, metres.
        joints: (V, 4) the joints that each hangs on.
        weights: (V, 4) how much it hangs on them; they sum to 1, or to 0 where it hangs on none.
        triangles: (T, 3) vertices; empty where the faces are not known.
    """

    points: Array
    joints: Index
    weights: Array
    triangles: Index = field(default_factory=lambda: np.zeros((0, 3), np.intp))

    def __post_init__(self) -> None:
        count = len(self.points)
        for name, width in (("points", 3), ("weights", HELD_BY)):
            array = owned(getattr(self, name))
            expect_shape(array, (count, width), f"skin {name}")
            expect_finite(array, f"skin {name}")
            object.__setattr__(self, name, array)
        for name, width, top in (("joints", HELD_BY, 2**31), ("triangles", 3, count)):
            given = np.array(getattr(self, name), np.intp).reshape(-1, width)
            if given.size and not 0 <= given.min() <= given.max() < top:
                raise InputError(f"skin {name}: an index is out of range")
            given.setflags(write=False)
            object.__setattr__(self, name, given)
        if len(self.joints) != count:
            raise InputError(f"skin: {count} points, and joints of {len(self.joints)}")

    def filled(self, spacing: float) -> tuple[Array, Index, Array]:
        """The vertices, and points on the triangles so that none is further than `spacing` from the next.

        Returns:
            Points (N, 3), joints (N, 4) and weights (N, 4); a point on a face hangs as its nearest corner.
        """
        corners = self.points[self.triangles]
        longest = np.zeros(len(corners))
        for k in range(3):
            longest = np.maximum(longest, np.linalg.norm(corners[:, k] - corners[:, k - 1], axis=1))
        steps = np.ceil(longest / spacing).astype(np.intp)
        points, owners = [self.points], [np.arange(len(self.points))]
        room = _MAX_POINTS
        for count in np.unique(steps[steps > 1]).tolist():
            laid = (count + 1) * (count + 2) // 2 - 3
            if laid > room:
                break  # this triangle and all larger ones keep their corners alone
            mine = np.flatnonzero(steps == count)[: room // laid]
            grid = np.array([(i, j, count - i - j) for i in range(count + 1) for j in range(count + 1 - i)])
            shares = grid[(grid < count).all(axis=1)] / count
            room -= len(mine) * laid
            points.append(np.einsum("nk,tki->tni", shares, corners[mine]).reshape(-1, 3))
            owners.append(self.triangles[mine][:, shares.argmax(axis=1)].ravel())
        owner = np.concatenate(owners)
        return np.concatenate(points), self.joints[owner], self.weights[owner]
