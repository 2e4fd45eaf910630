"""Fewer and smaller keys, within a bound of what they move in model space.

1. The bounds are shared out among the channels, by what keys cost there and how far an error is felt.
2. Each channel takes the longest spans that its share allows, one after the other (`key_times.reaches`).
   Channels whose keys lie much alike take the same, and so have their times in common (`key_times.share`).
3. Values are fitted to the motion, rounded as the file rounds them, and played by all channels together.
4. Where that moves something too far, the channels with a large part in it get more keys or more digits,
   and step 3 is done again.

All of it happens for many clips of a skeleton at once, and for no clip otherwise than alone.
"""

from __future__ import annotations

import os
from collections.abc import Iterable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from . import kinematics, quat
from . import reduce_planes as planes
from .checks import Array, Index, Mask, expect_positive, expect_shape
from .clip_channels import ClipChannels
from .displacement import displacements, reaches
from .errors import InputError
from .key_times import halved, share, spans_of, walked
from .key_times import reaches as key_reaches
from .key_values import fitted, played
from .motion import Motion
from .reduce_planes import Planes
from .tracks import (
    LARGEST,
    Y_UP,
    Path,
    Storage,
    Track,
    as_read,
    dense_tracks,
    in_order,
    moving_channels,
    sampled,
    still_tracks,
)

__all__ = [
    "Path",
    "ReduceSettings",
    "Storage",
    "Track",
    "dense_tracks",
    "largest_error_m",
    "reduce_clips",
    "reduce_keys",
]

_STORAGES: tuple[Storage, ...] = ("float32", "int16", "int8")  # each smaller than the one before
_BYTES = np.array([16, 8, 4])
_SCALES = np.array([0, *(LARGEST[storage] for storage in _STORAGES[1:])], np.float32)  # 0: not rounded
_PLACE_BYTES = 12
# The part of the bounds that is spent on frames. Between frames a displacement can pass that by a hair, and
# a reader that plays rounded rotations without bringing them to unit length stretches bones by up to 0.006 %.
_SPENT = 0.94
_INT8_PART = 0.65  # of the bound that rounding to 8 bits may take
_INT8_LEAST = 0.004  # radians: some rotation of any curve is rounded by more than this to 8 bits
_INT8_LENGTH = 0.0075  # the Khronos validator takes a rotation for a unit quaternion within 0.00769
_ROUNDS = 40
_BATCH = 1024  # frames that are worked on together, so that they stay in the processor's cache


@dataclass(frozen=True)
class ReduceSettings:
    """How far played keys may lie from the motion.

    Attributes:
        max_error_m: the largest displacement in model space of any joint, of what lies within its
            reach, and of its tips, metres.
        planted_error_m: the same for joints in contact, where the eye forgives less; metres.
        max_error_deg: the largest turn of any joint in model space, degrees.
        probe_m: the reach of a joint, metres; less where all its bones are shorter.
        storage: "smallest" lets rotations be 8- or 16-bit integers, which glTF knows without
            extensions; "float32" keeps them as floats.
    """

    max_error_m: float = 0.0005
    planted_error_m: float = 0.00025
    max_error_deg: float = 1.0
    probe_m: float = 0.1
    storage: Literal["smallest", "float32"] = "smallest"

    def __post_init__(self) -> None:
        for name in ("max_error_m", "planted_error_m", "max_error_deg", "probe_m"):
            expect_positive(getattr(self, name), name)
        if self.storage not in ("smallest", "float32"):
            raise InputError(f"storage: expected 'smallest' or 'float32', got {self.storage!r}")


def reduce_keys(
    motion: Motion,
    settings: ReduceSettings | None = None,
    planted: Mask | None = None,
    travelling: int | None = None,
) -> tuple[Track, ...]:
    """The keys that keep the motion within the settings' bounds, as a reader of the file plays them.

    The first and the last frame are always keys, so that a loop stays closed. Channels that stand still
    take one key, or none at rest. Where the bounds are finer than float32, every frame is a key.

    Args:
        motion: the clip.
        settings: the bounds.
        planted: (F, J) joints in contact, for `planted_error_m`.
        travelling: a joint that takes its turn along into the next cycle of a loop. It stays float32: 16 bits
            round a turn by up to 6e-5 radians, which in ten strides of a walk leads 3 mm astray.

    Raises:
        InputError: `planted` has another shape than the motion.
    """
    return reduce_clips([motion], settings, [planted], [travelling])[0]


