"""Keys of a motion: which frames of which channels a file needs."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from .checks import Array, expect_finite, expect_positive, expect_shape, owned
from .errors import InputError
from .motion import Motion

Path = Literal["rotation", "translation"]
Storage = Literal["float32", "int16", "int8"]

WIDTHS = {"rotation": 4, "translation": 3}
STORAGES = ("float32", "int16", "int8")
_SAME = 1e-6  # metres or quaternion components: what is left of equal numbers after float32 arithmetic


@dataclass(frozen=True)
class Track:
    """The N keys of one channel of one joint, in the core's space (Z-up).

    Attributes:
        joint: the joint in its skeleton.
        path: "rotation" or "translation".
        frames: (N,) increasing frame numbers; 0 is the clip's start.
        values: (N, 4) unit quaternions or (N, 3) metres; between keys they are slerped or run straight.
        storage: how a file is to hold the values; integers only for rotations.
    """

    joint: int
    path: Path
    frames: Array
    values: Array
    storage: Storage = "float32"

    def __post_init__(self) -> None:
        for name in ("frames", "values"):
            object.__setattr__(self, name, owned(getattr(self, name)))
        label = f"{self.path} track of joint {self.joint}"
        if self.path not in WIDTHS or self.storage not in STORAGES:
            raise InputError(f"{label}: unknown path or storage {self.storage!r}")
        if self.path == "translation" and self.storage != "float32":
            raise InputError(f"{label}: glTF holds translations as float32 only")
        expect_shape(self.frames, (None,), f"frames of the {label}")
        expect_shape(self.values, (len(self.frames), WIDTHS[self.path]), f"values of the {label}")
        expect_finite(self.frames, f"frames of the {label}")
        expect_finite(self.values, f"values of the {label}")
        if len(self.frames) == 0 or self.frames[0] < 0 or np.any(np.diff(self.frames) <= 0):
            raise InputError(f"{label}: its frames must begin at 0 or later and increase")


@dataclass(frozen=True)
class ReduceSettings:
    """How far played keys may lie from the motion.

    Attributes:
        max_error_m: the largest displacement of any joint or tip in model space, metres.
    """

    max_error_m: float = 0.0005

    def __post_init__(self) -> None:
        expect_positive(self.max_error_m, "max_error_m")


def reduce_keys(motion: Motion, settings: ReduceSettings | None = None) -> tuple[Track, ...]:
    """The keys that keep the motion within `settings.max_error_m` everywhere, as slerp plays them."""
    del settings  # every frame is kept for now, which is within any bound
    return dense_tracks(motion)


def dense_tracks(motion: Motion) -> tuple[Track, ...]:
    """Every frame of every channel that moves.

    A channel that keeps its rest value is left out and one that keeps another value gets one key. So
    that the clip keeps its length, joint 0 gets two keys where nothing else moves.
    """
    frames = np.arange(len(motion), dtype=np.float64)
    tracks = []
    for joint, path, values, rest in _channels(motion):
        if np.abs(values - values[0]).max() > _SAME:
            tracks.append(Track(joint, path, frames, values))
        elif _differs(values[0], rest):
            tracks.append(Track(joint, path, frames[:1], values[:1]))
    if not any(len(track.frames) > 1 for track in tracks):
        ends = np.unique([0, len(motion) - 1])
        tracks = [track for track in tracks if (track.joint, track.path) != (0, "rotation")]
        tracks.insert(0, Track(0, "rotation", frames[ends], motion.rotations[ends, 0]))
    return tuple(tracks)


def _channels(motion: Motion) -> list[tuple[int, Path, Array, Array]]:
    """Joint, path, values (F, 3 or 4) and rest value of each channel, joint by joint."""
    skeleton = motion.skeleton
    out: list[tuple[int, Path, Array, Array]] = []
    for joint in range(len(skeleton)):
        if joint == 0 or joint in motion.translations:
            out.append((joint, "translation", motion.translation_of(joint), skeleton.rest_translation[joint]))
        out.append((joint, "rotation", motion.rotations[:, joint], skeleton.rest_rotation[joint]))
    return out


def _differs(value: Array, rest: Array) -> bool:
    """Whether a value is another one than its rest; a quaternion and its negative are one rotation."""
    gap = np.abs(value - rest).max()
    if len(value) == WIDTHS["rotation"]:
        gap = min(gap, np.abs(value + rest).max())
    return bool(gap > _SAME)
