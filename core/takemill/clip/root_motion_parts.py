"""Root motion split: path over the floor, turn and height are each kept, put on the root or removed."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from ..base.checks import Array
from ..base.errors import InputError
from ..body.body_map import BodyMap
from ..body.motion import Motion
from ..maths import quat
from .root_motion import MODES, RootMotion, apply_root_motion, with_root_motion, without_root_motion

WORDS = ("keep", "root", "remove")


@dataclass(frozen=True)
class RootMotionParts:
    """Where each part of a clip's root motion goes: stays on the body, moves the root joint, or is removed.

    Attributes:
        planar: the path over the floor.
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
                    f"root motion {part}: expected one of {', '.join(WORDS)}, got {getattr(self, part)!r}"
                )

    @classmethod
    def of(cls, mode: str) -> RootMotionParts:
        """The path and the turn as `mode` says ("keep", "root" or "in_place"); the height stays on the body.

        Raises:
            InputError: an unknown mode.
        """
        if mode not in MODES:
            raise InputError(f"root motion mode {mode!r}: expected one of {', '.join(MODES)}")
        word = {"in_place": "remove"}.get(mode, mode)
        return cls(word, word)

    @property
    def mode(self) -> str:
        """One word for all: "root" when any part is on the root, else "in_place" when any is removed."""
        words = (self.planar, self.turn, self.height)
        return "root" if "root" in words else "in_place" if "remove" in words else "keep"

    def root_part(self, root_motion: RootMotion) -> RootMotion:
        """What of the whole root motion the root joint does."""
        return self._select(root_motion, lambda word: word == "root")

    def remaining(self, root_motion: RootMotion) -> RootMotion:
        """What of the whole root motion the clip still has: on the body, or on the root joint."""
        return self._select(root_motion, lambda word: word != "remove")

    def _select(self, root_motion: RootMotion, wanted: Callable[[str], bool]) -> RootMotion:
        planar, turn, height = (float(wanted(word)) for word in (self.planar, self.turn, self.height))
        return RootMotion(
            root_motion.rate, root_motion.position * [planar, planar, height], root_motion.heading * turn
        )


def split_root_motion(
    motion: Motion, body: BodyMap, root_motion: RootMotion, parts: RootMotionParts
) -> Motion:
    """The motion with each part of its root motion where `parts` says.

    What goes onto the root joint (a new one where none is mapped) moves nothing in model space.

    Args:
        motion: of F frames.
        body: of its skeleton.
        root_motion: the whole root track (F,), from 0 on, as `root_motion.move_to_origin` gives it.
        parts: where they go.

    Raises:
        InputError: a track of another length.
    """
    if parts.mode == "keep":
        return motion
    if "remove" in (parts.planar, parts.turn, parts.height):
        motion = with_root_motion(without_root_motion(motion, root_motion), parts.remaining(root_motion))
    rooted = parts.root_part(root_motion)
    return apply_root_motion(motion, body, rooted, parts.mode)


def restore_points(points: Array, root_motion: RootMotion, parts: RootMotionParts) -> Array:
    """Model-space points (F, ..., 3) of a clip, with what was removed of its root motion put back."""
    extra = (1,) * (points.ndim - 2)
    remaining = parts.remaining(root_motion)
    back, turn = (
        quat.from_yaw(yaw).reshape(-1, *extra, 4) for yaw in (-remaining.heading, root_motion.heading)
    )
    bare = quat.rotate(back, points - remaining.position.reshape(-1, *extra, 3))
    return root_motion.position.reshape(-1, *extra, 3) + quat.rotate(turn, bare)


def restore_root_motion(motion: Motion, root_motion: RootMotion, parts: RootMotionParts) -> Motion:
    """A clip whose root motion was split, as it moved over the floor: what was removed is on it again."""
    if "remove" not in (parts.planar, parts.turn, parts.height):
        return motion
    return with_root_motion(without_root_motion(motion, parts.remaining(root_motion)), root_motion)


def remove_remaining(
    motion: Motion, body: BodyMap, root_motion: RootMotion, parts: RootMotionParts
) -> Motion:
    """A clip whose root motion was split, without what it still has of it; a mapped root joint rests."""
    return apply_root_motion(motion, body, parts.remaining(root_motion), "in_place")
