"""The turns that bring an arm out of the body: the nearest way, smooth in time, never far."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ..base.checks import Array, Index
from ..maths import quat
from ..maths.blocks import each_solved
from ..maths.capsule_distance import capsule_distances, capsule_gaps
from ..maths.easing import smoothstep
from .clearance_arm import Arm

# Those without a note were chosen by trial on the samples' take and on hands at hips, belly and thighs.
EASE_S = 0.55  # a turn comes and goes within so long
_ROUNDS = 12
# A frame in which no turn helps asks for no more: it lies all but as deep as before, three times running.
_BETTER, _VAIN_ROUNDS = 0.97, 3
_LARGER = 1.02  # times another turn's size: then it counts in its place
_MAX_TURN_RAD = np.radians(60.0)  # of an arm: beyond it a gesture is another one (by eye)
_MAX_STEP_RAD = np.radians(15.0)  # of a round: beyond it the nearest way out is another one
_TOLERANCE_M = 0.002  # of the gap that is still missing, at which no more rounds follow
_DAMPING_SHARE = 0.2  # of a forearm's length, squared: how little lever still turns an arm
_TWIST_COST = 4.0  # of a turn about the upper arm beside one that lifts it
_TOUCHES_M = 1.0  # taken from what a hand on the body, and the forearm beside it, lack: more than ever lacks
# Capsules that are nearly as deep as the deepest count with it, so that no small step changes the way out.
_SEVERAL, _BLEND_M = 4, 0.006
_CORE_SHARE = 0.25  # of a capsule's radius: nearer to its axis its surface does not tell the way out
NEAR_FRAMES = 1024  # worked on at a time
FAR_M = 0.025  # capsules further apart are not looked at: no round turns an arm by much more


@dataclass(frozen=True)
class Turns:
    """How an arm is turned in N frames.

    Attributes:
        free: (N, 3) about the shoulder, in the space of what carries the arm.
        elbow: (N,) before that, about the line from shoulder to wrist, radians.
    """

    free: Array
    elbow: Array

    def at(self, rows: Index) -> Turns:
        """Those in some of the frames (M,)."""
        return Turns(self.free[rows], self.elbow[rows])

    def in_model(self, above: Array, wrist: Array) -> Array:
        """The turns (N, 4) in model space, where the carriers' are (N, 4), and wrists lie at (N, 3)."""
        axis = wrist / np.maximum(quat.length(wrist), 1e-9)[:, None]
        lifted = quat.mul(quat.mul(above, quat.exp(self.free)), quat.inv(above))
        return quat.mul(lifted, quat.exp(self.elbow[:, None] * axis))


@dataclass(frozen=True)
class Look:
    """What is seen of an arm in N frames.

    Attributes:
        asked: (N, 4) the turns that would bring it out, free ones and the elbow's.
        margin: (N,) how much room is left, metres; below 0 it lies so deep.
    """

    asked: Array
    margin: Array


def look(arm: Arm, rows: Index) -> Look:
    """What is seen of an arm as it is, in some frames (M,)."""
    return Look(*_asked(arm, Turns(np.zeros((len(arm.above), 3)), np.zeros(len(arm.above))), rows))


def way_out(arm: Arm, seen: Look, rate: float) -> tuple[Turns, Array]:
    """The turns of an arm that was looked at in all N frames, and how deep (N,) it lies after them.

    A hand that keeps its place stays where it is: only its elbow turns.
    """
    width, count = max(round(EASE_S * rate), 1), len(arm.above)
    whole, loose = np.zeros((count, 4)), 1 - arm.held
    turns = Turns(whole[:, :3], whole[:, 3])
    asked, margin = seen.asked, seen.margin
    stuck = np.zeros(count, np.intp)
    for _ in range(_ROUNDS):
        if not (asked.any() and -margin.min() > _TOLERANCE_M):
            break
        whole = whole + np.concatenate([spread(asked[:, :3], width), spread(asked[:, 3:], width)], axis=-1)
        was, turns = turns, Turns(_bounded(whole[:, :3]) * loose[:, None], _bounded(whole[:, 3:])[:, 0])
        # No point of the arm moves further than by its turn, so what is far enough need not be looked at.
        moved = (quat.length(turns.free - was.free) + np.abs(turns.elbow - was.elbow)) * arm.reach
        was_m, margin = margin, margin - moved
        near = np.flatnonzero((margin < 0) & (moved > 0))
        asked = np.zeros_like(whole)
        asked[near], margin[near] = _asked(arm, turns, near)
        vain = (margin < 0) & (margin < _BETTER * was_m)
        stuck = np.where(vain, stuck + 1, 0)
        asked[stuck >= _VAIN_ROUNDS] = 0.0
    return turns, np.maximum(-margin, 0.0)


