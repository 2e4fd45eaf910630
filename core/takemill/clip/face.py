"""What a face plays: weights of a mesh's shapes over time, on the clock of a take."""

from __future__ import annotations

import re
from dataclasses import dataclass, replace

import numpy as np

from ..base.checks import Array, expect_finite, expect_positive, expect_shape, owned
from ..base.errors import InputError
from ..maths import series

_SIDE = re.compile(r"(?<=[a-z])(Left|Right)(?=[A-Z_.\d]|$)|^(left|right)(?=[A-Z_.])|(?<=[._])([LR])$")
_OTHER = {"Left": "Right", "Right": "Left", "left": "right", "right": "left", "L": "R", "R": "L"}


@dataclass(frozen=True)
class Face:
    """Weights of W shapes of one mesh in F frames.

    Attributes:
        mesh: the node that shows the mesh, by its name in the character's file.
        names: of the shapes (W).
        limits: (W, 2) the least and the largest weight that each may have.
        rate: frames per second.
        values: (F, W) weights.
        start_s: where the first frame lies, in seconds of the take; parts of a frame count.
    """

    mesh: str
    names: tuple[str, ...]
    limits: Array
    rate: float
    values: Array
    start_s: float = 0.0

    def __post_init__(self) -> None:
        who = f"face of {self.mesh!r}"
        object.__setattr__(self, "values", owned(self.values))
        object.__setattr__(self, "limits", owned(self.limits))
        expect_positive(self.rate, f"{who}: rate")
        count = len(self.names)
        twice = next((name for k, name in enumerate(self.names) if name in self.names[:k]), None)
        if twice is not None:
            raise InputError(f"{who}: two shapes are called {twice!r}; rename one of them")
        expect_shape(self.limits, (count, 2), f"{who}: limits")
        expect_shape(self.values, (None, count), f"{who}: weights")
        expect_finite(self.values, f"{who}: weights")
        if not len(self.values) or not count:
            raise InputError(f"{who}: it has no frames, or no shapes")

    def __len__(self) -> int:
        return len(self.values)

    def at(self, seconds: Array) -> Array:
        """Weights (N, W) at seconds (N,) of the take: straight between frames, still beyond the ends."""
        return series.sample_vectors(self.values, (np.asarray(seconds) - self.start_s) * self.rate)

    def within_limits(self, values: Array) -> Array:
        """Weights (F, W) that keep to the limits."""
        return np.clip(values, self.limits[:, 0], self.limits[:, 1])

    def mirrored(self) -> Face:
        """Left and right exchanged, where the names of two shapes say that they are a pair."""
        place = {name: k for k, name in enumerate(self.names)}
        order = [place.get(other_side(name), k) for k, name in enumerate(self.names)]
        return replace(self, values=self.values[:, order])


def other_side(name: str) -> str:
    """The name of a shape with its side exchanged; itself where it names none or several.

    "blinkLeft", "mouth_L", "leftBrow": how exporters write sides (common practice, no source).
    """
    found = list(_SIDE.finditer(name))
    if len(found) != 1:
        return name
    one = found[0]
    return name[: one.start()] + _OTHER[one.group()] + name[one.end() :]
