"""What a health check finds."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Finding:
    """One fault.

    Attributes:
        kind: "spike", "frozen", "still", "jitter", "skating", "floor" ...
        joint: its name; "" for the whole body.
        start, stop: frames, half-open.
        amount: how bad, in `unit`.
        unit: "deg", "mm", "cm/s" ...
        mended: whether a repair took it out.
        message: a sentence for a person.
    """

    kind: str
    joint: str
    start: int
    stop: int
    amount: float
    unit: str
    mended: bool
    message: str
