"""The keys of one channel of one joint, and how a file rounds them."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from ..base.checks import Array, Mask, expect_finite, expect_shape, owned
from ..base.errors import InputError
from ..body.motion import Motion
from ..maths import quat, series
from ..maths.easing import cubic_basis

Path = Literal["rotation", "translation"]
Storage = Literal["float32", "int16", "int8"]

WIDTHS: dict[Path, int] = {"rotation": 4, "translation": 3}  # components of a value
# What one is stored as (glTF 2.0, section 3.6.2.2, normalized integers); floats stay.
LARGEST_INTEGER: dict[Storage, int] = {"float32": 1, "int16": 32767, "int8": 127}
# Metres or quaternion components: what is left of equal numbers after float32 arithmetic.
MAX_SAME_DIFFERENCE = 1e-6


@dataclass(frozen=True)
class Track:
    """The N keys of one channel of one joint, in the axes of the motion that they were made of.

    Attributes:
        joint: the joint in its skeleton.
        path: "rotation" or "translation".
        frames: (N,) increasing frame numbers; 0 is the clip's start.
        values: (N, 4) unit quaternions or (N, 3) metres; between keys they are slerped or run straight.
        storage: how a file is to hold the values; integers only for rotations.
        slopes: (N, 2, 4 or 3), per frame: the values run on cubic curves with these slopes towards and away
            from each key.
    """

    joint: int
    path: Path
    frames: Array
    values: Array
    storage: Storage = "float32"
    slopes: Array | None = None

    def __post_init__(self) -> None:
        for name in ("frames", "values"):
            object.__setattr__(self, name, owned(getattr(self, name)))
        if self.slopes is not None:
            object.__setattr__(self, "slopes", owned(self.slopes))
            label = f"slopes of the {self.path} track of joint {self.joint}"
            expect_shape(self.slopes, (len(self.values), 2, *self.values.shape[1:]), label)
            expect_finite(self.slopes, label)
        frames, values = self.frames, self.values
        if (
            self.path not in WIDTHS
            or self.storage not in LARGEST_INTEGER
            or (self.path == "translation" and self.storage != "float32")
            or frames.ndim != 1
            or values.shape != (len(frames), WIDTHS[self.path])
            or not len(frames)
            or not (frames[0] >= 0 and frames[-1] < np.inf)
            or not (frames[1:] > frames[:-1]).all()
            or not np.isfinite(values).all()
        ):
            self._refuse(f"{self.path} track of joint {self.joint}")

    @classmethod
    def trusted(
        cls,
        joint: int,
        path: Path,
        frames: Array,
        values: Array,
        storage: Storage = "float32",
        slopes: Array | None = None,
    ) -> Track:
        """A track of good arrays, (N,) and (N, 3 or 4), that nobody else writes to: not looked at again."""
        out = object.__new__(cls)
        for array in (frames, values, slopes):
            if array is not None:
                array.setflags(write=False)
        out.__dict__.update(
            joint=joint, path=path, frames=frames, values=values, storage=storage, slopes=slopes
        )
        return out

    def _refuse(self, label: str) -> None:
        """Say what is wrong; clips have many tracks, so that it is looked for only where something is."""
        if self.path not in WIDTHS or self.storage not in LARGEST_INTEGER:
            raise InputError(f"{label}: unknown path or storage {self.storage!r}")
        if self.path == "translation" and self.storage != "float32":
            raise InputError(f"{label}: glTF holds translations as float32 only")
        expect_shape(self.frames, (None,), f"frames of the {label}")
        expect_shape(self.values, (len(self.frames), WIDTHS[self.path]), f"values of the {label}")
        expect_finite(self.frames, f"frames of the {label}")
        expect_finite(self.values, f"values of the {label}")
        raise InputError(f"{label}: its frames must begin at 0 or later and increase")


def turn_track(track: Track, rotation: Array, scale: float, shift: Array | None) -> Track:
    """A track as seen from elsewhere: scaled, and, with a shift (3,), turned by a rotation (4,) and shifted.

    Without a shift, its joint hangs on another, whose own track is turned.
    """
    turns = track.path == "rotation"
    if turns and shift is None:
        return track

    def seen(values: Array) -> Array:
        if turns:
            return quat.mul(rotation, values)
        return scale * values if shift is None else quat.rotate(rotation, scale * values)

    values, slopes = seen(track.values), None if track.slopes is None else seen(track.slopes)
    return replace(track, values=values if turns or shift is None else values + shift, slopes=slopes)


def dense_tracks(motion: Motion) -> tuple[Track, ...]:
    """Every frame of every channel that moves.

    A channel that keeps its rest value is left out and one that keeps another value gets one key. So
    that the clip keeps its length, joint 0 gets two keys where nothing moves at all.
    """
    frames = np.arange(len(motion), dtype=np.float64)
    turning, sliding = moving_channels(motion)
    tracks = still_tracks(motion)
    tracks += [
        Track(int(j), "translation", frames, motion.translation_of(int(j))) for j in np.flatnonzero(sliding)
    ]
    tracks += [Track(int(j), "rotation", frames, motion.rotations[:, j]) for j in np.flatnonzero(turning)]
    if not (turning.any() or sliding.any()):
        ends = np.unique([0, len(motion) - 1])
        tracks = [track for track in tracks if (track.joint, track.path) != (0, "rotation")]
        tracks.append(Track(0, "rotation", frames[ends], motion.rotations[ends, 0]))
    return sort_tracks(tracks)


def still_tracks(motion: Motion) -> list[Track]:
    """One key of every channel that stands still elsewhere than at rest."""
    skeleton = motion.skeleton
    turning, sliding = moving_channels(motion)
    first = motion.rotations[0]
    apart = [
        np.abs(first + sign * skeleton.rest_rotation).max(axis=-1) for sign in (1, -1)
    ]  # q and -q are one
    held = ~turning & (np.minimum(*apart) > MAX_SAME_DIFFERENCE)
    tracks = [Track(int(j), "rotation", np.zeros(1), first[j, None]) for j in np.flatnonzero(held)]
    for joint in (0, *motion.translations):
        place = motion.translation_of(joint)[:1]
        if not sliding[joint] and differs(place[0], skeleton.rest_translation[joint]):
            tracks.append(Track(joint, "translation", np.zeros(1), place))
    return tracks


def sort_tracks(tracks: Iterable[Track]) -> tuple[Track, ...]:
    """Tracks joint by joint, the rotation of each before its translation."""
    return tuple(sorted(tracks, key=lambda track: (track.joint, track.path)))


def moving_channels(motion: Motion) -> tuple[Mask, Mask]:
    """Which joints turn and which slide, both (J,): whose values are more than one value."""
    turning = _spread(motion.rotations) > MAX_SAME_DIFFERENCE
    sliding = np.zeros(len(turning), bool)
    for joint in (0, *motion.translations):
        sliding[joint] = _spread(motion.translation_of(joint)) > MAX_SAME_DIFFERENCE
    return turning, sliding


def _spread(values: Array) -> Array:
    """How far (...) values (F, ..., N) go from the first of them."""
    spread: Array = np.maximum(values.max(axis=0) - values[0], values[0] - values.min(axis=0)).max(axis=-1)
    return spread


def differs(value: Array, rest: Array) -> bool:
    """Whether a value (3 or 4) is another one than its rest; q and -q are one rotation."""
    gap = np.abs(value - rest).max()
    if len(value) == WIDTHS["rotation"]:
        gap = min(gap, np.abs(value + rest).max())
    return bool(gap > MAX_SAME_DIFFERENCE)


def as_read(rotations: Array, storage: Storage) -> Array:
    """What a reader of the file makes of rotations (..., 4): those are stored as integers, or as floats."""
    values = quat.normalize(rotations)
    return quat.normalize(np.round(values * LARGEST_INTEGER[storage])) if storage != "float32" else values


def sampled(track: Track, frames: Array) -> Array:
    """What a track plays (T, 3 or 4) at frame numbers (T,); its values as they are, before any rounding."""
    places = np.interp(frames, track.frames, np.arange(len(track.frames)))
    if track.slopes is not None and len(track.frames) > 1:
        low = np.minimum(places.astype(np.intp), len(track.frames) - 2)
        t, length = (places - low)[:, None], np.diff(track.frames)[low, None]
        a, b, c, d = track.values[low], track.values[low + 1], track.slopes[low, 1], track.slopes[low + 1, 0]
        cubic = cubic_basis(t)
        curve = a + (b - a) * cubic.late + length * (c * cubic.out_slope + d * cubic.in_slope)
        return quat.normalize(curve) if track.path == "rotation" else curve
    if track.path == "rotation":
        return series.sample_rotations(track.values, places)
    return series.sample_vectors(track.values, places)
