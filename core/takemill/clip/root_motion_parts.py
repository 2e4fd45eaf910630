"""Travel parted: the way over the floor, the turn and the height each go their own way."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from ..base.checks import Array
from ..base.errors import InputError
from ..body.body_map import BodyMap
from ..body.motion import Motion
from ..maths import quat
from .root_motion import MODES, Travel, apply_travel, with_travel, without_travel

WORDS = ("keep", "root", "remove")


@dataclass(frozen=True)
class TravelParts:
    """Where each part of a clip's travel goes: stays on the body, onto the root joint, or away.

    Attributes:
        planar: the way over the floor.
        turn: the heading.
        height: the rise and fall of the hips.
    """

    planar: str = "root"
    turn: str = "root"
    height: str = "keep"

    def __post_init__(self) -> None:
        for part in ("planar", "turn", "height"):
            if getattr(self, part) not in WORDS:
                raise InputError(
                    f"travel {part}: expected one of {', '.join(WORDS)}, got {getattr(self, part)!r}"
                )

    @classmethod
    def of(cls, mode: str) -> TravelParts:
        """The way and the turn as `mode` says ("keep", "root" or "in_place"); the height stays on the body.

        Raises:
            InputError: an unknown mode.
        """
        if mode not in MODES:
            raise InputError(f"travel mode {mode!r}: expected one of {', '.join(MODES)}")
        word = {"in_place": "remove"}.get(mode, mode)
        return cls(word, word)

    @property
    def mode(self) -> str:
        """One word for all: "root" when any part is on the root, else "in_place" when any is removed."""
        words = (self.planar, self.turn, self.height)
        return "root" if "root" in words else "in_place" if "remove" in words else "keep"

    def on_root(self, travel: Travel) -> Travel:
        """What of the whole travel the root joint does."""
        return self._chosen(travel, lambda word: word == "root")

    def left(self, travel: Travel) -> Travel:
        """What of the whole travel is left: kept on the body, or on the root joint."""
        return self._chosen(travel, lambda word: word != "remove")

    def _chosen(self, travel: Travel, wanted: Callable[[str], bool]) -> Travel:
        planar, turn, height = (float(wanted(word)) for word in (self.planar, self.turn, self.height))
        return Travel(travel.rate, travel.position * [planar, planar, height], travel.heading * turn)


def part_travel(motion: Motion, body: BodyMap, travel: Travel, parts: TravelParts) -> Motion:
    """The motion with each part of its travel where `parts` says.

    What goes onto the root joint (a new one where none is mapped) moves nothing in model space.

    Args:
        motion: of F frames.
        body: of its skeleton.
        travel: the whole root track (F,), from 0 on, as `travel.at_origin` gives it.
        parts: where they go.

    Raises:
        InputError: a track of another length.
    """
    if parts.mode == "keep":
        return motion
    if "remove" in (parts.planar, parts.turn, parts.height):
        motion = with_travel(without_travel(motion, travel), parts.left(travel))
    rooted = parts.on_root(travel)
    return apply_travel(motion, body, rooted, parts.mode)


def in_world(points: Array, travel: Travel, parts: TravelParts) -> Array:
    """Model-space points (F, ..., 3) of a clip whose travel was parted, with what was removed put back."""
    extra = (1,) * (points.ndim - 2)
    left = parts.left(travel)
    back, turn = (quat.from_yaw(yaw).reshape(-1, *extra, 4) for yaw in (-left.heading, travel.heading))
    bare = quat.rotate(back, points - left.position.reshape(-1, *extra, 3))
    return travel.position.reshape(-1, *extra, 3) + quat.rotate(turn, bare)


def put_back(motion: Motion, travel: Travel, parts: TravelParts) -> Motion:
    """A clip whose travel was parted, as it moved over the floor: what was removed is on it again."""
    if "remove" not in (parts.planar, parts.turn, parts.height):
        return motion
    return with_travel(without_travel(motion, parts.left(travel)), travel)


def on_the_spot(motion: Motion, body: BodyMap, travel: Travel, parts: TravelParts) -> Motion:
    """A clip whose travel was parted, without any of it; a mapped root joint rests."""
    return apply_travel(motion, body, parts.left(travel), "in_place")
