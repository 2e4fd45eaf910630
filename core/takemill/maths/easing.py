"""From 0 to 1 with level ends, and the cubic that meets two values with their slopes."""

from __future__ import annotations

from typing import NamedTuple, TypeVar

import numpy as np
from numpy.typing import NDArray

from ..base.checks import Array

Reals = TypeVar("Reals", NDArray[np.float64], NDArray[np.float32])


class Cubic(NamedTuple):
    """The cubic Hermite basis (...) on a span of length 1, beside 1 - `late` for the early value.

    Attributes:
        late: share of the value at the end.
        out_slope: what the slope at the start adds, per unit of it.
        in_slope: what the slope at the end adds, per unit of it; not above 0.
    """

    late: Array
    out_slope: Array
    in_slope: Array


def smoothstep(part: Reals) -> Reals:
    """0 to 1 with level ends (...), for parts (...) from 0 to 1."""
    return part * part * (3 - 2 * part)


def minimum_jerk(part: Array) -> Array:
    """0 to 1, flat to the second derivative at both ends, for parts (...); beyond 0 and 1 it stays there.

    Flash and Hogan, Journal of Neuroscience 5, 1985: the quintic of the least jerk from rest to rest.
    """
    part = np.clip(part, 0.0, 1.0)
    return np.asarray(part**3 * (10 - 15 * part + 6 * part * part))


def cubic_basis(part: Array) -> Cubic:
    """The Hermite basis (...) at parts (...), 0 to 1, of a span."""
    rest = 1 - part
    return Cubic(smoothstep(part), part * rest * rest, part * part * (part - 1))
