"""Checks made once at a public door; inside, arrays are trusted."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from .errors import InputError

Array = NDArray[np.float64]
Single = NDArray[np.float32]
Mask = NDArray[np.bool_]
Index = NDArray[np.intp]


def owned(values: Any) -> Array:
    """A read-only float64 copy of `values`, so that no stage can change its caller's array."""
    array = np.array(values, dtype=np.float64)
    array.setflags(write=False)
    return array


def expect_shape(array: NDArray[Any], shape: tuple[int | None, ...], name: str) -> None:
    """Insist on `shape`; None stands for any length.

    Raises:
        InputError: the shape differs.
    """
    fits = array.ndim == len(shape) and all(
        want is None or want == got for want, got in zip(shape, array.shape, strict=True)
    )
    if not fits:
        wanted = ", ".join("any" if want is None else str(want) for want in shape)
        raise InputError(f"{name}: expected shape ({wanted}), got {array.shape}")


def expect_finite(array: NDArray[Any], name: str) -> None:
    """Insist on numbers that are neither NaN nor infinite; the first axis is named as the frame.

    Raises:
        InputError: a value is not finite.
    """
    bad = ~np.isfinite(array)
    if bad.any():
        place = tuple(int(i) for i in np.argwhere(bad)[0])
        raise InputError(f"{name}: value at {place} (frame first) is not a finite number")


def expect_positive(value: float, name: str) -> None:
    """Insist on a finite number above zero.

    Raises:
        InputError: it is zero, negative, NaN or infinite.
    """
    if not (np.isfinite(value) and value > 0):
        raise InputError(f"{name}: expected a number above 0, got {value}")
