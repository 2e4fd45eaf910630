"""JSON from files and fields that anybody may have written: of numbers that can be worked with."""

from __future__ import annotations

from typing import Any

from . import large_json

_MAX_DIGITS = 15  # of a whole number: as many as a float holds exactly
_MAX_NUMBER = 1e15  # of the same digits


def loads(data: bytes | str) -> Any:
    """The value of a JSON text.

    Raises:
        ValueError: it is no JSON, nests too deeply, or a number is not finite or of too many digits.
    """
    try:
        return large_json.loads(data, parse_int=_whole, parse_float=_real, parse_constant=_real)
    except RecursionError:
        raise ValueError("it is nested too deeply") from None


def _whole(text: str) -> int:
    if len(text) > _MAX_DIGITS:
        raise ValueError(f"a number of {len(text)} digits")
    return int(text)


def _real(text: str) -> float:
    value = float(text)
    if not abs(value) < _MAX_NUMBER:
        raise ValueError(f"{text[:20]} is no usable number")
    return value
