"""How large the target is beside the performer."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ..base.checks import Array


@dataclass(frozen=True)
class Scale:
    """Source metres to target metres: along the floor, and above it."""

    path: float
    height: float
    floor_m: float

    def apply(self, points: Array) -> Array:
        """Points (..., 3) of the source where the target should have them."""
        return (points - np.array([0.0, 0.0, self.floor_m])) * np.array([self.path, self.path, self.height])
