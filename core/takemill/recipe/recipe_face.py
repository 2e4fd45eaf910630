"""What a recipe says of a character's face: [characters.NAME.face]."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class FaceSpec:
    """Which animation of the character's file its face plays beside the takes.

    Attributes:
        animation: its name; "" for none.
        take: the take that it belongs to; "" for the only one.
        offset_s: how much later it begins than the take, seconds; parts of a frame count.
        clap_s: the second of the animation at which the hands clap: it is put on the sharpest clap of the
            take, and `offset_s` comes on top. None for no clap.
    """

    animation: str = ""
    take: str = ""
    offset_s: float = 0.0
    clap_s: float | None = None
