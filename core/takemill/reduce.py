"""Fewer and smaller keys, within a bound of what they move in model space.

1. Each channel gets the widest grid of keys that its own chords allow, and more where the chords of all
   channels together would move something too far.
2. Channels whose keys lie much alike share their times (`key_times.share`).
3. From the roots outward, values are fitted to the motion, rounded as the file rounds them and played;
   each joint is fitted to what its parent really plays, so that errors of rotation do not add up.
4. Where that still moves something too far, keys or digits are added, and step 3 is done again.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from typing import Literal, NamedTuple

import numpy as np

from . import kinematics, quat
from .checks import Array, Index, Mask, expect_positive, expect_shape
from .clip_channels import ClipChannels, Pose
from .displacement import displacements, reaches
from .errors import InputError
from .key_times import coarsest, share, split
from .key_values import fitted, played
from .motion import Motion
from .tracks import LARGEST, Path, Storage, Track, as_read, dense_tracks, in_file_axes, rounded, sampled

__all__ = ["Path", "ReduceSettings", "Storage", "Track", "dense_tracks", "largest_error_m", "reduce_keys"]

_BYTES: dict[Storage, int] = {"float32": 16, "int16": 8, "int8": 4}
_MORE: dict[Storage, Storage] = {"int8": "int16", "int16": "float32"}
_PLACE_BYTES = 12
_BEFORE_FIT = 1.5  # a least-squares fit takes about this much off the error of chords between frames
# The part of the bounds that is spent on frames. Between frames a displacement can pass that by a hair, and
# a reader that plays rounded rotations without bringing them to unit length stretches bones by up to 0.006 %.
_SPENT = 0.94
_INT8_PART = 0.65  # of the bound that rounding to 8 bits may take
_INT8_LEAST = 0.004  # radians: some rotation of any curve is rounded by more than this to 8 bits
_INT8_LENGTH = 0.0075  # the Khronos validator takes a rotation for a unit quaternion within 0.00769
_ROUNDS = 40


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
    settings = settings or ReduceSettings()
    dense = dense_tracks(motion)
    bound = np.full((len(motion), len(motion.skeleton)), settings.max_error_m)
    if planted is not None:
        expect_shape(planted, bound.shape, "planted")
        bound[planted] = min(settings.planted_error_m, settings.max_error_m)
    if not any(len(track.frames) > 2 for track in dense):
        return dense
    max_turn = np.radians(settings.max_error_deg)
    clip = ClipChannels(motion, _SPENT * bound, _SPENT * max_turn, settings.probe_m)
    plan = _first_plan(clip, settings.storage, travelling)
    for _ in range(_ROUNDS):
        plan, pose = _fitted(clip, plan)
        bad = clip.far(pose) > 1
        if not bad.any():
            still = [track for track in dense if len(track.frames) == 1]
            return tuple(sorted([*still, *_tracks(clip, plan, pose)], key=lambda t: (t.joint, t.path)))
        better = _mended(clip, plan, clip.blamed(pose, bad))
        if better is None:
            break
        plan = better
    return dense


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


class _Plan(NamedTuple):
    """Who shares times (C,), the keys of each group (G, F) and how each rotation is stored (R,)."""

    group: Index
    keys: Mask
    storage: tuple[Storage, ...]


def _first_plan(clip: ClipChannels, storage: str, travelling: int | None) -> _Plan:
    """Keys for the chords of all channels together, times shared, rotations in few bytes."""
    turning, sliding = clip.curves()
    count = len(turning)
    allowed = _BEFORE_FIT * clip.allowed
    keys = np.concatenate([coarsest(turning, allowed[:count] / 2), coarsest(sliding, allowed[count:])])
    while True:
        pose = clip.chord_pose(keys)
        more = split(keys, clip.blamed(pose, clip.far(pose) > _BEFORE_FIT))
        if (more == keys).all():
            break
        keys = more
    wanted = ("float32" if joint == travelling else storage for joint in clip.turning)
    stored = tuple(_storage(clip, row, turning[row], one) for row, one in enumerate(wanted))
    group, shared = share(keys, [*(_BYTES[one] for one in stored), *[_PLACE_BYTES] * len(sliding)])
    return _Plan(group, shared, stored)


def _storage(clip: ClipChannels, row: int, curve: Array, wanted: str) -> Storage:
    """The smallest numbers that a rotation (F, 4) may be rounded to."""
    if wanted == "float32":
        return "float32"
    if _INT8_PART * clip.felt[row].min() < _INT8_LEAST:
        return "int16"
    stored = rounded(in_file_axes(clip.skeleton, int(clip.turning[row]), "rotation", curve), "int8")
    read = as_read(clip.skeleton, int(clip.turning[row]), curve, "int8")
    # Readers need not bring rotations back to unit length; then they stretch by the square of it.
    stretch = np.abs(np.einsum("...i,...i->...", stored, stored) / LARGEST["int8"] ** 2 - 1)
    off = quat.angle_between(read, curve)
    small = off.max() <= clip.max_turn and (off + stretch).max() <= _INT8_PART * clip.felt[row].min()
    return "int8" if small else "int16"


def _fitted(clip: ClipChannels, plan: _Plan) -> tuple[_Plan, Pose]:
    """Values for a plan's keys and the pose that they play, from the roots outward.

    A rotation whose length would be off after rounding to 8 bits gets 16.
    """
    motion = clip.motion
    keys = plan.keys[plan.group]
    count = len(clip.turning)
    storage = list(plan.storage)
    values = np.empty((count, len(motion), 4))
    places = np.empty((len(clip.sliding), len(motion), 3))
    rotations, positions = np.empty_like(clip.rotations), np.empty_like(clip.positions)
    for level in clip.levels:
        above, base = clip.parent_rotations(rotations, level), clip.parent_places(positions, level)
        local = np.broadcast_to(motion.rotations[0, level], above.shape).copy()
        rows, at = _matching(clip.turning, level)
        if len(rows):
            want = quat.continuous(quat.mul(quat.inv(above[:, at]), clip.rotations[:, level[at]]))
            values[rows] = quat.normalize(fitted(want.swapaxes(0, 1), keys[rows]))
            for row in rows:
                storage[row] = _unit_storage(clip, row, values[row][keys[row]], storage[row])
            read = np.empty_like(values[rows])
            for one in {storage[row] for row in rows}:  # a level holds only roots or none
                same = np.array([storage[row] == one for row in rows])
                read[same] = as_read(clip.skeleton, int(level[0]), values[rows[same]], one)
            local[:, at] = played(read, keys[rows]).swapaxes(0, 1)
        rotations[:, level] = quat.mul(above, local)
        moved = np.broadcast_to(clip.still[level], base.shape).copy()
        rows, at = _matching(clip.sliding, level)
        if len(rows):
            want = quat.rotate(quat.inv(above[:, at]), clip.positions[:, level[at]] - base[:, at])
            places[rows] = fitted(want.swapaxes(0, 1), keys[count + rows]).astype(np.float32)
            moved[:, at] = played(places[rows], keys[count + rows]).swapaxes(0, 1)
        positions[:, level] = base + quat.rotate(above, moved)
    turns = quat.log(quat.mul(rotations, quat.inv(clip.rotations)))
    return plan._replace(storage=tuple(storage)), Pose(values, places, turns, positions - clip.positions)


def _matching(joints: Index, level: Index) -> tuple[Index, Index]:
    """Where `joints` are in `level`: their places in the one and in the other."""
    _, rows, at = np.intersect1d(joints, level, assume_unique=True, return_indices=True)
    return rows, at


def _unit_storage(clip: ClipChannels, row: int, values: Array, storage: Storage) -> Storage:
    """The storage, or a larger one where rounding leaves rotations (N, 4) too far from unit length."""
    if storage != "int8":
        return storage
    stored = rounded(in_file_axes(clip.skeleton, int(clip.turning[row]), "rotation", values), storage)
    length = np.linalg.norm(stored, axis=-1) / LARGEST[storage]
    return storage if np.abs(length - 1).max() < _INT8_LENGTH else "int16"


def _mended(clip: ClipChannels, plan: _Plan, blamed: Mask) -> _Plan | None:
    """A plan with more keys or digits where (C, F) channels are to blame; None if nothing is left."""
    marked = np.zeros_like(plan.keys)
    np.logical_or.at(marked, plan.group, blamed)
    keys = split(plan.keys, _widened(marked))
    guilty = blamed.any(axis=1)[: len(clip.turning)]
    stuck = (keys == plan.keys).all()
    storage = tuple(
        _MORE.get(one, one) if bad and (stuck or one == "int8") else one
        for one, bad in zip(plan.storage, guilty, strict=True)
    )
    if stuck and storage == plan.storage:
        return None
    return plan._replace(keys=keys, storage=storage)


def _widened(mask: Mask) -> Mask:
    """A mask (..., F) with a frame added on both sides: an error on a key calls for keys beside it."""
    out = mask.copy()
    out[..., 1:] |= mask[..., :-1]
    out[..., :-1] |= mask[..., 1:]
    return out


def _tracks(clip: ClipChannels, plan: _Plan, pose: Pose) -> list[Track]:
    """The keys of a plan as tracks."""
    keys = plan.keys[plan.group]
    count = len(clip.turning)
    out = []
    for channel, joint in enumerate(clip.joints):
        at = np.flatnonzero(keys[channel])
        frames = at.astype(np.float64)
        if channel < count:
            values = quat.continuous(pose.rotations[channel, at])
            out.append(Track(int(joint), "rotation", frames, values, plan.storage[channel]))
        else:
            out.append(Track(int(joint), "translation", frames, pose.places[channel - count, at]))
    return out
