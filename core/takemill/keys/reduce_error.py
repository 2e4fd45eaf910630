"""How far the keys of many clips, as a file plays them, lie from their motions.

It asks the same as `displacement.displacements` at every look, but some clips at a time, with the components
first (`reduce_planes`), and of tips only those that lie beyond their joint's reach: for the others the reach
stands. Between frames both sides run straight, so they are looked at there by the poses on frames. All looks
are taken in float32, and in float64 those that may be the worst.
"""

from __future__ import annotations

import os
from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from typing import NamedTuple

import numpy as np

from ..base.checks import Array, Index
from ..body.motion import Motion
from ..body.skeleton import Skeleton
from ..maths import quat
from . import reduce_planes as planes
from .displacement import reaches
from .reduce import ReduceSettings, batches, largest_error_m
from .reduce_planes import Planes
from .tracks import LARGEST_INTEGER, Track, sampled

_LOOKS_PER_FRAME = 4  # on each frame, and at a quarter, a half and three quarters of the way to the next
_ROUNDING_HEIGHTS = 1e-5  # of a skeleton's height: more than float32 loses on the way from the root to a tip
_MIN_SERIES_COSINE = 0.9  # the cosine of half a turn above which the series of slerp is exact to 1e-8
_BATCH_JOINTS = 8  # that are worked on together, so that they stay in the processor's cache
_MAX_STRAIGHT_ANGLE_RAD = 1e-4  # half an angle below which straight lines are slerp to 1e-9 of it
_MAX_SERIES_SINE = 0.05  # the sine of half a turn up to which its series is exact to 1e-11 of it


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
        sides = _Sides.joined([_Sides.of(motions[i], tracks[i]) for i in chosen])
        found = _largest_displacements(
            motions[chosen[0]].skeleton, settings.probe_m, sides, [len(motions[i]) for i in chosen]
        )
        for i, most in zip(chosen, found, strict=True):
            out[i] = float(most)

    with ThreadPoolExecutor(os.cpu_count()) as pool:  # numpy lets other threads run while it computes
        list(pool.map(judge, (some for group in alike.values() for some in batches(group, motions))))
    return out


def _largest_displacements(
    skeleton: Skeleton, probe_m: float, sides: _Sides, lengths: Sequence[int]
) -> Array:
    """The largest displacement of each of the clips that follow each other in `sides`, metres."""
    reach, stops = reaches(skeleton, probe_m), np.cumsum(lengths)
    starts = stops - lengths
    rough = _largest_on_frames(skeleton, reach, sides.rounded)
    rough[1:, stops - 1] = 0  # from one clip's end to the next one's beginning
    rough = rough.max(axis=0)
    most = np.maximum.reduceat(rough, starts) - _ROUNDING_HEIGHTS * max(skeleton.height, 1)
    clip = np.repeat(np.arange(len(lengths)), lengths)
    near = np.flatnonzero(rough >= most[clip])
    first = np.minimum(near, stops[clip[near]] - 2)
    pairs = np.stack([first, first + 1], axis=1).ravel()
    exact = _largest_on_frames(skeleton, reach, sides.at(pairs))
    exact[1:, 1::2] = 0  # from one pair to the next one
    return np.maximum.reduceat(exact.max(axis=0), 2 * np.searchsorted(clip[near], np.arange(len(lengths))))


def _straight_on_frames(track: Track, frames: int) -> bool:
    at = track.frames
    return track.slopes is None and bool((at == np.rint(at)).all()) and at[-1] < frames


