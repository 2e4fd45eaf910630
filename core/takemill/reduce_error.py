"""How far the keys of many clips, as a file plays them, lie from their motions.

It asks the same as `displacement.displacements` at every look, in float64 as well, but some clips at a time,
with the components first (`reduce_planes`), and of tips only those that lie beyond their joint's reach: for
the others the reach stands. Between frames both sides run straight, so they are looked at there by the
poses on frames.
"""

from __future__ import annotations

import os
from collections.abc import Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from typing import NamedTuple

import numpy as np

from . import quat
from . import reduce_planes as planes
from .checks import Array, Index
from .displacement import reaches
from .motion import Motion
from .reduce import ReduceSettings, largest_error_m
from .reduce_planes import Planes
from .skeleton import Skeleton
from .tracks import LARGEST, Track, as_read, sampled

_PER_FRAME = 4
_BATCH = 1024  # frames that are worked on together, so that they stay in the processor's cache
_NEAR = 0.9  # the cosine of half a turn above which the series of slerp is exact to 1e-8
_SMALL = 1e-4  # half an angle below which straight lines are slerp to 1e-9 of it
_SERIES = 0.05  # the sine of half a turn up to which its series is exact to 1e-11 of it


def largest_errors_m(
    motions: Sequence[Motion], tracks: Sequence[Sequence[Track]], settings: ReduceSettings | None = None
) -> list[float]:
    """As `reduce.largest_error_m` of each clip; where they share a skeleton, several times quicker."""
    settings = settings or ReduceSettings()
    out = [0.0] * len(motions)
    alike: dict[tuple[object, ...], list[int]] = {}
    for i, (motion, keys) in enumerate(zip(motions, tracks, strict=True)):
        if len(motion) > 1 and all(_straight_on_frames(track, len(motion)) for track in keys):
            rig = motion.skeleton
            numbers = (rig.rest_translation, rig.rest_rotation, rig.tip_offsets)
            key = (rig.parents, rig.tip_joints, *(array.tobytes() for array in numbers))
            alike.setdefault(key, []).append(i)
        else:
            out[i] = largest_error_m(motion, keys, settings)

    def judge(chosen: list[int]) -> None:
        skeleton = motions[chosen[0]].skeleton
        sides = [_Sides.of(motions[i], tracks[i]) for i in chosen]
        whole = _Sides(*(np.concatenate(part, axis=-1) for part in zip(*sides, strict=True)))
        far = _farthest(skeleton, reaches(skeleton, settings.probe_m), whole)
        starts = np.cumsum([0, *(side.played.shape[-1] * _PER_FRAME for side in sides[:-1])])
        for start in starts[1:]:
            far[start - _PER_FRAME + 1 : start] = 0  # from one clip's end to the next one's beginning
        for i, most in zip(chosen, np.maximum.reduceat(far, starts), strict=True):
            out[i] = float(most)

    with ThreadPoolExecutor(os.cpu_count()) as pool:  # numpy lets other threads run while it computes
        list(pool.map(judge, (some for group in alike.values() for some in _batches(group, motions))))
    return out


def _straight_on_frames(track: Track, frames: int) -> bool:
    at = track.frames
    return track.slopes is None and bool((at == np.rint(at)).all()) and at[-1] < frames


def _batches(group: Sequence[int], motions: Sequence[Motion]) -> Iterator[list[int]]:
    batch: list[int] = []
    frames = 0
    for i in group:
        if batch and frames + len(motions[i]) > _BATCH:
            yield batch
            batch, frames = [], 0
        batch.append(i)
        frames += len(motions[i])
    if batch:
        yield batch


class _Sides(NamedTuple):
    """Local poses on frames, as played and as they should be: (4, J, F) rotations, (3, J, F) places."""

    played: Planes
    right: Planes
    played_at: Planes
    right_at: Planes

    @classmethod
    def of(cls, motion: Motion, tracks: Sequence[Track]) -> _Sides:
        skeleton, frames = motion.skeleton, np.arange(len(motion), dtype=np.float64)
        right = motion.rotations.transpose(2, 1, 0)
        played = np.empty(right.shape)
        played[:] = skeleton.rest_rotation.T[:, :, None]
        turning = [track for track in tracks if track.path == "rotation"]
        if turning:
            joints = [track.joint for track in turning]
            played[:, joints] = _played(skeleton, turning, len(motion), motion.rate)
        at = np.empty((2, 3, *right.shape[1:]))
        at[:] = skeleton.rest_translation.T[:, :, None]
        for joint in (0, *motion.translations):
            at[1, :, joint] = motion.translation_of(joint).T
        for track in tracks:
            if track.path == "translation":
                read = Track(track.joint, "translation", _read(track.frames, motion.rate), track.values)
                at[0, :, track.joint] = sampled(read, frames).T
        return cls(played, right, at[0], at[1])


def _read(frames: Array, rate: float) -> Array:
    """Frame numbers as float32 seconds tell them."""
    return (frames / rate).astype(np.float32).astype(np.float64) * rate


