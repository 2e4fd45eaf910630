"""Joints that the rig lets bend about one axis: what they turn about the others is their sensor's error.

Knees and elbows of many rigs have one degree of freedom (the `dof` lines of Acclaim's ASF files, for
instance, give it to radius and tibia). The take itself shows it: such rotations lie on a great circle of the
unit quaternions, the intersection with a plane through the origin, and principal axes find the plane.
"""

from __future__ import annotations

import numpy as np

from ..base.checks import Array

# How far off their circle calm rotations may lie, in deviations of the noise: RMS, and in any frame, since a
# joint that twists once is no hinge; and how much further a hinge turns along its circle than off it. Trial:
# a third less or half as much again makes errors up to 1.3 % larger (sensitivity.py).
_MAX_RMS_OFF_PER_NOISE, _MAX_OFF_PER_NOISE, _MIN_SWING_PER_OFF = 0.75, 3.0, 20.0
_MAX_SAMPLES = 4096  # rotations that the plane is found from (chosen by eye)


def hold_on_hinge(rotations: Array, noise: float) -> Array:
    """Rotations (F, 4) put on the one axis that they turn about, if they do; else as they came.

    Args:
        rotations: (F, 4) hemisphere-continuous, without most of their noise.
        noise: standard deviation about one axis that their sensor had, radians.
    """
    some = rotations[:: max(len(rotations) // _MAX_SAMPLES, 1)]
    spread, axes = np.linalg.eigh(some.T @ some / len(some))
    across, along = 2 * np.sqrt(max(spread[0] + spread[1], 0.0)), 2 * np.sqrt(spread[2])
    if across > _MAX_RMS_OFF_PER_NOISE * noise or along < _MIN_SWING_PER_OFF * across:
        return rotations
    off = axes[:, :2].T @ rotations.T
    if 2 * np.sqrt(np.einsum("if,if->f", off, off).max()) > _MAX_OFF_PER_NOISE * noise:
        return rotations
    inside = axes[:, 2:].T @ rotations.T
    inside /= np.sqrt(np.einsum("if,if->f", inside, inside))
    held: Array = (axes[:, 2:] @ inside).T
    return held