class _Sides(NamedTuple):
    """Local poses on frames, as played and as they should be: (4, J, 2, F) rotations, (3, J, 2, F) places.

    The topmost joints' places are counted from where they should be.
    """

    turns: Planes
    places: Planes

    @classmethod
    def of(cls, motion: Motion, tracks: Sequence[Track]) -> _Sides:
        skeleton, frames = motion.skeleton, np.arange(len(motion), dtype=np.float64)
        turns = np.empty((4, len(skeleton), 2, len(motion)))
        turns[:, :, 0] = skeleton.rest_rotation.T[:, :, None]
        turns[:, :, 1] = motion.rotations.transpose(2, 1, 0)
        turning = [track for track in tracks if track.path == "rotation"]
        if turning:
            joints = [track.joint for track in turning]
            turns[:, joints, 0] = _play(turning, len(motion), motion.rate)
        places = np.empty((3, *turns.shape[1:]))
        places[:] = skeleton.rest_translation.T[:, :, None, None]
        for joint in (0, *motion.translations):
            places[:, joint, 1] = motion.translation_of(joint).T
        for track in tracks:
            if track.path == "translation":
                read = Track(track.joint, "translation", _read(track.frames, motion.rate), track.values)
                places[:, track.joint, 0] = sampled(read, frames).T
        tops = [joint for joint, parent in enumerate(skeleton.parents) if parent < 0]
        places[:, tops] -= places[:, tops, 1:]
        return cls(turns, places)

    @classmethod
    def joined(cls, parts: Sequence[_Sides]) -> _Sides:
        """Clips one behind another."""
        return cls(*(np.concatenate(arrays, axis=-1) for arrays in zip(*parts, strict=True)))

    def at(self, frames: Index) -> _Sides:
        return _Sides(self.turns[..., frames], self.places[..., frames])

    @property
    def rounded(self) -> _Sides:
        return _Sides(self.turns.astype(np.float32), self.places.astype(np.float32))


def _read(frames: Array, rate: float) -> Array:
    """Frame numbers as float32 seconds give them."""
    return (frames / rate).astype(np.float32).astype(np.float64) * rate


def _play(tracks: Sequence[Track], frames: int, rate: float) -> Planes:
    """What R tracks of rotations play on whole frames (4, R, F)."""
    counts = np.array([len(track.frames) for track in tracks])
    stops = np.cumsum(counts)
    starts = stops - counts
    at = np.concatenate([track.frames for track in tracks])
    keyed = np.zeros((len(tracks), frames), np.intp)
    keyed[np.repeat(np.arange(len(tracks)), counts), at.astype(np.intp)] = 1
    low = np.clip(keyed.cumsum(axis=1) - 1 + starts[:, None], starts[:, None], stops[:, None] - 1)
    high: Index = np.minimum(low + 1, stops[:, None] - 1)
    values = _as_read(tracks, counts).T
    when = _read(at, rate)
    every = np.arange(frames)
    part = (every - when[low]) / np.where(high > low, when[high] - when[low], 1)
    outside = (every < at[starts, None]) | (every > at[stops - 1, None])
    part = np.where(outside | (high == low), np.clip(part, 0, 1), part)
    return _slerp(values[:, low], values[:, high], part)


def _as_read(tracks: Sequence[Track], counts: Index) -> Array:
    """What a reader of the file makes of all keys (K, 4), as `tracks.as_read` says it of one track."""
    largest = np.repeat([LARGEST_INTEGER[track.storage] for track in tracks], counts)[:, None]
    out = quat.normalize(np.concatenate([track.values for track in tracks]))
    return quat.normalize(np.where(largest > 1, np.round(out * largest), out))


def _slerp(a: Planes, b: Planes, t: Planes | float) -> Planes:
    """The rotation (4, ...) at `t` (...) of the shortest way from `a` to `b`, at any angle."""
    cosine = planes.dot(a, b)
    if cosine.min(initial=1) > _MIN_SERIES_COSINE:
        near: Planes = a * _part(cosine, 1 - t) + b * _part(cosine, t)
        return near
    sign = np.where(cosine < 0, -1, 1).astype(a.dtype)
    gap = b * sign - a
    half = 2 * np.arcsin(np.minimum(np.sqrt(planes.dot(gap, gap)) / 2, 1))  # half the turn
    size = np.where(half < _MAX_STRAIGHT_ANGLE_RAD, 1, np.sin(half))
    early = np.where(half < _MAX_STRAIGHT_ANGLE_RAD, 1 - t, np.sin((1 - t) * half) / size)
    late = np.where(half < _MAX_STRAIGHT_ANGLE_RAD, t, np.sin(t * half) / size)
    out: Planes = a * early + b * (late * sign)
    return out


def _part(cosine: Planes, t: Planes | float) -> Planes:
    """How much (...) a rotation counts at `t` of the way to it from another; see `reduce_planes.slerp`."""
    u = 1 - cosine
    s = u * (2 + u * (1 / 3 + u * (4 / 45 + u * (1 / 35))))  # the square of half the angle between them
    more = s * ((7 - 3 * t * t) / 360 + s * ((31 + t * t * (3 * t * t - 18)) / 15120))
    return np.asarray(t * (1 + (1 - t * t) * s * (1 / 6 + more)))