def _played(skeleton: Skeleton, tracks: Sequence[Track], frames: int, rate: float) -> Planes:
    """What R tracks of rotations play on whole frames (4, R, F)."""
    counts = np.array([len(track.frames) for track in tracks])
    stops = np.cumsum(counts)
    starts = stops - counts
    at = np.concatenate([track.frames for track in tracks])
    keyed = np.zeros((len(tracks), frames), np.intp)
    keyed[np.repeat(np.arange(len(tracks)), counts), at.astype(np.intp)] = 1
    low = np.clip(keyed.cumsum(axis=1) - 1 + starts[:, None], starts[:, None], stops[:, None] - 1)
    high: Index = np.minimum(low + 1, stops[:, None] - 1)
    values = _as_read(skeleton, tracks, counts).T
    when = _read(at, rate)
    every = np.arange(frames)
    part = (every - when[low]) / np.where(high > low, when[high] - when[low], 1)
    outside = (every < at[starts, None]) | (every > at[stops - 1, None])
    part = np.where(outside | (high == low), np.clip(part, 0, 1), part)
    return _slerp(values[:, low], values[:, high], part)


def _as_read(skeleton: Skeleton, tracks: Sequence[Track], counts: Index) -> Array:
    """What a reader of the file makes of all keys (K, 4), as `tracks.as_read` says it of one track."""
    largest = np.repeat([LARGEST[track.storage] for track in tracks], counts)[:, None]
    out = quat.normalize(np.concatenate([track.values for track in tracks]))
    out = quat.normalize(np.where(largest > 1, np.round(out * largest), out))
    for track, stop in zip(tracks, np.cumsum(counts), strict=True):
        if skeleton.parents[track.joint] < 0:
            read = as_read(skeleton, track.joint, track.values, track.storage)
            out[stop - len(read) : stop] = read
    return out


def _slerp(a: Planes, b: Planes, t: Planes | float) -> Planes:
    """The rotation (4, ...) at `t` (...) of the shortest way from `a` to `b`, at any angle."""
    cosine = planes.dot(a, b)
    if cosine.min(initial=1) > _NEAR:
        return planes.slerp(a, b, np.asarray(t))
    sign = np.where(cosine < 0, -1.0, 1.0)
    gap = b * sign - a
    half = 2 * np.arcsin(np.minimum(np.sqrt(planes.dot(gap, gap)) / 2, 1))  # half the turn
    size = np.where(half < _SMALL, 1.0, np.sin(half))
    early = np.where(half < _SMALL, 1 - t, np.sin((1 - t) * half) / size)
    late = np.where(half < _SMALL, t, np.sin(t * half) / size)
    out: Planes = a * early + b * (late * sign)
    return out


def _between(values: Planes) -> Planes:
    """Rotations (4, F) or places (3, F) on frames, and between them by slerp or straight lines (..., T)."""
    out = np.empty((len(values), (values.shape[1] - 1) * _PER_FRAME + 1))
    a, b = values[:, :-1], values[:, 1:]
    out[:, ::_PER_FRAME] = values
    for step in range(1, _PER_FRAME):
        part = step / _PER_FRAME
        out[:, step::_PER_FRAME] = _slerp(a, b, part) if len(values) == 4 else a + part * (b - a)
    return out


def _farthest(skeleton: Skeleton, reach: Array, local: _Sides) -> Array:
    """The largest displacement (T,) of any joint's ball and tips at each look, metres."""
    tips = [
        (joint, offset)
        for joint, offset in zip(skeleton.tip_joints, skeleton.tip_offsets, strict=True)
        if np.linalg.norm(offset) > reach[joint]
    ]
    done: list[tuple[Planes, Planes, Planes]] = []
    far = np.zeros((local.played.shape[-1] - 1) * _PER_FRAME + 1)
    for joint, parent in enumerate(skeleton.parents):
        played, right, played_at, right_at = (_between(part[:, joint]) for part in local)
        shift = played_at - right_at
        if parent >= 0:
            above_played, above_right, shifted = done[parent]
            shift = shifted + planes.rotate(above_played, played_at) - planes.rotate(above_right, right_at)
            played, right = planes.mul(above_played, played), planes.mul(above_right, right)
        done.append((played, right, shift))
        turn = _turn(played, right)
        np.maximum(far, _ball(shift, turn, reach[joint]), out=far)
        for offset in (offset for other, offset in tips if other == joint):
            moved = shift + planes.cross(turn, planes.rotate(right, offset[:, None]))
            np.maximum(far, np.sqrt(planes.dot(moved, moved)), out=far)
    return far


def _turn(played: Planes, right: Planes) -> Planes:
    """The rotation vectors (3, T) that lead from `right` to `played`, radians."""
    half = planes.error(played, right) / 2  # the vector part of their quotient
    size = np.sqrt(planes.dot(half, half))
    if size.max() < _SERIES:
        s = size * size
        return half * (2 * (1 + s * (1 / 6 + s * (3 / 40 + s * 15 / 336))))
    angle = 2 * np.arctan2(size, np.abs(planes.dot(played, right)))
    return half * np.divide(angle, size, out=np.full_like(size, 2.0), where=size > 0)


def _ball(shift: Planes, turn: Planes, radius: float) -> Planes:
    """As `displacement.ball_displacement`, (T,)."""
    angle = np.sqrt(planes.dot(turn, turn))
    along = np.divide(planes.dot(shift, turn), angle, out=np.zeros_like(angle), where=angle > 0)
    across = np.sqrt(np.maximum(planes.dot(shift, shift) - along * along, 0)) + angle * radius
    return np.sqrt(along * along + across * across)
