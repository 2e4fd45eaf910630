"""The search for the keys of some clips: a plan, and what is added to it until nothing is too far off."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import NamedTuple

import numpy as np

from . import quat
from . import reduce_planes as planes
from .checks import Array, Index, Mask
from .clip_channels import ClipChannels
from .key_times import halved, reaches, share, spans_of, together, walked
from .key_values import fitted, played
from .reduce_cubic import curved, lengths, slopes, wide_keys
from .reduce_planes import Planes
from .tracks import LARGEST, Y_UP, Path, Storage, Track

_STORAGES: tuple[Storage, ...] = ("float32", "int16", "int8")  # each smaller than the one before
KEY_BYTES = {"float32": 16, "int16": 8, "int8": 4, "place": 12}  # of a value
_BYTES = np.array([KEY_BYTES[storage] for storage in _STORAGES])
_SCALES = np.array([0, *(LARGEST[storage] for storage in _STORAGES[1:])], np.float32)  # 0: not rounded
_INT8_PART = 0.65  # of the bound that rounding to 8 bits may take
_INT8_LEAST = 0.004  # radians: some rotation of any curve is rounded by more than this to 8 bits
_INT8_LENGTH = 0.0075  # the Khronos validator takes a rotation for a unit quaternion within 0.00769
_ROUNDS = 40
_CAPTURED = 40  # frames per second: motion of higher rates was often recorded at lower ones
_BENT = 0.3  # of the error meant for a channel: what bends more does so between frames of a recording
_CUBIC_BYTES = 3.3  # as many as a straight key has, if the plan is not overrun
_STEEPEST = 0.999  # per second: slopes that are rounded to 16 bits stay below 1 (glTF 2.0, section 3.11)


class KeySearch:
    """The keys of some clips while they are sought.

    Attributes:
        keys: (C, T) the frames that are keys.
        group: (C, B) the channels of a clip that share their times have the same number.
        cubic: (C, B) the channels that are cubic curves in a clip.
        stored: (R, B) how the rotations of a channel are stored in a clip, a place in `_STORAGES`.
    """

    def __init__(
        self, clips: ClipChannels, storage: str, interpolation: str, travelling: Sequence[int | None]
    ) -> None:
        self.clips = clips
        self._ends = np.zeros(len(clips.clip), bool)
        self._ends[clips.starts] = self._ends[clips.stops - 1] = True
        joints = clips.order[clips.turning]
        exact = joints[:, None] == np.array([-1 if one is None else one for one in travelling])
        self.stored: Index = np.where(exact | (storage == "float32"), 0, self._smallest())
        self.group, self.keys, self.cubic = self._planned(interpolation)

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

    def _planned(self, interpolation: str) -> tuple[Index, Mask, Mask]:
        """Who shares times, which frames are keys and who is cubic, by the error meant for each channel."""
        clips, count = self.clips, len(self.clips.turning)
        curves = ((clips.rotations, clips.allowed[:count]), (clips.places, clips.allowed[count:]))
        reach = np.concatenate([reaches(curve, allowed, clips.last) for curve, allowed in curves])
        bends = None
        if clips.rate > _CAPTURED:
            bends = np.concatenate([reaches(curve, _BENT * one, clips.last) for curve, one in curves])
        cubic = np.zeros(clips.moving.shape, bool)
        if interpolation != "linear":
            wide = [wide_keys(curve, allowed, clips.last) for curve, allowed in curves]
            reach, cubic = self._cubic(reach, lengths(np.concatenate(wide)), interpolation == "cubic")
        group = np.full((len(reach), len(clips.starts)), -1)  # -1: stands still
        for clip, (start, stop) in enumerate(zip(clips.starts, clips.stops, strict=True)):
            widths = np.array([*_BYTES[self.stored[:, clip]], *[KEY_BYTES["place"]] * len(clips.sliding)])
            for kind in (False, True):
                chosen = np.flatnonzero(clips.moving[:, clip] & (cubic[:, clip] == kind))
                if len(chosen):
                    size = widths[chosen] * (3 if kind else 1)
                    found, shared, total = share(reach[chosen, start:stop], size)
                    if not kind and bends is not None:
                        found, shared, total = min(
                            (found, shared, total),
                            together(bends[chosen, start:stop], size),
                            key=lambda plan: plan[2],
                        )
                    if kind and interpolation == "smallest":  # a cubic key on every frame is none of it
                        cubic[chosen[found == 0], clip] = False
                    # The groups of cubic channels follow those of straight ones; 0 is every frame.
                    group[chosen, clip] = np.where(found > 0, found + max(group[:, clip].max(), 0) * kind, 0)
                    reach[chosen, start:stop] = shared[found]
        rows, numbers = np.nonzero(group > 0)
        reach = np.minimum(reach, clips.last - np.arange(len(clips.clip)))
        keys = walked(reach, rows * len(clips.clip) + clips.starts[numbers])
        return group, keys | (group == 0)[:, clips.clip] | self._ends, cubic

    def _cubic(self, straight: Index, wide: Index, told: bool) -> tuple[Index, Mask]:
        """The reach (C, T) of channels where cubic curves are chosen too, and who is cubic (C, B)."""
        clips = self.clips
        count = len(clips.turning)
        steps = np.abs(np.diff(clips.rotations, axis=-1, append=clips.rotations[..., -1:])).max(axis=0)
        steps[:, clips.stops - 1] = 0
        fast = np.maximum.reduceat(steps, clips.starts, axis=1) * clips.rate > _STEEPEST / 1.1
        size = np.full(clips.moving.shape, _CUBIC_BYTES)
        size[:count] *= np.where(fast & (self.stored > 0), 2, 1)  # slopes that 16 bits cannot hold
        few, many = (
            np.add.reduceat(1 / np.maximum(one, 1), clips.starts, axis=1) for one in (wide, straight)
        )
        cubic = clips.moving & (told | (size * few < many))
        self.stored = np.where(cubic[:count], np.minimum(self.stored, 1), self.stored)
        return np.where(cubic[:, clips.clip], wide, straight), cubic

    def run(self) -> Iterator[tuple[int, list[Track]]]:
        """Each clip's number and tracks; a clip whose bounds are finer than float32 is left out."""
        numbers = np.arange(len(self.clips.starts))
        for _ in range(_ROUNDS):
            values, far, made = self._played()
            worst = np.maximum.reduceat(far.max(axis=0), self.clips.starts)
            for clip, tracks in self._tracks(values, np.flatnonzero(worst <= 1)):
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
        self.cubic = self.cubic[:, chosen]

    def _played(self) -> tuple[list[_Values], Planes, Planes]:
        """Values of the keys of rotations and of places, and what `far` says of the pose that they play."""
        clips, count = self.clips, len(self.clips.turning)
        turned, rotations = self._curves(clips.rotations, self.keys[:count], self.cubic[:count])
        slid, places = self._curves(clips.places, self.keys[count:], self.cubic[count:])
        return [turned, slid], *clips.far(rotations, places)

    def _curves(self, curves: Planes, keys: Mask, cubic: Mask) -> tuple[_Values, Planes]:
        """The values of keys (C, T) of curves (D, C, T), and what a reader of the file plays (D, C, T)."""
        clips, flat = self.clips, curves.reshape(len(curves), -1)
        spans = spans_of(keys)
        row, at = np.divmod(spans.keys, len(clips.clip))
        clip = clips.clip[at]
        read = values = fitted(flat, spans, self._ends[at])
        steep = None
        if cubic.any():
            steep = slopes(flat, flat[:, spans.keys], spans, at == clips.last[at])
            values = np.where(cubic[row, clip], flat[:, spans.keys], values)
        if len(curves) == 4:
            read = values = planes.unit(values)
            if steep is not None:
                fast = cubic[row, clip] & (np.abs(steep).max(axis=(0, 1)) * clips.rate > _STEEPEST)
                self.stored[row[fast], clip[fast]] = 0
            read = self._rounded(values, row, clip)
        out = played(read, spans, flat.shape[1]).reshape(curves.shape)
        if steep is not None:
            bent = curved(read, steep, spans, flat.shape[1]).reshape(curves.shape)
            out = np.where(cubic[:, clips.clip], bent, out)
        return _Values(spans.keys, values, steep), out

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

    def _tracks(self, values: Sequence[_Values], done: Index) -> Iterator[tuple[int, list[Track]]]:
        """The keys of clips as tracks, in the core's axes."""
        clips, count, frames = self.clips, len(self.clips.turning), len(self.clips.clip)
        parts = (clips.roots[:count], clips.roots[count:])
        made = [_in_core(*pair, frames) for pair in zip(values, parts, strict=True)]
        rows = [np.arange(len(roots))[:, None] * frames for roots in parts]
        lows, highs = (
            np.concatenate([np.searchsorted(v.keys, row + edge) for v, row in zip(values, rows, strict=True)])
            for edge in (clips.starts, clips.stops)
        )
        when = [(v.keys % frames).astype(np.float64) for v in values]
        joints = clips.order[np.concatenate([clips.turning, clips.sliding])].tolist()
        for clip in done:
            out = []
            for channel in np.flatnonzero(clips.moving[:, clip]):
                kind, keys = int(channel >= count), slice(lows[channel, clip], highs[channel, clip])
                numbers, steep = made[kind]
                path: Path = "translation" if kind else "rotation"
                stored = _STORAGES[0 if kind else self.stored[channel, clip]]
                slope = steep[keys] if steep is not None and self.cubic[channel, clip] else None
                at = when[kind][keys] - clips.starts[clip]
                out.append(Track(joints[channel], path, at, numbers[keys], stored, slope))
            yield int(clip), out


class _Values(NamedTuple):
    """The flat places (K,) of keys, their values (D, K), and slopes (2, D, K) where some curves are cubic."""

    keys: Index
    numbers: Planes
    slopes: Planes | None


def _in_core(values: _Values, roots: Mask, frames: int) -> tuple[Array, Array | None]:
    """Values (K, D) and slopes (K, 2, D) in the core's axes; `roots` (C,) are of joints without a parent."""
    root = roots[values.keys // frames]
    turned = _z_up(values.numbers.T.astype(np.float64), root)
    if len(values.numbers) == 4:
        turned = quat.normalize(turned)
    steep = values.slopes
    return turned, None if steep is None else _z_up(steep.transpose(2, 0, 1).astype(np.float64), root)


def _z_up(values: Array, root: Mask) -> Array:
    if values.shape[-1] == 4:
        values[root] = quat.mul(quat.inv(Y_UP), values[root])
    else:
        values[root] = values[root][..., [0, 2, 1]] * [1, -1, 1]
    return values
