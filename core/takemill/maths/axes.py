"""The axis that points up in a file, and Z-up vectors and rotations out of its own and back.

Each way is a proper turn of the axes into each other, so no value loses a digit: Y up becomes (x, -z, y),
X up (y, z, x).
"""

from __future__ import annotations

import numpy as np

from ..base.checks import Array
from . import quat

# By the axis that points up: where our x, y and z come from, and with which sign; each is a rotation.
_TURNS: dict[str, tuple[list[int], list[float]]] = {
    "Y": ([0, 2, 1], [1.0, -1.0, 1.0]),
    "Z": ([0, 1, 2], [1.0, 1.0, 1.0]),
    "X": ([1, 2, 0], [1.0, 1.0, 1.0]),
    "-Y": ([0, 2, 1], [1.0, 1.0, -1.0]),
    "-Z": ([0, 1, 2], [1.0, -1.0, -1.0]),
    "-X": ([1, 2, 0], [1.0, -1.0, -1.0]),
}
UP_AXES = tuple(_TURNS)
"""The axes that may point up; the commonest first."""


def up_vector(up: str) -> Array:
    """The unit vector (3,) of an axis: "-Y" is (0, -1, 0)."""
    return from_z_up(np.array([0.0, 0.0, 1.0]), up)


def turn_to_z_up(up: str) -> Array:
    """The rotation (4,) that `to_z_up` does to vectors."""
    return quat.from_matrix(to_z_up(np.eye(3), up).T)


def to_z_up(vectors: Array, up: str) -> Array:
    """Vectors (..., 3) whose axis `up` points up -> Z-up."""
    order, signs = _TURNS[up]
    return vectors if up == "Z" else vectors[..., order] * np.array(signs)


def from_z_up(vectors: Array, up: str) -> Array:
    """The inverse of `to_z_up`, (..., 3) too."""
    order, signs = _TURNS[up]
    if up == "Z":
        return vectors
    out = np.empty_like(vectors)
    out[..., order] = vectors * np.array(signs)
    return out


def turns_to_z_up(rotations: Array, up: str) -> Array:
    """Rotations (..., 4) in axes of which `up` points up -> in Z-up ones."""
    return np.concatenate([rotations[..., :1], to_z_up(rotations[..., 1:], up)], axis=-1)


def turns_from_z_up(rotations: Array, up: str) -> Array:
    """The inverse of `turns_to_z_up`, (..., 4) too."""
    return np.concatenate([rotations[..., :1], from_z_up(rotations[..., 1:], up)], axis=-1)
