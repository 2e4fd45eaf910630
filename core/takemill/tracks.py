"""The keys of one channel of one joint, and how a file rounds them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from . import quat, series
from .checks import Array, expect_finite, expect_shape, owned
from .errors import InputError
from .motion import Motion
from .skeleton import Skeleton

Path = Literal["rotation", "translation"]
Storage = Literal["float32", "int16", "int8"]

WIDTHS: dict[Path, int] = {"rotation": 4, "translation": 3}
LARGEST: dict[Storage, int] = {"float32": 1, "int16": 32767, "int8": 127}
SAME = 1e-6  # metres or quaternion components: what is left of equal numbers after float32 arithmetic

# Turns (x, y, z) into (x, z, -y): glTF is Y-up. It stands here and not in the writer because rounding to
# integers happens in the file's axes, and whoever bounds the error must see the same rounding.
Y_UP = np.array([1.0, -1.0, 0.0, 0.0]) / np.sqrt(2)


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
        if self.path not in WIDTHS or self.storage not in LARGEST:
            raise InputError(f"{label}: unknown path or storage {self.storage!r}")
        if self.path == "translation" and self.storage != "float32":
            raise InputError(f"{label}: glTF holds translations as float32 only")
        expect_shape(self.frames, (None,), f"frames of the {label}")
        expect_shape(self.values, (len(self.frames), WIDTHS[self.path]), f"values of the {label}")
        expect_finite(self.frames, f"frames of the {label}")
        expect_finite(self.values, f"values of the {label}")
        if len(self.frames) == 0 or self.frames[0] < 0 or np.any(np.diff(self.frames) <= 0):
            raise InputError(f"{label}: its frames must begin at 0 or later and increase")


def dense_tracks(motion: Motion) -> tuple[Track, ...]:
    """Every frame of every channel that moves.

    A channel that keeps its rest value is left out and one that keeps another value gets one key. So
    that the clip keeps its length, joint 0 gets two keys where nothing moves at all.
    """
    frames = np.arange(len(motion), dtype=np.float64)
    tracks = []
    for joint, path, values, rest in channels(motion):
        if moves(values):
            tracks.append(Track(joint, path, frames, values))
        elif differs(values[0], rest):
            tracks.append(Track(joint, path, frames[:1], values[:1]))
    if not any(len(track.frames) > 1 for track in tracks):
        ends = np.unique([0, len(motion) - 1])
        tracks = [track for track in tracks if (track.joint, track.path) != (0, "rotation")]
        tracks.insert(0, Track(0, "rotation", frames[ends], motion.rotations[ends, 0]))
    return tuple(tracks)


def channels(motion: Motion) -> list[tuple[int, Path, Array, Array]]:
    """Joint, path, values (F, 3 or 4) and rest value of each channel, joint by joint."""
    skeleton = motion.skeleton
    out: list[tuple[int, Path, Array, Array]] = []
    for joint in range(len(skeleton)):
        if joint == 0 or joint in motion.translations:
            out.append((joint, "translation", motion.translation_of(joint), skeleton.rest_translation[joint]))
        out.append((joint, "rotation", motion.rotations[:, joint], skeleton.rest_rotation[joint]))
    return out


def moves(values: Array) -> bool:
    """Whether values (F, 3 or 4) are more than one value."""
    return bool(np.abs(values - values[0]).max() > SAME)


def differs(value: Array, rest: Array) -> bool:
    """Whether a value (3 or 4) is another one than its rest; q and -q are one rotation."""
    gap = np.abs(value - rest).max()
    if len(value) == WIDTHS["rotation"]:
        gap = min(gap, np.abs(value + rest).max())
    return bool(gap > SAME)


def in_file_axes(skeleton: Skeleton, joint: int, path: Path, values: Array) -> Array:
    """Local values (..., 3 or 4) of a joint in glTF's axes: a joint without a parent is turned to Y-up."""
    if skeleton.parents[joint] >= 0:
        return values
    return quat.mul(Y_UP, values) if path == "rotation" else quat.rotate(Y_UP, values)


def rounded(rotations: Array, storage: Storage) -> Array:
    """The numbers (..., 4) that a file holds for quaternions (..., 4) in its axes: integers, or floats."""
    values = quat.normalize(rotations)
    return np.round(values * LARGEST[storage]) if storage != "float32" else values


def as_read(skeleton: Skeleton, joint: int, rotations: Array, storage: Storage) -> Array:
    """What a reader of the file makes of rotations (..., 4) of a joint, back in the core's axes."""
    read = quat.normalize(rounded(in_file_axes(skeleton, joint, "rotation", rotations), storage))
    return read if skeleton.parents[joint] >= 0 else quat.mul(quat.inv(Y_UP), read)


def sampled(track: Track, frames: Array) -> Array:
    """What a track plays (T, 3 or 4) at frame numbers (T,); its values as they are, before any rounding."""
    places = np.interp(frames, track.frames, np.arange(len(track.frames)))
    if track.path == "rotation":
        return series.sample_rotations(track.values, places)
    return series.sample_vectors(track.values, places)