def reduce_clips(
    motions: Sequence[Motion],
    settings: ReduceSettings | None = None,
    planted: Sequence[Mask | None] | None = None,
    travelling: Sequence[int | None] | None = None,
) -> list[tuple[Track, ...]]:
    """As `reduce_keys`, of many clips; where they share a skeleton, several times quicker than one by one.

    Args:
        motions: the clips.
        settings: the bounds, of all.
        planted: for each clip, (F, J) joints in contact, or None.
        travelling: for each clip, the joint that takes its turn along, or None.

    Raises:
        InputError: a mask of `planted` has another shape than its motion.
    """
    settings = settings or ReduceSettings()
    bounds = [_bound(m, settings, p) for m, p in zip(motions, planted or [None] * len(motions), strict=True)]
    joints = list(travelling or [None] * len(motions))
    out: list[tuple[Track, ...]] = [() for _ in motions]

    def reduce_batch(chosen: list[int]) -> None:
        clips = ClipChannels(
            [motions[i] for i in chosen],
            [_SPENT * bounds[i] for i in chosen],
            _SPENT * np.radians(settings.max_error_deg),
            settings.probe_m,
        )
        for place, tracks in _Reduction(clips, settings.storage, [joints[i] for i in chosen]).run():
            out[chosen[place]] = in_order([*still_tracks(motions[chosen[place]]), *tracks])

    with ThreadPoolExecutor(os.cpu_count()) as pool:  # numpy lets other threads run while it computes
        list(pool.map(reduce_batch, _batches(motions)))
    return [tracks or dense_tracks(motion) for tracks, motion in zip(out, motions, strict=True)]


def _bound(motion: Motion, settings: ReduceSettings, planted: Mask | None) -> Array:
    bound = np.full((len(motion), len(motion.skeleton)), settings.max_error_m)
    if planted is not None:
        expect_shape(planted, bound.shape, "planted")
        bound[planted] = min(settings.planted_error_m, settings.max_error_m)
    return bound


def _batches(motions: Sequence[Motion]) -> Iterator[list[int]]:
    """Clips of one skeleton and rate that have something to leave out, a cache full at a time."""
    alike: dict[tuple[object, ...], list[int]] = {}
    for i, motion in enumerate(motions):
        if len(motion) > 2 and np.any(moving_channels(motion)):
            rig = motion.skeleton
            tips = (rig.tip_joints, rig.tip_offsets.tobytes())
            key = (motion.rate, rig.names, rig.parents, rig.rest_translation.tobytes(), *tips)
            alike.setdefault(key, []).append(i)
    for group in alike.values():
        batch: list[int] = []
        frames = 0
        for i in group:
            if batch and frames + len(motions[i]) > _BATCH:
                yield batch
                batch, frames = [], 0
            batch.append(i)
            frames += len(motions[i])
        yield batch


