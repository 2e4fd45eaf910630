"""A pelvis rolled by a little, so that two straight legs both reach the floor that they stand on.

A nearly straight knee lengthens its leg by nothing: for a millimetre it turns by two to five degrees. Where
both feet stand, and one leg were a millimetre too short, it was rather the pelvis that a sensor had rolled by
a quarter of a degree.
"""

from __future__ import annotations

import numpy as np

from ..base.checks import Array, Mask
from ..maths import filters, quat

# No pelvis is rolled further by the noise that repair leaves, 0.3 degrees in the damaged takes of the tests.
_MAX_ROLL_RAD = np.radians(1.0)
_SMOOTHING_S = 0.05  # what legs differ by faster than that is their own tremble, and left to the knees
_STRAIGHT_SINE2 = 0.05  # sine squared of a knee's bend at which half of it is left to the knee: 13 degrees


def pelvis_roll(at: Array, rest: Array, known: Mask, rate: float) -> Array:
    """Turns (F, 4) in model space about the middle between the hips that let two straight legs reach.

    Args:
        at: (F, 2, 3, 3) hip, knee and ankle of both legs, metres.
        rest: (F, 2, 3) how far each ankle must go, metres.
        known: (F, 2) where feet stand.
        rate: frames per second.
    """
    hip, knee, ankle = np.moveaxis(at, 2, 0)
    thigh, shin, line = knee - hip, ankle - knee, hip - ankle
    squares = np.sum(thigh**2, axis=-1) * np.sum(shin**2, axis=-1)
    bend = np.sum(np.cross(thigh, shin) ** 2, axis=-1) / squares
    straight = (_STRAIGHT_SINE2 / (_STRAIGHT_SINE2 + bend)).min(axis=-1)
    # How far each hip must rise, so that its leg need not change its length.
    rise = np.sum(rest * line, axis=-1) / np.maximum(line[..., 2], 0.5 * np.linalg.norm(line, axis=-1))
    across = (hip[:, 0] - hip[:, 1]) * np.array([1.0, 1.0, 0.0])
    width = np.maximum(np.linalg.norm(across, axis=-1), 1e-9)
    angle = np.where(known.all(axis=1), straight * (rise[:, 0] - rise[:, 1]) / width, 0.0)
    angle = _MAX_ROLL_RAD * np.tanh(angle / _MAX_ROLL_RAD)
    half = max(round(_SMOOTHING_S * rate / 2), 1)
    for _ in range(2):
        angle = filters.moving_mean(angle, half)
    return quat.from_axis_angle(np.cross(across / width[:, None], np.array([0.0, 0.0, 1.0])), angle)
