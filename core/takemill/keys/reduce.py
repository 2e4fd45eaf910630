"""Fewer and smaller keys, within a bound of what they move in model space.

1. The bounds are shared out among the channels, by what keys cost there and how far an error is felt.
2. Each channel takes the longest spans that its share allows, one after the other (`key_times.reaches`).
   Channels whose keys lie much alike take the same, and so share their times (`key_times.share_times`).
3. Values are fitted to the motion, rounded as the file rounds them, and played by all channels together.
4. Where that moves something too far, the channels with a large part in it get more keys or more digits,
   and step 3 is done again.

All of it happens for many clips of a skeleton at once, and for no clip otherwise than alone.
"""

from __future__ import annotations

import os
import sys
from collections.abc import Iterable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from ..base.checks import Array, Mask, expect_positive, expect_shape
from ..base.errors import InputError
from ..body.motion import Motion
from ..maths import kinematics, quat
from .clip_channels import ClipChannels
from .displacement import displacements, reaches
from .key_times import TIMES_JSON_BYTES
from .reduce_search import KEY_BYTES, KeySearch
from .tracks import (
    Path,
    Storage,
    Track,
    as_read,
    dense_tracks,
    moving_channels,
    sampled,
    sort_tracks,
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

# The part of the bounds that is spent on frames. Between frames a displacement can pass that by a hair, and
# a reader that plays rounded rotations without bringing them to unit length stretches bones by up to 0.006 %.
_FRAME_BOUND_SHARE = 0.94
_BATCH_FRAMES = 1024  # that are worked on together, so that they stay in the processor's cache
_TIGHTER_BOUND_SHARES = (0.8, 0.6, 0.4)  # tried in turn where cubic curves pass bounds between frames


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
        interpolation: "linear" for all readers; "cubic" for curves of the third degree, which some play
            wrongly; "smallest" for whichever of them takes fewer bytes, channel by channel.
        max_error_weight: the largest difference of a shape's weight, of which 1 is the whole shape.
    """

    max_error_m: float = 0.0005
    planted_error_m: float = 0.00025
    max_error_deg: float = 1.0
    probe_m: float = 0.1
    storage: Literal["smallest", "float32"] = "smallest"
    interpolation: Literal["linear", "cubic", "smallest"] = "linear"
    max_error_weight: float = 0.0005  # a lip that moves by 2 cm at weight 1 is off by 0.01 mm

    def __post_init__(self) -> None:
        for name in ("max_error_m", "planted_error_m", "max_error_deg", "probe_m", "max_error_weight"):
            expect_positive(getattr(self, name), name)
        if self.storage not in ("smallest", "float32"):
            raise InputError(f"storage: expected 'smallest' or 'float32', got {self.storage!r}")
        if self.interpolation not in ("linear", "cubic", "smallest"):
            raise InputError(
                f"interpolation: expected 'linear', 'cubic' or 'smallest', got {self.interpolation!r}"
            )


def reduce_keys(
    motion: Motion,
    settings: ReduceSettings | None = None,
    planted: Mask | None = None,
    root_joints: int | None = None,
) -> tuple[Track, ...]:
    """The keys that keep the motion within the settings' bounds, as a reader of the file plays them.

    The first and the last frame are always keys, so that a loop stays closed. Channels that stand still
    take one key, or none at rest. Where the bounds are finer than float32, every frame is a key.

    Args:
        motion: the clip, in the axes of the file.
        settings: the bounds.
        planted: (F, J) joints in contact, for `planted_error_m`.
        root_joints: a joint that takes its turn along into the next cycle of a loop. It stays float32: 16
            bits round a turn by up to 6e-5 radians, which in ten strides of a walk leads 3 mm astray.

    Raises:
        InputError: `planted` has another shape than the motion.
    """
    return reduce_clips([motion], settings, [planted], [root_joints])[0]


def reduce_clips(
    motions: Sequence[Motion],
    settings: ReduceSettings | None = None,
    planted: Sequence[Mask | None] | None = None,
    root_joints: Sequence[int | None] | None = None,
) -> list[tuple[Track, ...]]:
    """As `reduce_keys`, of many clips; where they share a skeleton, several times quicker than one by one.

    Args:
        motions: the clips, in the axes of the file, in which numbers are rounded.
        settings: the bounds, of all.
        planted: for each clip, (F, J) joints in contact, or None.
        root_joints: for each clip, the joint that takes its turn along, or None.

    Raises:
        InputError: a mask of `planted` has another shape than its motion.
    """
    settings = settings or ReduceSettings()
    bounds = [_bound(m, settings, p) for m, p in zip(motions, planted or [None] * len(motions), strict=True)]
    joints = list(root_joints or [None] * len(motions))
    out: list[tuple[Track, ...]] = [() for _ in motions]

    def reduced(chosen: list[int], how: ReduceSettings = settings, spent: float = _FRAME_BOUND_SHARE) -> None:
        clips = ClipChannels(
            [motions[i] for i in chosen],
            [spent * bounds[i] for i in chosen],
            spent * np.radians(how.max_error_deg),
            how.probe_m,
        )
        search = KeySearch(clips, how.storage, how.interpolation, [joints[i] for i in chosen])
        for place, tracks in search.run():
            out[chosen[place]] = sort_tracks([*still_tracks(motions[chosen[place]]), *tracks])

    with ThreadPoolExecutor(os.cpu_count()) as pool:  # numpy lets other threads run while it computes
        list(pool.map(reduced, _group_alike(motions)))
    for i, motion in enumerate(motions):
        tries = iter(
            [
                *((settings, spent) for spent in _TIGHTER_BOUND_SHARES),
                (replace(settings, interpolation="linear"), _FRAME_BOUND_SHARE),
            ]
        )
        while _bends_too_far(motion, out[i], bounds[i], settings):
            reduced([i], *next(tries))
    if settings.interpolation == "smallest":
        straight = reduce_clips(motions, replace(settings, interpolation="linear"), planted, root_joints)
        out = [min(pair, key=_count_bytes) for pair in zip(straight, out, strict=True)]
    return [tracks or dense_tracks(motion) for tracks, motion in zip(out, motions, strict=True)]


def _count_bytes(tracks: tuple[Track, ...]) -> int:
    """About what keys take in a file, but for the JSON that all take; no end of it where there are none."""
    times = {track.frames.tobytes() for track in tracks}
    sizes = [
        len(track.frames)
        * KEY_BYTES[track.storage if track.path == "rotation" else "place"]
        * (1 if track.slopes is None else 3)
        for track in tracks
    ]
    return sum(sizes) + sum(len(one) // 2 + TIMES_JSON_BYTES for one in times) if tracks else sys.maxsize


def _bends_too_far(
    motion: Motion, tracks: tuple[Track, ...], bound: Array, settings: ReduceSettings, per_frame: int = 4
) -> bool:
    """Whether cubic curves, which bend between frames where the motion does not, pass bounds (F, J) there."""
    if all(track.slopes is None for track in tracks):
        return False
    looks = np.arange((len(motion) - 1) * per_frame + 1) // per_frame
    return bool((_displace(motion, tracks, settings, per_frame) > bound[looks]).any())


def _bound(motion: Motion, settings: ReduceSettings, planted: Mask | None) -> Array:
    bound = np.full((len(motion), len(motion.skeleton)), settings.max_error_m)
    if planted is not None:
        expect_shape(planted, bound.shape, "planted")
        bound[planted] = min(settings.planted_error_m, settings.max_error_m)
    return bound


def _group_alike(motions: Sequence[Motion]) -> Iterator[list[int]]:
    """Clips of one skeleton and rate that have something to leave out, a cache full at a time."""
    alike: dict[tuple[object, ...], list[int]] = {}
    for i, motion in enumerate(motions):
        if len(motion) > 2 and np.any(moving_channels(motion)):
            rig = motion.skeleton
            tips = (rig.tip_joints, rig.tip_offsets.tobytes())
            key = (motion.rate, rig.names, rig.parents, rig.rest_translation.tobytes(), *tips)
            alike.setdefault(key, []).append(i)
    for group in alike.values():
        yield from batches(group, motions)


def batches(group: Sequence[int], motions: Sequence[Motion]) -> Iterator[list[int]]:
    """The clips of a group, by their places in `motions`, a cache full at a time."""
    batch: list[int] = []
    frames = 0
    for i in group:
        if batch and frames + len(motions[i]) > _BATCH_FRAMES:
            yield batch
            batch, frames = [], 0
        batch.append(i)
        frames += len(motions[i])
    if batch:
        yield batch


def largest_error_m(
    motion: Motion, tracks: Iterable[Track], settings: ReduceSettings | None = None, per_frame: int = 4
) -> float:
    """The largest displacement, metres, of tracks as a file plays them, seen `per_frame` times a frame."""
    return float(_displace(motion, tracks, settings or ReduceSettings(), per_frame).max())


def _displace(motion: Motion, tracks: Iterable[Track], settings: ReduceSettings, per_frame: int) -> Array:
    """The displacement (T, J) of each joint, metres, `per_frame` times a frame."""
    skeleton = motion.skeleton
    frames = np.arange((len(motion) - 1) * per_frame + 1) / per_frame
    local_q = np.tile(skeleton.rest_rotation, (len(frames), 1, 1))
    local_p = np.tile(skeleton.rest_translation, (len(frames), 1, 1))
    for track in tracks:
        seconds = (track.frames / motion.rate).astype(np.float32)
        read = replace(track, frames=seconds.astype(np.float64) * motion.rate)
        if track.path == "rotation":
            values = as_read(track.values, track.storage)
            local_q[:, track.joint] = sampled(replace(read, values=values), frames)
        else:
            local_p[:, track.joint] = sampled(read, frames)
    rotations, positions = kinematics.model_from_local(skeleton.parents, local_q, local_p)
    right_q, right_p = motion.sampled(frames, motion.rate).model()
    turns = quat.log(quat.mul(rotations, quat.inv(right_q)))
    reach = reaches(skeleton, settings.probe_m)
    return displacements(skeleton, reach, right_q, positions - right_p, turns)
