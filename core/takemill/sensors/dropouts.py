"""Stretches in which one sensor said nothing and its segment was held still in the world: arrays only."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ..base.checks import Array, Mask
from ..maths import quat
from ..maths.series import filled, runs
from .body_bridge import bridge_from_body
from .bridge import bridge
from .denoise import noise_deviation
from .segments import Segments

# Quaternion difference below which an orientation repeats itself: the rounding of a text file (1e-6 a joint)
# through a chain of some joints.
_MAX_REPEAT_CHANGE = 5e-6
_MIN_FRAMES = 4  # held; fewer are a bridge's work anyway
_MIN_LEAVING_JUMP_RAD = np.radians(1.0)  # with which a held segment goes on; less does no harm
_MIN_JUMP_STEPS = 2.5  # times as large is that jump as the step that follows; an estimate, as in `frozen`
_MIN_SUIT_NOISE_RAD = np.radians(0.05)  # a sensor with more never rests in equal values
_MAX_HELD_SHARE = 0.5  # of the segments may be held at once: else it is the suit, or the body rests
_MIN_BODY_GAP_S = 0.1  # shorter gaps are bridged by a cubic


@dataclass(frozen=True)
class Dropout:
    """A stretch without a sensor: the segment's place among its `Segments` and its frames, half-open."""

    place: int
    start: int
    stop: int


def find_dropouts(
    world: Array, segments: Segments, rate: float, longest_frozen_s: float = 0.25
) -> tuple[Dropout, ...]:
    """Stretches in which one segment is held still in the world while its body moves, by frame.

    A stretch counts when the segment goes on with a jump, or when its sensor is never that quiet elsewhere.
    The uppermost segment turns in the world as its joint does, so that short stretches of it are frozen
    frames like those of any joint, and not meant here; nor are those of a joint that goes on being held
    against the segment above when that one moves.

    Args:
        world: (F, N, 4) orientations of the segments, hemisphere-continuous.
        segments: whose they are.
        rate: frames per second.
        longest_frozen_s: up to which stretches of the uppermost segment are left to `frozen`.
    """
    if len(world) <= _MIN_FRAMES:
        return ()
    steps = quat.length(np.diff(world, axis=0))
    held = steps < _MAX_REPEAT_CHANGE
    held &= (held.mean(axis=1) <= _MAX_HELD_SHARE)[:, None]
    found = []
    for place in range(len(segments)):
        starts, stops = runs(held[:, place])
        least = _MIN_FRAMES if segments.parents[place] >= 0 else int(longest_frozen_s * rate) + 1
        long = stops - starts >= least - 1
        if not long.any():
            continue
        noisy = 2 * noise_deviation(world[:, place]) > _MIN_SUIT_NOISE_RAD
        above = world[:, segments.parents[place]] if segments.parents[place] >= 0 else quat.IDENTITY
        joint_held = quat.length(np.diff(quat.mul(quat.inv(above), world[:, place]), axis=0))
        joint_held = np.pad(joint_held < _MAX_REPEAT_CHANGE, 1)  # of step k at k + 1
        for start, stop in zip(starts[long].tolist(), stops[long].tolist(), strict=True):
            if joint_held[start] or joint_held[stop + 1]:
                continue
            if stop >= len(steps):
                jump = after = 0.0
            else:
                jump, after = 2 * steps[stop, place], 2 * steps[min(stop + 1, len(steps) - 1), place]
            if jump > _MIN_LEAVING_JUMP_RAD and (noisy or jump > _MIN_JUMP_STEPS * after):
                found.append(Dropout(place, start + 1, stop + 1))
    return tuple(sorted(found, key=lambda one: (one.start, one.place)))


def bridge_dropouts(
    world: Array, segments: Segments, dropouts: tuple[Dropout, ...], rate: float, longest_s: float
) -> tuple[Array, Mask]:
    """Orientations (F, N, 4) whose dropouts are bridged, and which of the D dropouts are (D,).

    Gaps of a tenth of a second and more by what the rest of the body did (`bridge_from_body`); shorter ones,
    and where that tells nothing, by a cubic of the segment against the one above it.

    Args:
        world: (F, N, 4) of the segments.
        segments: whose they are.
        dropouts: to bridge.
        rate: frames per second.
        longest_s: longer ones are left.
    """
    out = world.copy()
    bad = np.zeros(world.shape[:2], bool)
    for one in dropouts:
        bad[one.start : one.stop, one.place] = True
    done = np.zeros(len(dropouts), bool)
    for number, one in enumerate(dropouts):
        length = one.stop - one.start
        if length > longest_s * rate + 0.5 or one.start == 0 or one.stop == len(world):
            continue
        path = None
        if length >= _MIN_BODY_GAP_S * rate:
            path = bridge_from_body(out, segments, one.place, (one.start, one.stop), bad, rate)
        out[one.start : one.stop, one.place] = _cubic(out, segments, one) if path is None else path
        bad[one.start : one.stop, one.place] = False
        done[number] = True
    return out, done


def _cubic(world: Array, segments: Segments, one: Dropout) -> Array:
    """A cubic bridge (G, 4) of a segment's turns against the segment above it."""
    parent = int(segments.parents[one.place])
    above = world[:, parent] if parent >= 0 else np.broadcast_to(quat.IDENTITY, (len(world), 4))
    local = quat.continuous(quat.mul(quat.inv(above), world[:, one.place]))
    starts, stops = np.array([one.start]), np.array([one.stop])
    bridged, _ = bridge(local, filled(len(world), starts, stops), len(world))
    inside = slice(one.start, one.stop)
    return quat.mul(above[inside], bridged[inside])
