"""The turns that bring an arm out of the body: the nearest way, smooth in time, never far."""

from __future__ import annotations

import numpy as np

from ..base.checks import Array, Index
from ..maths import quat
from ..maths.blocks import each_solved
from ..maths.capsule_distance import all_distances, capsule_distances
from ..maths.easing import smoothstep
from .clearance_arm import GAP_M, Arm

# Those without a note were chosen by trial on the samples' take and on hands at hips, belly and thighs.
_EASE_S = 0.55  # a turn comes and goes within so long
_ROUNDS = 12
_LARGER = 1.02  # times another turn's size: then it counts in its place
_MAX_TURN_RAD = np.radians(60.0)  # of an arm: beyond it a gesture is another one (by eye)
_MAX_STEP_RAD = np.radians(15.0)  # of a round: beyond it the nearest way out is another one
_TOLERANCE_M = 0.001  # of what is still inside, at which no more rounds follow
_DAMPING_SHARE = 0.2  # of a forearm's length, squared: how little lever still turns an arm
_TWIST_COST = 4.0  # of a turn about the upper arm beside one that lifts it
_TOUCHES_M = 1.0  # taken from what a held hand, and the forearm beside it, lack: more than ever lacks
# How far the capsules of a held hand may be inside of what it touches. Chosen while hands did not go back to
# their goals after this step, and not tried again since: with 2 mm meshes were 0 to 3 mm inside
# and hands on hips 13 to 16 mm from their goals, with 10 mm 3 and 6 to 8 mm, with 12 mm 5 and 4 to 6.
_ENTERS_M = 0.010
# Capsules that are nearly as deep as the deepest count with it, so that no small step changes the way out.
_SEVERAL, _BLEND_M = 4, 0.006
_CORE_SHARE = 0.25  # of a capsule's radius: nearer to its axis its surface does not tell the way out
_HOLD = 30.0  # how much a hand's goal counts beside an elbow's way out
_NEAR_FRAMES = 1024  # worked on at a time


def way_out(arm: Arm, rate: float) -> tuple[Array, Array, Array]:
    """The turns (N, 3) of the upper arm in its parent's space, and how deep (N,) before and after."""
    width = max(round(_EASE_S * rate), 1)
    turns = whole = np.zeros((len(arm.above), 3))
    asked, before = _asked(arm, turns, np.arange(len(turns)))
    after = before.copy()
    for _ in range(_ROUNDS):
        if not after.max() > _TOLERANCE_M:
            break
        more = _spread(asked, width)
        whole = whole + more
        turns = _bounded(whole)
        moved = np.flatnonzero(more.any(axis=1))
        asked = np.zeros_like(turns)
        asked[moved], after[moved] = _asked(arm, turns, moved)
    return turns, before, after


def _asked(arm: Arm, turns: Array, frames: Index) -> tuple[Array, Array]:
    """The further turns (M, 3) that bring the arm out in some frames, and how deep (M,) it lies now."""
    asked, depth = np.zeros((len(frames), 3)), np.zeros(len(frames))
    for start in range(0, len(frames), _NEAR_FRAMES):
        block = slice(start, start + _NEAR_FRAMES)
        asked[block], depth[block] = _asked_in(arm, turns[frames[block]], frames[block])
    return asked, depth


def _asked_in(arm: Arm, turns: Array, block: Index) -> tuple[Array, Array]:
    """The same for some frames."""
    above, held = arm.above[block], arm.held[block]
    turn = quat.mul(quat.mul(above, quat.exp(turns)), quat.inv(above))
    ends = quat.rotate(turn[:, None], arm.ends[:, block])
    others = arm.body_ends[:, block]
    lacking = arm.room - all_distances(ends[0], ends[1], arm.radius, others[0], others[1], arm.body_radius)
    inside = lacking[:, arm.touching] - (GAP_M + _ENTERS_M)
    lacking[:, arm.touching] -= _TOUCHES_M * held[:, None, None]  # it touches what it reaches for
    outward = arm.outward[block]
    matrix, right = np.zeros((len(turns), 3, 3)), np.zeros((len(turns), 3))
    deepest = np.zeros(len(turns))
    for group in arm.groups:
        missing, lever = _worst(arm, ends, others, lacking[:, group], group, outward)
        deepest = np.maximum(deepest, missing)
        matrix += np.where(missing > 0, 1.0, 0.0)[:, None, None] * lever[:, :, None] * lever[:, None, :]
        right += missing[:, None] * lever
    entered, lever = _worst(arm, ends, others, inside, arm.touching, outward)
    entered = entered * held
    deepest = np.maximum(deepest, entered)
    deep = np.flatnonzero(deepest > 0)
    asked = np.zeros_like(turns)
    if len(deep):
        wrist = quat.rotate(turn, arm.wrist[block])[deep]
        matrix = matrix[deep] + _cost(arm, quat.rotate(turn, arm.along[block])[deep], held[deep])
        matrix += _HOLD * held[deep, None, None] * _keeping(wrist)
        found = each_solved(matrix, right[deep, :, None])[..., 0]
        axis = wrist / np.maximum(quat.length(wrist), 1e-9)[:, None]
        aside = found - np.einsum("ni,ni->n", found, axis)[:, None] * axis
        found -= held[deep, None] * aside
        square = np.einsum("ni,ni->n", lever[deep], lever[deep]) + (_DAMPING_SHARE * arm.length) ** 2
        found += (entered[deep] / square)[:, None] * lever[deep]
        found *= np.minimum(1.0, _MAX_STEP_RAD / np.maximum(quat.length(found), 1e-9))[:, None]
        asked[deep] = quat.rotate(quat.inv(above[deep]), found)
    return asked, deepest


