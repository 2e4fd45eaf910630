"""The calm stretches of a take that an idle is made of, laid so that their feet stand at one place."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from ..base.checks import Array, Index, Mask
from ..base.errors import InputError
from ..body.body_map import BodyMap, leg_length
from ..body.motion import Motion
from ..clip.clouds import positions_at
from ..clip.root_motion import RootMotion, put_root_at_rest, with_root_motion
from ..cuts.action_signals import SIGNAL_RATE_HZ, Signals, measure_signals
from ..cuts.action_spans import drop_short
from ..cuts.guards import Guards, find_guards
from ..feet.contacts import Contacts
from ..feet.soles import foot_points
from ..maths import quat, series

# Chosen on the sample and on labelled takes (tests/benchmarks/idles_table.py).
_LIVELY_TIMES, _MIN_LIVELY_LEGS_S = 2.5, 0.06  # of an idle's usual speed: faster, something happens
_AWAY_TIMES, _MIN_AWAY_LEGS = 2.5, 0.02  # of its usual distance from its pose: further, weight is shifted
_PAD_S = 0.25  # before and after what is not calm
MIN_CALM_S = 1.5
"""Shorter calm stretches hold no part with room to be joined at both ends."""
# Feet that stand further apart than elsewhere would have to slide, or legs to bend: leg lengths.
_MAX_STANCE_LEGS = 0.05


@dataclass(frozen=True)
class Pool:
    """Calm stretches of a take, one after another.

    Attributes:
        motion: their frames (N), each stretch moved over the floor so that its feet stand as the first's do.
        frames: (N,) of the take.
        stretch: (N,) number of the stretch that a frame is of.
        planted: (K, 2) which heels and toes stand throughout.
        left_out: how many calm stretches stand otherwise, and are not among them.
    """

    motion: Motion
    frames: Index
    stretch: Index
    planted: Mask
    left_out: int = 0

    @property
    def ranges(self) -> tuple[tuple[int, int], ...]:
        """The frames [start, stop) of the take, one range for each stretch."""
        starts = np.flatnonzero(np.diff(self.stretch, prepend=-1))
        stops = np.append(starts[1:], len(self.stretch))
        return tuple(
            (int(self.frames[a]), int(self.frames[b - 1]) + 1) for a, b in zip(starts, stops, strict=True)
        )


def find_calm(
    motion: Motion,
    body: BodyMap,
    contacts: Contacts,
    ranges: tuple[tuple[int, int], ...],
    idle_s: float = 1.5,
) -> tuple[tuple[int, int], ...]:
    """Where a body rests in its most usual calm pose, both feet down: frames [start, stop), within `ranges`.

    Movements that leave the pose or are livelier than the rest of it are no part of it.

    Raises:
        InputError: the body rests nowhere in the ranges.
    """
    step = max(1, round(motion.rate / SIGNAL_RATE_HZ))
    frames = np.arange(0, len(motion), step)
    inside = np.zeros(len(frames), bool)
    for start, stop in ranges:
        inside |= (frames >= start) & (frames < stop)
    out: list[tuple[int, int]] = []
    if len(frames) >= 3:
        signals = measure_signals(motion, body, contacts, frames)
        guards = find_guards(signals, idle_s)
        if guards.count:
            calm = _calm_frames(signals, guards, inside)
            for start, stop in zip(*series.runs(calm), strict=True):
                first, last = int(frames[start]), min(int(frames[stop - 1]) + step, len(motion))
                for low, high in ranges:
                    a, b = max(first, low), min(last, high)
                    if b - a >= MIN_CALM_S * motion.rate:
                        out.append((a, b))
    if not out:
        raise InputError(
            f"an idle with a length: nowhere in its range does the body rest on both feet for "
            f"{MIN_CALM_S:g} s; take a range with more calm in it"
        )
    return tuple(dict.fromkeys(out))


def _calm_frames(signals: Signals, guards: Guards, inside: Mask) -> Mask:
    """Where the body (N,) is in its most usual pose within a range, calm, and on both feet."""
    near = inside & guards.calm & (guards.distance <= 1) & signals.planted.all(axis=1)
    if not near.any():
        return near
    guard = int(np.bincount(guards.nearest[near]).argmax())
    near &= guards.nearest == guard
    speed = signals.calm_speed
    lively = max(_LIVELY_TIMES * float(np.median(speed[near])), _MIN_LIVELY_LEGS_S)
    far = max(_AWAY_TIMES * float(np.median(guards.away[near])), _MIN_AWAY_LEGS)
    stirs = ~near | (speed > lively) | (guards.away > far)
    pad = signals.frames(_PAD_S)
    wide = stirs.copy()
    for start, stop in zip(*series.runs(stirs), strict=True):
        wide[max(0, int(start) - pad) : int(stop) + pad] = True
    return drop_short(~wide, signals.frames(MIN_CALM_S))


def lay_stretches(
    motion: Motion, body: BodyMap, contacts: Contacts, ranges: tuple[tuple[int, int], ...]
) -> Pool:
    """Stretches of a take, laid onto the stance of the longest; those that stand otherwise stay out."""
    longest = max(range(len(ranges)), key=lambda k: ranges[k][1] - ranges[k][0])
    kept: list[tuple[tuple[int, int], Motion]] = []
    wanted = _stance(motion.slice(*ranges[longest]), body)
    leg = leg_length(motion.skeleton, body)
    for start, stop in ranges:
        part = motion.slice(start, stop)
        turn, shift, off = _onto(_stance(part, body), wanted)
        if off > _MAX_STANCE_LEGS * leg:
            continue
        move = RootMotion(part.rate, np.tile(shift, (len(part), 1)), np.full(len(part), turn))
        kept.append(((start, stop), put_root_at_rest(with_root_motion(part, move), body)))
    frames = np.concatenate([np.arange(*span) for span, _ in kept])
    ends = np.stack([contacts.heel[frames], contacts.toe[frames]], axis=-1)
    return Pool(
        joined([part for _, part in kept]),
        frames,
        np.concatenate([np.full(b - a, k) for k, ((a, b), _) in enumerate(kept)]),
        ends.mean(axis=0) > 0.5,
        len(ranges) - len(kept),
    )


def joined(parts: list[Motion]) -> Motion:
    """Motions of one skeleton one after another, as they are."""
    tracks = {joint for part in parts for joint in part.translations}
    return replace(
        parts[0],
        rotations=np.concatenate([part.rotations for part in parts]),
        root_translation=np.concatenate([part.root_translation for part in parts]),
        translations={j: np.concatenate([part.translation_of(j) for part in parts]) for j in tracks},
    )


def _stance(part: Motion, body: BodyMap) -> Array:
    """Where soles are (P, 3), on the whole of a stretch; of a body without feet the ends of its thighs."""
    if body.feet:
        return np.asarray(np.median(foot_points(part, body), axis=0).reshape(-1, 3))
    thighs = np.array([body.require(side + "UpperLeg") for side in ("left", "right")])
    return np.asarray(np.median(positions_at(part, np.arange(len(part)), thighs), axis=0))


def _onto(stance: Array, wanted: Array) -> tuple[float, Array, float]:
    """Turn and shift (3,) over the floor that lay a stance (P, 3) onto another, and how far it is off then.

    By least squares, in closed form with the floor's plane as complex numbers.
    """
    here, there = (one[:, 0] + 1j * one[:, 1] for one in (stance, wanted))
    turn = float(np.angle(((here - here.mean()).conj() * (there - there.mean())).sum()))
    turned = quat.rotate(quat.from_yaw(turn), stance)
    shift = (wanted - turned).mean(axis=0) * [1.0, 1.0, 0.0]
    return turn, shift, float(np.linalg.norm(turned + shift - wanted, axis=-1).max())