class _Reduction:
    """The keys of some clips while they are sought.

    Attributes:
        keys: (C, T) the frames that are keys.
        group: (C, B) the channels of a clip that share their times have the same number.
        stored: (R, B) how the rotations of a channel are stored in a clip, a place in `_STORAGES`.
    """

    def __init__(self, clips: ClipChannels, storage: str, travelling: Sequence[int | None]) -> None:
        self.clips = clips
        self._ends = np.zeros(len(clips.clip), bool)
        self._ends[clips.starts] = self._ends[clips.stops - 1] = True
        joints = clips.order[clips.turning]
        exact = joints[:, None] == np.array([-1 if one is None else one for one in travelling])
        self.stored: Index = np.where(exact | (storage == "float32"), 0, self._smallest())
        self.group, self.keys = self._planned()

    def _smallest(self) -> Index:
        """The smallest numbers (R, B) that rotations may be rounded to."""
        clips = self.clips
        out = np.ones(clips.felt.shape, np.intp)
        chosen = np.flatnonzero((_INT8_PART * clips.felt >= _INT8_LEAST).any(axis=1))
        if len(chosen):
            curves = clips.rotations[:, chosen]
            stored = np.rint(curves * _SCALES[2]) / _SCALES[2]
            size = planes.dot(stored, stored)
            turn = planes.error(stored / np.sqrt(size), curves)
            turn = np.sqrt(planes.dot(turn, turn))
            # Readers need not bring rotations back to unit length; then they stretch by the square of it.
            felt = np.maximum.reduceat(turn + np.abs(size - 1), clips.starts, axis=1)
            most = np.maximum.reduceat(turn, clips.starts, axis=1)
            small = (felt <= _INT8_PART * clips.felt[chosen]) & (most <= clips.max_turn)
            out[chosen] = np.where(small, 2, 1)
        return out

    def _planned(self) -> tuple[Index, Mask]:
        """Who shares times and which frames are keys, by the error that is meant for each channel."""
        clips, count = self.clips, len(self.clips.turning)
        reach = np.concatenate(
            [
                key_reaches(clips.rotations, clips.allowed[:count], clips.last),
                key_reaches(clips.places, clips.allowed[count:], clips.last),
            ]
        )
        group = np.full((len(reach), len(clips.starts)), -1)  # -1: stands still
        for clip, (start, stop) in enumerate(zip(clips.starts, clips.stops, strict=True)):
            moving = np.flatnonzero(clips.moving[:, clip])
            widths = [*_BYTES[self.stored[:, clip]], *[_PLACE_BYTES] * len(clips.sliding)]
            found, reaches = share(reach[moving, start:stop], np.array(widths)[moving])
            group[moving, clip] = found
            reach[moving, start:stop] = reaches[found]
        dense = group == 0
        rows, numbers = np.nonzero(group > 0)
        keys = walked(reach, rows * len(clips.clip) + clips.starts[numbers])
        return group, keys | dense[:, clips.clip] | self._ends

    def run(self) -> Iterator[tuple[int, list[Track]]]:
        """Each clip's number and tracks; a clip whose bounds are finer than float32 is left out."""
        numbers = np.arange(len(self.clips.starts))
        for _ in range(_ROUNDS):
            values, places, far, made = self._played()
            worst = np.maximum.reduceat(far.max(axis=0), self.clips.starts)
            for clip, tracks in self._tracks(values, places, np.flatnonzero(worst <= 1)):
                yield int(numbers[clip]), tracks
            going = (worst > 1) & self._mend(self.clips.blamed(far, made))
            if not going.any():
                return
            if not going.all():
                numbers = numbers[going]
                self._keep(np.flatnonzero(going))

    def _keep(self, chosen: Index) -> None:
        """Go on with some clips (N,) alone."""
        frames = np.isin(self.clips.clip, chosen)
        self.clips = self.clips.of(chosen)
        self._ends, self.keys = self._ends[frames], self.keys[:, frames]
        self.group, self.stored = self.group[:, chosen], self.stored[:, chosen]

    def _played(self) -> tuple[Planes, Planes, Planes, Planes]:
        """Values of all keys, rotations (4, K) and places (3, K), and what `far` says of them."""
        clips, count = self.clips, len(self.clips.turning)
        frames = len(clips.clip)
        spans = spans_of(self.keys[:count])
        row, at = np.divmod(spans.keys, frames)
        values = planes.unit(fitted(clips.rotations.reshape(4, -1), spans, self._ends[at]))
        read = self._rounded(values, row, clips.clip[at])
        rotations = played(read, spans, count * frames).reshape(4, count, frames)
        spans = spans_of(self.keys[count:])
        places = fitted(clips.places.reshape(3, -1), spans, self._ends[spans.keys % frames])
        moved = played(places, spans, clips.places[0].size).reshape(clips.places.shape)
        return values, places, *clips.far(rotations, moved)

    def _rounded(self, values: Planes, row: Index, clip: Index) -> Planes:
        """What a reader makes of rotations (4, K); 16 bits where 8 would leave them far from unit length."""
        stored = self.stored[row, clip]
        small = np.flatnonzero(stored == 2)
        if len(small):
            eight = np.rint(values[:, small] * _SCALES[2]) / _SCALES[2]
            bad = small[np.abs(np.sqrt(planes.dot(eight, eight)) - 1) > _INT8_LENGTH]
            self.stored[row[bad], clip[bad]] = 1
            stored = self.stored[row, clip]
        scale = _SCALES[stored]
        whole = np.where(scale > 0, np.rint(values * scale), values)
        return planes.unit(whole)

    def _mend(self, blamed: Mask) -> Mask:
        """Add keys or digits where channels (C, T) are to blame; which clips (B,) that was possible for."""
        clips = self.clips
        guilty = np.logical_or.reduceat(blamed, clips.starts, axis=1)
        wide = blamed.copy()
        wide[:, 1:] |= blamed[:, :-1] & self.keys[:, :-1] & ~self._ends[:-1]
        wide[:, :-1] |= blamed[:, 1:] & self.keys[:, 1:] & ~self._ends[1:]
        for clip in np.flatnonzero(guilty.any(axis=0)):
            inside = slice(clips.starts[clip], clips.stops[clip])
            group = self.group[:, clip]
            for number in np.unique(group[guilty[:, clip]]):
                rows = np.flatnonzero(group == number)
                wide[rows, inside] = wide[rows, inside].any(axis=0)
        keys = halved(self.keys, wide)
        added = np.logical_or.reduceat((keys != self.keys).any(axis=0), clips.starts)
        self.keys = keys
        turning = guilty[: len(clips.turning)]
        more = turning & ((self.stored == 2) | ~added) & (self.stored > 0)
        self.stored = self.stored - more
        possible: Mask = added | more.any(axis=0)
        return possible

    def _tracks(self, values: Planes, places: Planes, done: Index) -> Iterator[tuple[int, list[Track]]]:
        """The keys of clips as tracks, in the core's axes."""
        clips, count = self.clips, len(self.clips.turning)
        frames = len(clips.clip)
        turned = values.T.astype(np.float64)
        x, y, z = places.astype(np.float64)
        roots = clips.roots
        at = [np.flatnonzero(mask) for mask in (self.keys[:count].ravel(), self.keys[count:].ravel())]
        rows = [np.arange(len(mask))[:, None] * frames for mask in (self.keys[:count], self.keys[count:])]
        lows = np.concatenate([np.searchsorted(at[i], rows[i] + clips.starts) for i in (0, 1)])
        highs = np.concatenate([np.searchsorted(at[i], rows[i] + clips.stops) for i in (0, 1)])
        when = [(places % frames).astype(np.float64) for places in at]
        root = np.isin(at[0] // frames, np.flatnonzero(roots[:count]))
        turned[root] = quat.mul(quat.inv(Y_UP), turned[root])
        turned = quat.normalize(turned)
        root = np.isin(at[1] // frames, np.flatnonzero(roots[count:]))
        slid = np.stack([x, np.where(root, -z, y), np.where(root, y, z)], axis=-1)
        joints = clips.order[np.concatenate([clips.turning, clips.sliding])].tolist()
        for clip in done:
            out = []
            for channel in np.flatnonzero(clips.moving[:, clip]):
                chosen = slice(lows[channel, clip], highs[channel, clip])
                joint, start = joints[channel], clips.starts[clip]
                if channel < count:
                    storage = _STORAGES[self.stored[channel, clip]]
                    out.append(Track(joint, "rotation", when[0][chosen] - start, turned[chosen], storage))
                else:
                    out.append(Track(joint, "translation", when[1][chosen] - start, slid[chosen]))
            yield int(clip), out


def largest_error_m(
    motion: Motion, tracks: Iterable[Track], settings: ReduceSettings | None = None, per_frame: int = 4
) -> float:
    """The largest displacement, metres, of tracks as a file plays them, seen `per_frame` times a frame."""
    settings = settings or ReduceSettings()
    skeleton = motion.skeleton
    frames = np.arange((len(motion) - 1) * per_frame + 1) / per_frame
    local_q = np.tile(skeleton.rest_rotation, (len(frames), 1, 1))
    local_p = np.tile(skeleton.rest_translation, (len(frames), 1, 1))
    for track in tracks:
        seconds = (track.frames / motion.rate).astype(np.float32)
        read = replace(track, frames=seconds.astype(np.float64) * motion.rate)
        if track.path == "rotation":
            values = as_read(skeleton, track.joint, track.values, track.storage)
            local_q[:, track.joint] = sampled(replace(read, values=values), frames)
        else:
            local_p[:, track.joint] = sampled(read, frames)
    rotations, positions = kinematics.model_from_local(skeleton.parents, local_q, local_p)
    right_q, right_p = motion.sampled(frames, motion.rate).model()
    turns = quat.log(quat.mul(rotations, quat.inv(right_q)))
    reach = reaches(skeleton, settings.probe_m)
    return float(displacements(skeleton, reach, right_q, positions - right_p, turns).max())
