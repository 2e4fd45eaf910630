"""How a BVH file stores a motion: its channels, unit and axes."""

from __future__ import annotations

from dataclasses import dataclass

from ..base.checks import Array, expect_positive
from ..base.errors import InputError
from ..body.skeleton import Skeleton
from ..maths.axes import UP_AXES, from_z_up, to_z_up
from .bvh_text import CHANNELS

# The first three, and the last three.
POSITIONS, ROTATIONS = CHANNELS[:3], CHANNELS[3:]
_ROOT_CHANNELS = (*POSITIONS, "Zrotation", "Xrotation", "Yrotation")


@dataclass(frozen=True)
class BvhLayout:
    """How a file stores a motion, so that the same kind of file can be written back.

    Attributes:
        channels: (J,) the channel names of each joint, in the order of its numbers.
        unit_m: metres per file unit.
        up: the file's axis that points up, one of "Y", "Z", "X", "-Y", "-Z", "-X".
        offsets: joint and OFFSET in file units, where the motion has a bone of which the OFFSET says nothing.
        notes: what was read otherwise than it stands in the file, a sentence each.
    """

    channels: tuple[tuple[str, ...], ...]
    unit_m: float = 0.01
    up: str = "Y"
    offsets: tuple[tuple[int, tuple[float, float, float]], ...] = ()
    notes: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        expect_positive(self.unit_m, "BVH unit_m")
        if self.up not in UP_AXES:
            raise InputError(f"BVH up axis: expected one of {', '.join(UP_AXES)}, got {self.up!r}")
        for names in self.channels:
            if len(set(names)) < len(names) or not set(names) <= set(CHANNELS):
                raise InputError(
                    f"BVH channels: expected some of {', '.join(CHANNELS)}, each once, got {names}"
                )

    @classmethod
    def default(cls, skeleton: Skeleton) -> BvhLayout:
        """Centimetres, Y-up, positions for the roots only, rotations in the order Z X Y: common practice."""
        return cls(tuple(_ROOT_CHANNELS if p < 0 else _ROOT_CHANNELS[3:] for p in skeleton.parents))

    def to_model(self, vectors: Array) -> Array:
        """File units and axes (..., 3) -> Z-up metres."""
        return to_z_up(vectors * self.unit_m, self.up)

    def to_file(self, vectors: Array) -> Array:
        """Z-up metres (..., 3) -> file units and axes."""
        return from_z_up(vectors / self.unit_m, self.up)
