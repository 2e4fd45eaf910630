"""A closed cycle of frames whose second difference over time shall change: what to add to each frame.

Values are rotations or vectors: `minus(a, b)` is the step (..., 3) from b to a, `plus(b, step)` its inverse.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ..base.checks import Array
from ..maths import quat

Minus = Callable[[Array, Array], Array]
Plus = Callable[[Array, Array], Array]

ROUNDS = 2
"""Of closing: the second closes what turns, which do not quite add up, leave of the first."""


def turn_step(a: Array, b: Array) -> Array:
    """The rotation vector (..., 3), seen from `b`, that leads from `b` to `a`, both (..., 4)."""
    return quat.log(quat.mul(quat.inv(b), a))


def apply_turn(q: Array, step: Array) -> Array:
    """Rotations (..., 4) after steps (..., 3) as `turn_step` gives them."""
    return quat.mul(q, quat.exp(step))


def solve_ring(change: Array, reach: float) -> Array:
    """What is added to each frame of a cycle (F, ...), so that its bend changes by this.

    The periodic step d that has the least sum of |bend of d - change|^2 + |d|^2 / reach^4; solved in
    the spectrum, in which a bend is a factor. A change that no closed cycle can have is spread evenly.
    """
    count = len(change)
    bend = 2 * np.cos(2 * np.pi * np.fft.rfftfreq(count)) - 2
    gain = np.divide(bend, bend**2 + reach**-4.0, out=np.zeros_like(bend), where=bend < 0)
    spectrum = np.fft.rfft(change, axis=0)
    return np.fft.irfft(spread_over(gain, spectrum) * spectrum, count, axis=0)


def spread_over(weights: NDArray[Any], values: NDArray[Any]) -> NDArray[Any]:
    """Weights (F,) shaped to go with values (F, ...)."""
    return weights.reshape(-1, *([1] * (values.ndim - 1)))