def _worst(
    arm: Arm, ends: Array, others: Array, lacking: Array, group: Index, outward: Array
) -> tuple[Array, Array]:
    """Of some capsules (G,) of an arm the one that lacks most room: how much (N,), and its lever (N, 3).

    A turn (N, 3) moves it out of the body by the product with its lever.
    """
    count = np.arange(len(lacking))
    flat = lacking.reshape(len(lacking), -1)
    several = min(_SEVERAL, flat.shape[1])
    best = np.argpartition(-flat, several - 1, axis=1)[:, :several]
    lacks = np.take_along_axis(flat, best, axis=1)
    most = lacks.max(axis=1)
    weight = np.exp((lacks - most[:, None]) / _BLEND_M)
    weight /= weight.sum(axis=1, keepdims=True)
    lever = np.zeros((len(lacking), 3))
    for k in range(several):
        mine, theirs = group[best[:, k] // lacking.shape[2]], best[:, k] % lacking.shape[2]
        _, here, there = capsule_distances(
            ends[0, count, mine], ends[1, count, mine], arm.radius[mine],
            others[0, count, theirs], others[1, count, theirs], arm.body_radius[theirs],
        )  # fmt: skip
        way = _outwards(here - there, arm.body_radius[theirs], outward)
        lever += weight[:, k, None] * np.cross(here, way)
    return np.maximum(most, 0.0), lever


def _outwards(apart: Array, radius: Array, outward: Array) -> Array:
    """The directions (N, 3) out of the body: off its capsules, and `outward` for what lies in their core."""
    away = quat.length(apart)
    inside = smoothstep(np.clip(1 - away / (_CORE_SHARE * radius), 0.0, 1.0))
    way = apart / np.maximum(away, 1e-9)[:, None] * (1 - inside)[:, None] + inside[:, None] * outward
    return way / np.maximum(quat.length(way), 1e-9)[:, None]


def _cost(arm: Arm, along: Array, held: Array) -> Array:
    """What a turn costs (N, 3, 3): little, and more about the upper arm itself."""
    least = (_DAMPING_SHARE * arm.length) ** 2
    twist = (_TWIST_COST - 1) * (1 - held)[:, None, None] * along[:, :, None] * along[:, None, :]
    return least * (np.eye(3) + twist)


def _keeping(wrist: Array) -> Array:
    """How far (N, 3, 3) a turn moves the wrist (N, 3), squared: nothing about its own direction."""
    square = np.einsum("ni,ni->n", wrist, wrist)
    return square[:, None, None] * np.eye(3) - wrist[:, :, None] * wrist[:, None, :]


def _spread(asked: Array, width: int) -> Array:
    """The same turns (N, 3), smooth in time: each reaches `width` frames to either side at its full size."""
    best, size = asked.copy(), quat.length(asked)
    for step in range(1, width + 1):
        for shifted in (_shifted(asked, step), _shifted(asked, -step)):
            larger = quat.length(shifted) > _LARGER * size  # else the nearer in time stays
            best[larger], size = shifted[larger], np.maximum(size, quat.length(shifted))
    bell = np.hanning(2 * width + 3)[1:-1]
    padded = np.pad(best, ((width, width), (0, 0)), mode="edge")
    return np.stack([np.convolve(padded[:, k], bell / bell.sum(), mode="valid") for k in range(3)], axis=-1)


def _bounded(turns: Array) -> Array:
    """Turns (N, 3) that come near the largest one softly, and never pass it."""
    size = quat.length(turns)[:, None]
    return np.asarray(turns * (_MAX_TURN_RAD * np.tanh(size / _MAX_TURN_RAD) / np.maximum(size, 1e-9)))


def _shifted(values: Array, step: int) -> Array:
    """Values (N, 3), later by `step` frames; zeros come in."""
    out = np.zeros_like(values)
    if step > 0:
        out[step:] = values[:-step] if step < len(values) else values[:0]
    else:
        out[:step] = values[-step:] if -step < len(values) else values[:0]
    return out