def _asked(arm: Arm, turns: Turns, frames: Index) -> tuple[Array, Array]:
    """In some frames the further turns (M, 4), free ones and the elbow's, and how much room is left (M,)."""
    asked, margin = np.zeros((len(frames), 4)), np.zeros(len(frames))
    for start in range(0, len(frames), NEAR_FRAMES):
        block = slice(start, start + NEAR_FRAMES)
        asked[block], margin[block] = _asked_in(arm, turns.at(frames[block]), frames[block])
    return asked, margin


def _asked_in(arm: Arm, turns: Turns, rows: Index) -> tuple[Array, Array]:
    """The same for some frames."""
    asked, ends = np.zeros((len(rows), 4)), arm.ends.take(rows, 1)
    turned = bool(turns.free.any() or turns.elbow.any())
    if turned:
        turn = turns.in_model(arm.above.take(rows, 0), arm.wrist.take(rows, 0))
        ends = ends @ quat.to_matrix(turn).swapaxes(1, 2)
    lacking = lacking_m(arm, ends + arm.shoulder.take(rows, 0)[:, None], rows)
    touches = arm.touches.take(rows)
    if touches.any():  # it touches what it reaches for
        lacking[:, arm.touching] -= _TOUCHES_M * touches[:, None, None]
    margin = -lacking.max(axis=(1, 2))
    deep = np.flatnonzero(margin < 0)
    if not len(deep):
        return asked, margin
    ends, lacking, mine = ends.take(deep, 1), lacking.take(deep, 0), rows.take(deep)
    above, wrist, along = (one.take(mine, 0) for one in (arm.above, arm.wrist, arm.along))
    if turned:
        wrist, along = (quat.rotate(turn.take(deep, 0), one) for one in (wrist, along))
    matrix, right = _cost(arm, along), np.zeros((len(deep), 3))
    axis = wrist / np.maximum(quat.length(wrist), 1e-9)[:, None]
    pull, weight = np.zeros(len(deep)), np.full(len(deep), (_DAMPING_SHARE * arm.length) ** 2)
    for group in arm.groups:
        lacks = lacking[:, group]
        some = np.flatnonzero(lacks.max(axis=(1, 2)) > 0)
        missing, lever = _worst(arm, ends.take(some, 1), lacks.take(some, 0), group, mine.take(some))
        matrix[some] += lever[:, :, None] * lever[:, None, :]
        right[some] += missing[:, None] * lever
        about = np.einsum("ni,ni->n", lever, axis[some])
        pull[some] += missing * about
        weight[some] += about**2
    found = each_solved(matrix, right[..., None])[..., 0]
    found *= np.minimum(1.0, _MAX_STEP_RAD / np.maximum(quat.length(found), 1e-9))[:, None]
    asked[deep, :3] = quat.rotate(quat.inv(above), found)
    asked[deep, 3] = arm.held.take(mine) * np.clip(pull / weight, -_MAX_STEP_RAD, _MAX_STEP_RAD)
    return asked, margin


def lacking_m(arm: Arm, ends: Array, rows: Index) -> Array:
    """How much room (M, A, B) capsules at (2, M, A, 3) about the hips lack; what is far lacks -FAR_M."""
    around, shape = arm.around, (len(rows), *arm.room.shape)
    # From the middle of one of the arm's to the other's segment: what is further than both are thick and half
    # of the first one's length lies apart.
    reach = (arm.radius + arm.half)[:, None] + around.radius + arm.room + FAR_M
    square, along = (one.reshape(len(rows), -1) for one in around.seen_from(ends, rows))
    square -= along * along
    beyond = np.abs(along, out=along)
    beyond -= np.tile(around.half, shape[1])
    beyond = np.maximum(beyond, np.float32(0.0), out=beyond)
    square += beyond * beyond
    near = np.flatnonzero(square < reach.astype(np.float32).ravel() ** 2)
    mine, theirs = np.divmod(near, shape[2])
    row, capsule = np.divmod(mine, shape[1])
    there = rows.take(row) * shape[2] + theirs
    (a, b), (c, d) = (one.reshape(2, -1, 3) for one in (ends, around.ends))
    mine_at, others_at = (a.take(mine, 0), b.take(mine, 0)), (c.take(there, 0), d.take(there, 0))
    radii = arm.radius.take(capsule), around.radius.take(theirs)
    gaps = capsule_gaps(*mine_at, radii[0], *others_at, radii[1])
    out = np.full(shape, -FAR_M)
    out.reshape(-1)[near] = np.maximum(arm.room.take(capsule * shape[2] + theirs) - gaps, -FAR_M)
    return out


