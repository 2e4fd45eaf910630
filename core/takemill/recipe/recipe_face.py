"""What a recipe says of a character's face, and of other joints of its own: [characters.NAME.face]."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class FaceSpec:
    """Which animations of the character's file it plays beside the takes.

    Attributes:
        animation: the one that moves shapes of its meshes; "" for none.
        take: the take that they belong to; "" for the only one.
        offset_s: how much later they begin than the take, seconds; parts of a frame count.
        clap_s: the second of the animation at which the hands clap: it is put on the sharpest clap of the
            take, and `offset_s` comes on top. None for no clap.
        joints: the one that moves joints which the body leaves free: jaw, eyes, ears, fingers, props; "" for
            what `animation` moves of these.
        take_wins: whether a take that moves jaw, eyes, fingers or props itself moves them all the same.
    """

    animation: str = ""
    take: str = ""
    offset_s: float = 0.0
    clap_s: float | None = None
    joints: str = ""
    take_wins: bool = False

    def __bool__(self) -> bool:
        return bool(self.animation or self.joints)
