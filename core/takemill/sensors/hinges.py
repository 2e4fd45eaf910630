"""Joints that the rig lets bend about one axis: what they turn about the others is their sensor's error.

Knees and elbows of many rigs have one degree of freedom (the `dof` lines of Acclaim's ASF files, for
instance, give it to radius and tibia). The take itself tells: such rotations lie on a great circle of the
unit quaternions, the intersection with a plane through the origin, and principal axes find the plane.
"""

from __future__ import annotations

import numpy as np

from ..base.checks import Array

_ACROSS = 0.75  # of the noise that calm rotations may lie off their circle, RMS
_FURTHEST = 3.0  # of the noise that any frame may: a joint that twists once is no hinge
_SWING = 20.0  # times as far as across it, a hinge turns along its circle
_SAMPLES = 4096  # rotations that tell the plane


def hold_on_hinge(rotations: Array, noise: float) -> Array:
    """Rotations (F, 4) put on the one axis that they turn about, if they do; else as they came.

    Args:
        rotations: (F, 4) hemisphere-continuous, without most of their noise.
        noise: standard deviation about one axis that their sensor had, radians.
    """
    some = rotations[:: max(len(rotations) // _SAMPLES, 1)]
    spread, axes = np.linalg.eigh(some.T @ some / len(some))
    across, along = 2 * np.sqrt(max(spread[0] + spread[1], 0.0)), 2 * np.sqrt(spread[2])
    if across > _ACROSS * noise or along < _SWING * across:
        return rotations
    off = axes[:, :2].T @ rotations.T
    if 2 * np.sqrt(np.einsum("if,if->f", off, off).max()) > _FURTHEST * noise:
        return rotations
    inside = axes[:, 2:].T @ rotations.T
    inside /= np.sqrt(np.einsum("if,if->f", inside, inside))
    held: Array = (axes[:, 2:] @ inside).T
    return held
