"""Where a node stands: turned, moved and scaled alike along all axes."""

from __future__ import annotations

from dataclasses import dataclass

from ..base.checks import Array
from ..maths import quat


@dataclass(frozen=True)
class Place:
    """A node's place: first scaled, then turned, then moved.

    Attributes:
        rotation: (4,) w x y z.
        translation: (3,).
        scale: the same along all axes.
    """

    rotation: Array
    translation: Array
    scale: float = 1.0

    def __matmul__(self, other: Place) -> Place:
        """The other place seen from where this one stands."""
        return Place(
            quat.mul(self.rotation, other.rotation), self.apply(other.translation), self.scale * other.scale
        )

    def apply(self, points: Array) -> Array:
        """Points (..., 3) from the node's space to the one it hangs in."""
        return self.scale * quat.rotate(self.rotation, points) + self.translation

    @property
    def inverse(self) -> Place:
        """The way back."""
        back = quat.inv(self.rotation)
        return Place(back, -quat.rotate(back, self.translation) / self.scale, 1 / self.scale)
