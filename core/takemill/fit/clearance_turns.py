"""The turns that bring an arm out of the body: the nearest way, smooth in time, never far."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ..base.checks import Array, Index
from ..maths import quat
from ..maths.blocks import each_solved
from ..maths.capsule_distance import capsule_distances
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
    above, wrist = arm.above[rows], arm.wrist[rows]
    asked, ends = np.zeros((len(rows), 4)), arm.ends[:, rows]
    turned = bool(turns.free.any() or turns.elbow.any())
    if turned:
        turn = turns.in_model(above, wrist)
        ends = ends @ quat.to_matrix(turn).swapaxes(1, 2)
    lacking = lacking_m(arm, ends + arm.shoulder[rows, None], rows)
    lacking[:, arm.touching] -= _TOUCHES_M * arm.touches[rows, None, None]  # it touches what it reaches for
    margin = -lacking.max(axis=(1, 2))
    deep = np.flatnonzero(margin < 0)
    if not len(deep):
        return asked, margin
    above, wrist, ends, lacking, mine = above[deep], wrist[deep], ends[:, deep], lacking[deep], rows[deep]
    along, held = arm.along[mine], arm.held[mine]
    if turned:
        wrist, along = (quat.rotate(turn[deep], one) for one in (wrist, along))
    matrix, right = _cost(arm, along), np.zeros((len(deep), 3))
    axis = wrist / np.maximum(quat.length(wrist), 1e-9)[:, None]
    pull, weight = np.zeros(len(deep)), np.full(len(deep), (_DAMPING_SHARE * arm.length) ** 2)
    for group in arm.groups:
        missing, lever = _worst(arm, ends, lacking[:, group], group, mine)
        counts = missing > 0
        matrix += counts[:, None, None] * lever[:, :, None] * lever[:, None, :]
        right += missing[:, None] * lever
        about = np.einsum("ni,ni->n", lever, axis)
        pull, weight = pull + missing * about, weight + counts * about**2
    found = each_solved(matrix, right[..., None])[..., 0]
    found *= np.minimum(1.0, _MAX_STEP_RAD / np.maximum(quat.length(found), 1e-9))[:, None]
    asked[deep, :3] = quat.rotate(quat.inv(above), found)
    asked[deep, 3] = held * np.clip(pull / weight, -_MAX_STEP_RAD, _MAX_STEP_RAD)
    return asked, margin


def lacking_m(arm: Arm, ends: Array, rows: Index) -> Array:
    """How much room (M, A, B) capsules at (2, M, A, 3) about the hips lack; what is far lacks -FAR_M."""
    around = arm.around
    middle = ends.mean(axis=0, dtype=np.float32)
    # From the middle of one of the arm's to the other's segment: what is further than both are thick and half
    # of the first one's length lies apart.
    apart = around.square[rows][:, None] - 2 * (middle @ around.middle[rows].swapaxes(1, 2))
    apart += np.einsum("nai,nai->na", middle, middle)[:, :, None]
    beside = middle @ around.way[rows].swapaxes(1, 2) - around.along[rows][:, None]
    nearest = np.clip(beside, -around.half, around.half)
    apart += nearest * (nearest - 2 * beside)
    reach = (arm.radius + arm.half)[:, None] + around.radius + arm.room + FAR_M
    near = np.flatnonzero(apart < reach.astype(np.float32) ** 2)
    row, pair = np.divmod(near, reach.size)
    mine, theirs = np.divmod(pair, reach.shape[1])
    there = rows[row]
    gaps = capsule_distances(
        ends[0, row, mine], ends[1, row, mine], arm.radius[mine],
        around.ends[0, there, theirs], around.ends[1, there, theirs], around.radius[theirs],
    )[0]  # fmt: skip
    out = np.full(apart.shape, -FAR_M)
    out.reshape(-1)[near] = np.maximum(arm.room.reshape(-1)[pair] - gaps, -FAR_M)
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
    flat = lacking.reshape(len(lacking), -1)
    several = min(_SEVERAL, flat.shape[1])
    best = np.argpartition(-flat, several - 1, axis=1)[:, :several]
    lacks = np.take_along_axis(flat, best, axis=1)
    most = lacks.max(axis=1)
    weight = np.exp((lacks - most[:, None]) / _BLEND_M)
    weight /= weight.sum(axis=1, keepdims=True)
    places, shoulder, outward = [], arm.shoulder[rows], arm.outward[rows]
    for k in range(several):
        mine, theirs = group[best[:, k] // lacking.shape[2]], best[:, k] % lacking.shape[2]
        _, here, there = capsule_distances(
            ends[0, count, mine], ends[1, count, mine], arm.radius[mine],
            around.ends[0, rows, theirs] - shoulder, around.ends[1, rows, theirs] - shoulder,
            around.radius[theirs],
        )  # fmt: skip
        places.append((weight[:, k], here, _outwards(here - there, around.radius[theirs], outward)))
    return np.maximum(most, 0.0), places


def _outwards(apart: Array, radius: Array, outward: Array) -> Array:
    """The directions (N, 3) out of the body: off its capsules, and `outward` for what lies in their core."""
    away = quat.length(apart)
    inside = smoothstep(np.clip(1 - away / (_CORE_SHARE * radius), 0.0, 1.0))
    way = apart / np.maximum(away, 1e-9)[:, None] * (1 - inside)[:, None] + inside[:, None] * outward
    return way / np.maximum(quat.length(way), 1e-9)[:, None]


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