def _worst(arm: Arm, ends: Array, lacking: Array, group: Index, rows: Index) -> tuple[Array, Array]:
    """Of some capsules (G,) of an arm the one that lacks most room: how much (M,), and its lever (M, 3).

    A turn (M, 3) moves it out of the body by the product with its lever.
    """
    missing, places = deepest(arm, ends, lacking, group, rows)
    lever = np.zeros((len(rows), 3))
    for weight, here, way in places:
        lever += weight[:, None] * quat.cross(here, way)
    return missing, lever


def deepest(
    arm: Arm, ends: Array, lacking: Array, group: Index, rows: Index
) -> tuple[Array, list[tuple[Array, Array, Array]]]:
    """What the one of some capsules (G,) of an arm lacks (M,) that lacks most, and the places that do.

    Of each place how much it counts (M,), where it is on the arm (M, 3), and the way out of the body (M, 3).
    `ends` (2, M, A, 3) and places are from the shoulder.
    """
    count, around = np.arange(len(lacking)), arm.around
    flat = lacking.reshape(len(lacking), lacking.shape[1] * lacking.shape[2])
    several = min(_SEVERAL, flat.shape[1])
    best = np.argpartition(-flat, several - 1, axis=1)[:, :several]
    lacks = np.take_along_axis(flat, best, axis=1)
    most = lacks.max(axis=1)
    weight = np.exp((lacks - most[:, None]) / _BLEND_M)
    weight /= weight.sum(axis=1, keepdims=True)
    each, theirs = np.divmod(best.T, lacking.shape[2])
    mine, others = group.take(each), rows * around.ends.shape[2] + theirs
    shoulder = arm.shoulder.take(rows, 0)
    first, second = (one.reshape(-1, 3).take(count * ends.shape[2] + mine, 0) for one in ends)
    c, d = (one.reshape(-1, 3).take(others, 0) - shoulder for one in around.ends)
    _, here, there = capsule_distances(first, second, arm.radius.take(mine), c, d, around.radius.take(theirs))
    way = _outwards(here - there, around.radius.take(theirs), arm.outward.take(rows, 0))
    return np.maximum(most, 0.0), list(zip(weight.T, here, way, strict=True))


def _outwards(apart: Array, radius: Array, outward: Array) -> Array:
    """The directions (..., 3) out of the body: off capsules, and `outward` for what lies in their core."""
    away = quat.length(apart)
    inside = smoothstep(np.clip(1 - away / (_CORE_SHARE * radius), 0.0, 1.0))
    way = apart * ((1 - inside) / np.maximum(away, 1e-9))[..., None] + inside[..., None] * outward
    return way / np.maximum(quat.length(way), 1e-9)[..., None]


def _cost(arm: Arm, along: Array) -> Array:
    """What a turn costs (N, 3, 3): little, and more about the upper arm itself."""
    least = (_DAMPING_SHARE * arm.length) ** 2
    return least * (np.eye(3) + (_TWIST_COST - 1) * along[:, :, None] * along[:, None, :])


def spread(asked: Array, width: int) -> Array:
    """The same turns (N, K), smooth in time: each reaches `width` frames to either side at its full size."""
    out = np.zeros_like(asked)
    size = quat.length(asked)
    if not size.any():
        return out
    # What is further from all that is asked stays 0; runs of the others are worked on as one, with gaps.
    wide = np.convolve(size > 0, np.ones(4 * width + 1), mode="full")[2 * width : 2 * width + len(size)] > 0.5
    rows = np.flatnonzero(wide)
    size, count = size[rows], len(rows)
    best, most = np.arange(count), size.copy()
    for step in range(1, min(width, count - 1) + 1):
        for shift in (step, -step):
            here, there = (slice(step, None), slice(None, -step))[:: 1 if shift > 0 else -1]
            larger = size[there] > _LARGER * most[here]  # else the nearer in time stays
            best[here][larger] = np.arange(count)[there][larger]
            most[here][larger] = size[there][larger]
    bell = np.hanning(2 * width + 3)[1:-1]
    padded = np.pad(asked[rows][best], ((width, width), (0, 0)), mode="edge")
    for k in range(asked.shape[1]):
        out[rows, k] = np.convolve(padded[:, k], bell / bell.sum(), mode="valid")
    return out


def _bounded(turns: Array) -> Array:
    """Turns (N, K) that come near the largest one softly, and never pass it."""
    size = quat.length(turns)[:, None]
    return np.asarray(turns * (_MAX_TURN_RAD * np.tanh(size / _MAX_TURN_RAD) / np.maximum(size, 1e-9)))
