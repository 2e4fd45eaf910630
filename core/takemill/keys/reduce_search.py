"""The search for the keys of some clips: a plan, and what is added to it until nothing is too far off."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np

from ..base.checks import Array, Index, Mask
from . import reduce_planes as planes
from .clip_channels import ClipChannels
from .key_times import (
    MAX_SPAN_TURN_RAD,
    developed,
    halve_spans,
    reaches,
    share_all_times,
    share_times,
    spans_of,
    take_longest_spans,
)
from .key_values import fit_values, play
from .reduce_cubic import lengths, play_cubic, slopes, wide_keys
from .reduce_planes import Planes
from .tracks import LARGEST_INTEGER, Path, Storage, Track

_STORAGES: tuple[Storage, ...] = ("float32", "int16", "int8")  # each smaller than the one before
KEY_BYTES = {"float32": 16, "int16": 8, "int8": 4, "place": 12}  # of a value
_BYTES = np.array([KEY_BYTES[storage] for storage in _STORAGES])
_SCALES = np.array(
    [0, *(LARGEST_INTEGER[storage] for storage in _STORAGES[1:])], np.float32
)  # 0: not rounded
# Trial of those below that have no source: a third less or half as much again changes no byte of nine open
# motions, packed with straight keys or with cubic ones (sensitivity_keys.py).
_MAX_INT8_BOUND_SHARE = 0.65  # of the bound that rounding to 8 bits may take
_MIN_INT8_ERROR_RAD = 0.004  # some rotation of any curve is rounded by more than this to 8 bits
_MAX_INT8_LENGTH_ERROR = 0.0075  # the Khronos validator takes a rotation for a unit quaternion within 0.00769
_MAX_ROUNDS = 40  # of adding keys; what is not done by then gets a key on each frame
_CAPTURE_RATE_HZ = 40  # motion of higher rates was often recorded at lower ones (chosen by eye)
# Of the error meant for a channel: what bends more does so between frames of a recording.
_MAX_BENT_SHARE = 0.3
_CUBIC_KEY_COST = 3.3  # of a cubic key, in those of a straight one: it holds three values (chosen by eye)
_MAX_CHANGED_SHARE = 0.5  # of the frames: where more changed, all are looked at again, which is quicker
# Per second: slopes that are rounded to 16 bits stay below 1 (glTF 2.0, section 3.11).
_MAX_SLOPE_PER_S = 0.999


class KeySearch:
    """The keys of some clips while they are sought.

    Attributes:
        keys: (C, T) the frames that are keys.
        group: (C, B) the channels of a clip that share their times have the same number.
        cubic: (C, B) the channels that are cubic curves in a clip.
        stored: (R, B) how the rotations of a channel are stored in a clip, a place in `_STORAGES`.
    """

    def __init__(
        self, clips: ClipChannels, storage: str, interpolation: str, root_joints: Sequence[int | None]
    ) -> None:
        self.clips = clips
        self._ends = np.zeros(len(clips.clip), bool)
        self._ends[clips.starts] = self._ends[clips.stops - 1] = True
        joints = clips.order[clips.turning]
        exact = joints[:, None] == np.array([-1 if one is None else one for one in root_joints])
        self.stored: Index = np.where(exact | (storage == "float32"), 0, self._smallest())
        self.group, self.keys, self.cubic = self._plan(interpolation)
        count = len(clips.turning)
        self._parts = (slice(0, count), slice(count, None))
        self._numbers = [np.zeros(one.shape) for one in (clips.rotations, clips.places)]
        # What stands still in a clip is played as it is, so that a clip comes out as it would alone.
        self._played = [clips.rotations.copy(), clips.places.copy()]
        self._slopes = (
            [np.empty((2, *one.shape), one.dtype) for one in self._numbers] if self.cubic.any() else []
        )

    def _smallest(self) -> Index:
        """The smallest numbers (R, B) that rotations may be rounded to."""
        clips = self.clips
        out = np.ones(clips.turn_at_bound.shape, np.intp)
        chosen = np.flatnonzero(
            (_MAX_INT8_BOUND_SHARE * clips.turn_at_bound >= _MIN_INT8_ERROR_RAD).any(axis=1)
        )
        if len(chosen):
            curves = clips.rotations[:, chosen]
            stored = np.rint(curves * _SCALES[2]) / _SCALES[2]
            size = planes.dot(stored, stored)
            turn = planes.error(stored / np.sqrt(size), curves)
            turn = np.sqrt(planes.dot(turn, turn))
            # Readers need not bring rotations back to unit length; then they stretch by the square of it.
            stretched = np.maximum.reduceat(turn + np.abs(size - 1), clips.starts, axis=1)
            most = np.maximum.reduceat(turn, clips.starts, axis=1)
            small = (stretched <= _MAX_INT8_BOUND_SHARE * clips.turn_at_bound[chosen]) & (
                most <= clips.max_turn
            )
            out[chosen] = np.where(small, 2, 1)
        return out

    def _plan(self, interpolation: str) -> tuple[Index, Mask, Mask]:
        """Who shares times, which frames are keys and who is cubic, by the error meant for each channel."""
        clips, count = self.clips, len(self.clips.turning)
        curves = (
            (developed(clips.rotations, clips.stops), clips.allowed[:count], MAX_SPAN_TURN_RAD),
            (clips.places, clips.allowed[count:], np.inf),
        )
        reach = np.concatenate(
            [reaches(curve, allowed, clips.last, farthest) for curve, allowed, farthest in curves]
        )
        bends = None
        if clips.rate > _CAPTURE_RATE_HZ:
            bends = np.concatenate(
                [
                    reaches(curve, _MAX_BENT_SHARE * allowed, clips.last, farthest)
                    for curve, allowed, farthest in curves
                ]
            )
        cubic = np.zeros(clips.moving.shape, bool)
        if interpolation != "linear":
            smooth = ((clips.rotations, clips.allowed[:count]), curves[1][:2])
            wide = [wide_keys(curve, allowed, clips.last) for curve, allowed in smooth]
            reach, cubic = self._choose_cubic(reach, lengths(np.concatenate(wide)), interpolation == "cubic")
        group = np.full((len(reach), len(clips.starts)), -1)  # -1: stands still
        for clip, (start, stop) in enumerate(zip(clips.starts, clips.stops, strict=True)):
            widths = np.array([*_BYTES[self.stored[:, clip]], *[KEY_BYTES["place"]] * len(clips.sliding)])
            for kind in (False, True):
                chosen = np.flatnonzero(clips.moving[:, clip] & (cubic[:, clip] == kind))
                if len(chosen):
                    size = widths[chosen] * (3 if kind else 1)
                    found, shared, total = share_times(reach[chosen, start:stop], size)
                    if not kind and bends is not None:
                        found, shared, total = min(
                            (found, shared, total),
                            share_all_times(bends[chosen, start:stop], size),
                            key=lambda plan: plan[2],
                        )
                    if kind and interpolation == "smallest":  # a cubic key on every frame is none of it
                        cubic[chosen[found == 0], clip] = False
                    # The groups of cubic channels follow those of straight ones; 0 is every frame.
                    group[chosen, clip] = np.where(found > 0, found + max(group[:, clip].max(), 0) * kind, 0)
                    reach[chosen, start:stop] = shared[found]
        rows, numbers = np.nonzero(group > 0)
        reach = np.minimum(reach, clips.last - np.arange(len(clips.clip)))
        keys = take_longest_spans(reach, rows * len(clips.clip) + clips.starts[numbers])
        return group, keys | (group == 0)[:, clips.clip] | self._ends, cubic

    def _choose_cubic(self, straight: Index, wide: Index, forced: bool) -> tuple[Index, Mask]:
        """The reach (C, T) of channels where cubic curves are chosen too, and who is cubic (C, B)."""
        clips = self.clips
        count = len(clips.turning)
        steps = np.abs(np.diff(clips.rotations, axis=-1, append=clips.rotations[..., -1:])).max(axis=0)
        steps[:, clips.stops - 1] = 0
        fast = np.maximum.reduceat(steps, clips.starts, axis=1) * clips.rate > _MAX_SLOPE_PER_S / 1.1
        size = np.full(clips.moving.shape, _CUBIC_KEY_COST)
        size[:count] *= np.where(fast & (self.stored > 0), 2, 1)  # slopes that 16 bits cannot hold
        few, many = (
            np.add.reduceat(1 / np.maximum(one, 1), clips.starts, axis=1) for one in (wide, straight)
        )
        cubic = clips.moving & (forced | (size * few < many))
        self.stored = np.where(cubic[:count], np.minimum(self.stored, 1), self.stored)
        return np.where(cubic[:, clips.clip], wide, straight), cubic

    def run(self) -> Iterator[tuple[int, list[Track]]]:
        """Each clip's number and tracks; a clip whose bounds are finer than float32 is left out."""
        clips = self.clips
        touched: Mask = clips.moving
        self._excess = self._channel_errors = np.empty((0, 0), np.float32)
        given_up = np.zeros(len(clips.starts), bool)
        for _ in range(_MAX_ROUNDS):
            self._play(touched)
            bad = np.maximum.reduceat(self._excess.max(axis=0), clips.starts) > 1
            if not bad.any():
                break
            touched = self._repair(clips.blamed(self._excess, self._channel_errors))
            given_up |= bad & ~touched.any(axis=0)
            self._excess[:, given_up[clips.clip]] = 0
        else:
            given_up |= bad
        yield from self._tracks(np.flatnonzero(~given_up))

    def _play(self, touched: Mask) -> None:
        """Values of the keys of touched channels (C, B), what they play, and how far off that is."""
        clips, frames = self.clips, len(self.clips.clip)
        changed = np.full(frames, not len(self._excess))  # at first all of them
        for kind, part in enumerate(self._parts):
            every = touched[part] & (self.group[part] == 0) & ~self.cubic[part]
            for wanted, read in ((every, self._dense), (touched[part] & ~every, self._curves)):
                if wanted.any():
                    places = np.flatnonzero(wanted.take(clips.clip, axis=1))
                    curves = read(kind, places)
                    flat = self._played[kind].reshape(len(curves), -1)
                    moved = (curves != flat.take(places, axis=1, mode="clip")).any(axis=0)
                    flat[:, places] = curves
                    changed[places[moved] % frames] = True
        if changed.mean() > _MAX_CHANGED_SHARE:
            self._excess, self._channel_errors = clips.measure_errors(self._played[0], self._played[1])
        elif changed.any():
            at = np.flatnonzero(changed)
            self._excess[:, at], self._channel_errors[:, at] = clips.measure_errors(
                self._played[0][..., at], self._played[1][..., at], at
            )

    def _dense(self, kind: int, places: Index) -> Planes:
        """As `_curves`, where every frame is a key."""
        whole = (self.clips.rotations, self.clips.places)[kind]
        values = read = whole.reshape(len(whole), -1).take(places, axis=1, mode="clip")
        if kind == 0:
            values = planes.unit(values.astype(np.float64))
            read = self._round(values, places)
        self._numbers[kind].reshape(len(whole), -1)[:, places] = values
        return read

    def _curves(self, kind: int, places: Index) -> Planes:
        """What a reader of the file plays (D, N) at places of the channels of a kind; whole clips of each."""
        clips, frames = self.clips, len(self.clips.clip)
        whole = (clips.rotations, clips.places)[kind]
        keys, cubic = self.keys[self._parts[kind]].ravel(), self.cubic[self._parts[kind]]
        curve = whole.reshape(len(whole), -1).take(places, axis=1, mode="clip")
        spans = spans_of(keys.take(places, mode="clip")[None])
        at = places.take(spans.keys, mode="clip")
        read = values = fit_values(curve, spans, self._ends.take(at % frames, mode="clip"))
        steep = None
        if cubic.any():
            row, when = np.divmod(at, frames)
            clip = clips.clip[when]
            on_curve = curve[:, spans.keys]
            steep = slopes(curve, on_curve, spans, when == clips.last[when])
            values = np.where(cubic[row, clip], on_curve, values)
        if kind == 0:
            # In double precision, as files are written: the nearest integer must be the same one there.
            values = planes.unit(values.astype(np.float64))
            if steep is not None:
                fast = cubic[row, clip] & (np.abs(steep).max(axis=(0, 1)) * clips.rate > _MAX_SLOPE_PER_S)
                self.stored[row[fast], clip[fast]] = 0
            read = self._round(values, at)
        self._numbers[kind].reshape(len(whole), -1)[:, at] = values
        out = play(read, spans, len(places))
        if steep is not None:
            self._slopes[kind].reshape(2, len(whole), -1)[..., at] = steep
            bent = play_cubic(read, steep, spans, len(places))
            row, when = np.divmod(places, frames)
            out = np.where(cubic[row, clips.clip[when]], bent, out)
        return out

    def _round(self, values: Planes, at: Index) -> Planes:
        """What a reader makes of rotations (4, K) of keys at flat places (K,).

        16 bits where 8 would leave them far from unit length.
        """
        clips, frames = self.clips, len(self.clips.clip)
        if (self.stored == 2).any():
            row, clip = at // frames, clips.clip[at % frames]
            small = np.flatnonzero(self.stored[row, clip] == 2)
            eight = np.rint(values[:, small] * _SCALES[2]) / _SCALES[2]
            bad = small[np.abs(np.sqrt(planes.dot(eight, eight)) - 1) > _MAX_INT8_LENGTH_ERROR]
            self.stored[row[bad], clip[bad]] = 1
        scale = _SCALES[self.stored][:, clips.clip].ravel().take(at, mode="clip")
        whole = np.rint(values * scale).astype(np.float32)
        if not self.stored.all():
            whole = np.where(scale > 0, whole, values.astype(np.float32))
        return planes.unit(whole)

    def _repair(self, blamed: Mask) -> Mask:
        """Add keys or digits where channels (C, T) are to blame; the channels (C, B) that got some."""
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
        keys = halve_spans(self.keys, wide)
        added: Mask = np.logical_or.reduceat(keys != self.keys, clips.starts, axis=1)
        self.keys = keys
        turning = guilty[self._parts[0]]
        more = turning & ((self.stored == 2) | ~added.any(axis=0)) & (self.stored > 0)
        self.stored = self.stored - more
        added[self._parts[0]] |= more
        return added

    def _tracks(self, done: Index) -> Iterator[tuple[int, list[Track]]]:
        """The keys of clips as tracks."""
        clips = self.clips
        when = (np.arange(len(clips.clip)) - clips.starts[clips.clip]).astype(np.float64)
        counts = np.add.reduceat(self.keys, clips.starts, axis=1, dtype=np.intp)
        stops = [counts[part].cumsum().reshape(-1, len(clips.starts)) for part in self._parts]
        made = [self._values(kind) for kind in range(len(self._parts))]
        joints = clips.order[np.concatenate([clips.turning, clips.sliding])].tolist()
        turning = len(clips.turning)
        ends, lengths, group = np.concatenate(stops).tolist(), counts.tolist(), self.group.tolist()
        stored = [*self.stored.tolist(), *np.zeros((len(clips.sliding), len(clips.starts)), int).tolist()]
        for clip in done.tolist():
            out = []
            inside = slice(clips.starts[clip], clips.stops[clip])
            times: dict[int, Array] = {}
            for channel in np.flatnonzero(clips.moving[:, clip]).tolist():
                path: Path = "rotation" if channel < turning else "translation"
                numbers, steep = made[int(channel >= turning)]
                stop, number = ends[channel][clip], group[channel][clip]
                keys = slice(stop - lengths[channel][clip], stop)
                if number not in times:
                    times[number] = when[inside][self.keys[channel, inside]]
                storage = _STORAGES[stored[channel][clip]]
                slope = steep[keys] if steep is not None and self.cubic[channel, clip] else None
                out.append(Track.trusted(joints[channel], path, times[number], numbers[keys], storage, slope))
            yield clip, out

    def _values(self, kind: int) -> tuple[Array, Array | None]:
        """Values (K, D) and slopes (K, 2, D) of all keys of a kind."""
        at = np.flatnonzero(self.keys[self._parts[kind]])
        numbers = self._numbers[kind]
        width = len(numbers)
        values = numbers.reshape(width, -1).take(at, axis=1, mode="clip").T.copy()
        if not self.cubic.any():
            return values, None
        steep = self._slopes[kind].reshape(2, width, -1)[..., at]
        return values, steep.transpose(2, 0, 1).astype(np.float64)
