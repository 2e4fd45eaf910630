"""Quaternions and the numbers that a pose bone keeps in its own rotation mode.

Blender's Euler mode "XYZ" applies X first (R = Rz Ry Rx); its columns are always x, y, z. Axis-angle is
(angle, x, y, z). Quaternions are w x y z and are normalised before use.
"""

from __future__ import annotations

import numpy as np

from takemill.base.checks import Array
from takemill.maths import quat

# How many components a property has.
WIDTHS = {"rotation_quaternion": 4, "rotation_axis_angle": 4, "rotation_euler": 3}

_PATHS = {"QUATERNION": "rotation_quaternion", "AXIS_ANGLE": "rotation_axis_angle"}
_MIN_ANGLE_RAD = 1e-9  # radians; below it an axis-angle has no axis of its own


def path_of(mode: str) -> str:
    """The pose bone property that holds the rotation in `mode`."""
    return _PATHS.get(mode, "rotation_euler")


def width_of(mode: str) -> int:
    """How many numbers a rotation in `mode` has."""
    return WIDTHS[path_of(mode)]


def to_quaternions(values: Array, mode: str) -> Array:
    """Channel values (F, 3 or 4) of a bone in `mode` -> quaternions (F, 4)."""
    if mode == "QUATERNION":
        return quat.normalize(values)
    if mode == "AXIS_ANGLE":
        return quat.from_axis_angle(values[..., 1:], values[..., 0])
    return quat.from_euler(values[..., _columns(mode)], mode[::-1])


def from_quaternions(rotations: Array, mode: str) -> Array:
    """Quaternions (F, 4) -> channel values (F, 3 or 4) of a bone in `mode`, continuous in time."""
    if mode == "QUATERNION":
        return quat.continuous(rotations)
    if mode == "AXIS_ANGLE":
        return _axis_angles(rotations)
    columns = _columns(mode)
    angles = quat.continuous_euler(quat.to_euler(rotations, mode[::-1]))
    out = np.empty_like(angles)
    out[..., columns] = angles
    return out


def _columns(mode: str) -> list[int]:
    return ["XYZ".index(letter) for letter in reversed(mode)]


def _axis_angles(rotations: Array) -> Array:
    """Axis-angles (F, 4): a frame without a turn takes the axis before it, and an axis never flips over."""
    turns = quat.log(rotations)
    angle = np.linalg.norm(turns, axis=-1)
    moving = angle > _MIN_ANGLE_RAD
    axis = np.where(moving[:, None], turns / np.where(moving, angle, 1)[:, None], [0.0, 1.0, 0.0])
    if moving.any():
        last = np.maximum.accumulate(np.where(moving, np.arange(len(angle)), -1))
        axis = axis[np.where(last < 0, np.argmax(moving), last)]
    odd = np.zeros(len(angle), bool)
    odd[1:] = np.logical_xor.accumulate(np.einsum("fi,fi->f", axis[1:], axis[:-1]) < 0)
    sign = np.where(odd, -1.0, 1.0)
    return np.concatenate([np.unwrap(angle * sign)[:, None], axis * sign[:, None]], axis=-1)