def _between(values: Planes) -> Planes:
    """Rotations (4, ..., F) or places (3, ..., F), and what follows each by a quarter, a half (..., 4, F)."""
    out = np.empty((*values.shape[:-1], _LOOKS_PER_FRAME, values.shape[-1]), values.dtype)
    out[:] = values[..., None, :]
    a, b = values[..., :-1], values[..., 1:]
    turned = len(values) == 4
    near = turned and (cosine := planes.dot(a, b)).min(initial=1) > _MIN_SERIES_COSINE
    if near:
        parts = [_part(cosine, step / _LOOKS_PER_FRAME) for step in range(_LOOKS_PER_FRAME + 1)]
    for step in range(1, _LOOKS_PER_FRAME):
        part = step / _LOOKS_PER_FRAME
        if near:
            out[..., step, :-1] = a * parts[_LOOKS_PER_FRAME - step] + b * parts[step]
        else:
            out[..., step, :-1] = _slerp(a, b, part) if turned else a + part * (b - a)
    return out


def _largest_on_frames(skeleton: Skeleton, reach: Array, local: _Sides) -> Array:
    """The largest displacement of any joint's ball and tips, on frames and between them (4, F), metres."""
    dtype, looks = local.turns.dtype, (_LOOKS_PER_FRAME, local.turns.shape[-1])
    still = (local.places == local.places[..., :1, :1]).all(axis=(0, 2, 3))
    done: list[tuple[Planes, Planes]] = []
    largest = np.zeros(looks, dtype)
    for start in range(0, len(skeleton), _BATCH_JOINTS):
        some = range(start, min(start + _BATCH_JOINTS, len(skeleton)))
        turned, shifts = _between(local.turns[:, some]), np.empty((3, len(some), *looks), dtype)
        for place, joint in enumerate(some):
            at, parent = local.places[:, joint], skeleton.parents[joint]
            moved = at[:, :, None, :1] if still[joint] else _between(at)
            if parent >= 0:
                above, shift = done[parent]
                moved = planes.rotate(above, moved)
                shifts[:, place] = shift + moved[:, 0] - moved[:, 1]
                turned[:, place] = planes.mul(above, turned[:, place])
            else:
                shifts[:, place] = moved[:, 0] - moved[:, 1]
            done.append((turned[:, place], shifts[:, place]))
        turns = _turn(turned[:, :, 0], turned[:, :, 1])
        radius = reach[some].astype(dtype)[:, None, None]
        np.maximum(largest, _ball(shifts, turns, radius).max(axis=0), out=largest)
        tips = [
            (joint - start, offset.astype(dtype))
            for joint, offset in zip(skeleton.tip_joints, skeleton.tip_offsets, strict=True)
            if joint in some and np.linalg.norm(offset) > reach[joint]
        ]
        if tips:
            at_joint, offsets = [place for place, _ in tips], np.array([offset for _, offset in tips]).T
            tip = planes.rotate(turned[:, at_joint, 1], offsets[:, :, None, None])
            tip_shift = shifts[:, at_joint] + planes.cross(turns[:, at_joint], tip)
            np.maximum(largest, np.sqrt(planes.dot(tip_shift, tip_shift)).max(axis=0), out=largest)
    return largest


def _turn(played: Planes, right: Planes) -> Planes:
    """The rotation vectors (3, T) that lead from `right` to `played`, radians."""
    half = planes.error(played, right) / 2  # the vector part of their quotient
    size = np.sqrt(planes.dot(half, half))
    if size.max() < _MAX_SERIES_SINE:
        s = size * size
        return half * (2 * (1 + s * (1 / 6 + s * (3 / 40 + s * 15 / 336))))
    angle = 2 * np.arctan2(size, np.abs(planes.dot(played, right)))
    return half * np.divide(angle, size, out=np.full_like(size, 2), where=size > 0)


def _ball(shift: Planes, turn: Planes, radius: Planes) -> Planes:
    """As `displacement.ball_displacement`, (T,)."""
    angle = np.sqrt(planes.dot(turn, turn))
    along = np.divide(planes.dot(shift, turn), angle, out=np.zeros_like(angle), where=angle > 0)
    across = np.sqrt(np.maximum(planes.dot(shift, shift) - along * along, 0)) + angle * radius
    return np.sqrt(along * along + across * across)
