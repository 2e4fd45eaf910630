"""When a sensor died: arrays only."""

from __future__ import annotations

import numpy as np

from ..base.checks import Array
from ..maths import quat
from ..maths.series import runs
from .denoise import noise_deviation
from .frozen import MAX_REPEAT_DIFFERENCE, MIN_MOVING_NOISE_RAD

_MIN_DEAD_S = 1.0  # shorter runs are frozen frames
_MIN_ALIVE_S = 0.5  # less of the take cannot show that the sensor carried noise
_MAX_REPEATS = 0.25  # of the last run of equal values, that any earlier one may be long
# (common practice, no source; on the open motions none is found)


def find_death(rotations: Array, rate: float) -> int | None:
    """The frame from which on a sensor repeats one value to the end, though it lived before; None without.

    A living sensor's rotations (F, 4), hemisphere-continuous, carry noise and never repeat themselves for
    so long. Tracks without noise, as an animator or a generator makes them, may rest; and a file that is
    rounded coarsely repeats itself all over.
    """
    same = 2 * quat.length(np.diff(rotations, axis=0)) < 2 * MAX_REPEAT_DIFFERENCE
    starts, stops = runs(same)
    if not len(starts) or stops[-1] != len(same):
        return None
    start, steps = int(starts[-1]), stops - starts
    if steps[-1] < _MIN_DEAD_S * rate or start < _MIN_ALIVE_S * rate:
        return None
    if steps[:-1].max(initial=0) > _MAX_REPEATS * steps[-1]:
        return None
    return start if 2 * noise_deviation(rotations[: start + 1]) > MIN_MOVING_NOISE_RAD else None
