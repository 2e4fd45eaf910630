"""A sensor that slips on its segment: from some moment on it sits turned, for good. Arrays only.

A slip is a step, the same in the joint of its segment and, turned around, in the joints below, while the rest
of the body goes on as it does. So each of those joints is first told from the rest of the body, by a linear
regression on the principal components of all other joints and of how fast they move; then a step at each
moment is fitted to what is left. In motion that repeats, and at hinges, little is left, and a step shows; in
free motion it does not, unless it is known from two reference poses that something slipped, and how far. Then
only its moment is sought.

Source of the step's fit: regression with a change point, Quandt, Journal of the American Statistical
Association 53, 1958; the step is taken out of both sides of the regression (Frisch and Waugh, Econometrica 1,
1933), so that all moments are tried in one pass.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ..base.checks import Array, Index, Mask
from ..maths import filters, quat
from .segments import Segments

_SAMPLES_HZ = 60.0  # that are looked at
_MAX_SAMPLES = 4000  # in long takes farther apart
_COMPONENTS = 8  # of the other joints; by trial: 5 miss slips, 12 explain them away
_MIN_TAKE_S = 8.0  # shorter takes show no before and after
_EDGE_S = 1.0  # a slip this near to an end is not told from how the take begins or ends
_MIN_SLIP_RAD, _MAX_SLIP_RAD = np.radians(3.0), np.radians(35.0)  # less does no harm, more is no slip
_NOISE_RAD = np.radians(0.3)  # that what is left has at least
# How clear a step is: what it explains, over what is left of a sample; and how much better a step explains
# what happens just then. By trial: clean open motions reach 1.1 with a jump of -19, and a jump of 9 with 0.4;
# slips of 10 degrees have 1.3 to 7 and 4 to 34 where motion repeats and at hinges, and less elsewhere.
_MIN_CLEARNESS, _MIN_JUMP_GAIN = 1.25, 4.0
_MAX_DISAGREEMENT = 0.1  # of what a step explains may be lost by its being one for all joints of the segment
_MIN_SPREAD = 0.02  # of a step's variance that the rest of the body leaves unexplained
_APART_S = 1.0  # samples whose difference tells how much is left without a step
_JUMP_S, _JUMP_NOISE_RAD = 0.067, np.radians(0.5)  # in which a slip happens; by trial
_SURE_RAD = np.radians(0.1)  # of a turn that is said to be known
_NEAR_S = 0.12  # of a lasting step its jump lies
_AROUND_S, _MIN_AROUND = 0.5, 0.05  # jumps are held against those around them
_CORRELATION_S = 0.5  # over which what is left goes on alike; an estimate


@dataclass(frozen=True)
class Slip:
    """A slip.

    Attributes:
        place: of the segment among its `Segments`.
        frame: from which it has slipped.
        turn: (4,) of the sensor on its segment, in the segment's own frame.
    """

    place: int
    frame: int
    turn: Array


@dataclass(frozen=True)
class _Step:
    """The best step of one segment at each of S samples.

    Attributes:
        turns: (S, 3) rotation vectors.
        explained: (S,) of what is left of the joints.
        lost: (S,) by its being one step for all joints.
        spread: (S,) of the step itself, less what the rest of the body explains; 0 where that is too little.
        weight: (3, 3) inverse covariance of a sample.
    """

    turns: Array
    explained: Array
    lost: Array
    spread: Array
    weight: Array


def find_slips(world: Array, segments: Segments, rate: float) -> tuple[Slip, ...]:
    """Slips that show by themselves, the clearest of each segment.

    Args:
        world: (F, N, 4) orientations of the segments, hemisphere-continuous.
        segments: whose they are.
        rate: frames per second.
    """
    picks = _picks(len(world), rate)
    if len(world) < _MIN_TAKE_S * rate or len(segments) < 4:
        return ()
    found = []
    step_s = (picks[1] - picks[0]) / rate
    own, below = _joint_vectors(world[picks], segments)
    for place in range(len(segments)):
        step = _steps(own, below, segments, place, step_s)
        if step is None:
            continue
        sizes = quat.length(step.turns)
        sure = _inside(step, step_s) & (sizes > _MIN_SLIP_RAD) & (sizes < _MAX_SLIP_RAD)
        sure &= step.lost < _MAX_DISAGREEMENT * step.explained
        clear = np.where(sure, step.explained / len(picks), 0.0)
        at = int(np.argmax(clear))
        if clear[at] < _MIN_CLEARNESS:
            continue
        jumps = _find_jumps(_signals(own, below, segments, place), step_s)
        near = slice(max(at - round(_NEAR_S / step_s), 0), at + round(_NEAR_S / step_s) + 1)
        gain = _gains(jumps, step.turns[at])[near]
        if gain.max() > _MIN_JUMP_GAIN:
            jump = near.start + int(np.argmax(gain))
            weights, pulls = _weigh_both(step, jumps, step_s)
            turn = quat.exp(np.linalg.solve(weights[jump], pulls[jump]))
            found.append((float(clear[at]), date_slip(world, segments, place, turn, rate)))
    # A slip shows in the joints that neighbours share: of those the clearest.
    out: list[Slip] = []
    for _, slip in sorted(found, key=lambda one: -one[0]):
        if all(not _adjoining(segments, slip.place, other.place) for other in out):
            out.append(slip)
    return tuple(sorted(out, key=lambda slip: slip.place))


def date_slip(
    world: Array, segments: Segments, place: int, turn: Array, rate: float, spread: Array | None = None
) -> Slip:
    """The slip of a segment whose size is known: its likeliest moment.

    Args:
        world: (F, N, 4) orientations of the segments, hemisphere-continuous.
        segments: whose they are.
        place: of the segment.
        turn: (4,) in its own frame.
        rate: frames per second.
        spread: (3, 3) covariance of that turn, radians squared, where it is not known for sure; what the take
            shows at the moment then says more of it.
    """
    picks = _picks(len(world), rate)
    step_s = (picks[1] - picks[0]) / rate
    own, below = _joint_vectors(world[picks], segments)
    step = _steps(own, below, segments, place, step_s)
    known = quat.log(turn)
    if step is None:
        return Slip(place, len(world) // 2, turn)
    jumps = _find_jumps(_signals(own, below, segments, place), step_s)
    before = np.linalg.inv(np.eye(3) * _SURE_RAD**2 if spread is None else spread)
    weights, pulls = _weigh_both(step, jumps, step_s)
    weights, pulls = weights + before, pulls + before @ known
    turns = np.linalg.solve(weights, pulls[..., None])[..., 0]
    # How likely each moment is, whatever the turn: of a Gaussian's product, the logarithm of its integral.
    gain = (np.einsum("si,si->s", pulls, turns) - np.linalg.slogdet(weights)[1]) / 2
    # Of all moments in question the middle one, which is wrong by least.
    likely = np.cumsum(np.exp(np.maximum(gain - gain.max(), -50.0)))
    at = int(np.searchsorted(likely, likely[-1] / 2))
    if spread is None:
        return Slip(place, int(picks[at]), turn)
    near = slice(max(at - round(_NEAR_S / step_s), 0), at + round(_NEAR_S / step_s) + 1)
    return Slip(place, int(picks[at]), quat.exp(turns[near.start + int(np.argmax(gain[near]))]))


def remove_slips(world: Array, slips: tuple[Slip, ...]) -> Array:
    """Orientations (F, N, 4) without slips: each segment turned back from its moment on."""
    out = world.copy()
    for slip in slips:
        out[slip.frame :, slip.place] = quat.mul(out[slip.frame :, slip.place], quat.inv(slip.turn))
    return out


def _picks(frames: int, rate: float) -> Index:
    """The frames (S,) that are looked at, evenly spread."""
    step = max(round(rate / _SAMPLES_HZ), -(-frames // _MAX_SAMPLES), 1)
    return np.arange(0, frames, step)


def _adjoining(segments: Segments, one: int, other: int) -> bool:
    return int(segments.parents[one]) == other or int(segments.parents[other]) == one


def _joint_vectors(world: Array, segments: Segments) -> tuple[Array, Array]:
    """How each joint stands off its mean, as the segment below it and as the one above it sees it: (S, N, 3).

    The uppermost counts by how it leans.
    """
    own, above = np.empty((*world.shape[:2], 3)), np.empty((*world.shape[:2], 3))
    for place, parent in enumerate(segments.parents.tolist()):
        turned = world[:, place]
        if parent >= 0:
            turned = quat.mul(quat.inv(world[:, parent]), turned)
        else:
            turned = quat.mul(quat.from_yaw(-quat.yaw(turned)), turned)
        turned = quat.continuous(turned)
        middle = quat.normalize(turned.mean(axis=0))
        own[:, place] = quat.log(quat.mul(quat.inv(middle), turned))
        above[:, place] = quat.log(quat.mul(turned, quat.inv(middle)))
    return own, above


def _signals(own: Array, above: Array, segments: Segments, place: int) -> Array:
    """What a slip of a segment adds itself to: its joint's turns, and those below turned around (S, M, 3)."""
    children = np.flatnonzero(segments.parents == place)
    mine = [own[:, place]] if segments.parents[place] >= 0 else []
    return np.stack([*mine, *(-above[:, child] for child in children)], axis=1)


def _steps(own: Array, above: Array, segments: Segments, place: int, step_s: float) -> _Step | None:
    """The best step of one segment at each sample; None for one without neighbours."""
    children = np.flatnonzero(segments.parents == place).tolist()
    if segments.parents[place] < 0 and not children:
        return None
    count = len(own)
    others = [k for k in range(len(segments)) if k != place and k not in children]
    rest = own[:, others].reshape(count, -1)
    rest = rest - rest.mean(axis=0)
    axes = np.linalg.svd(rest[:: max(count // 1000, 1)], full_matrices=False)[2][:_COMPONENTS]
    moves = rest @ axes.T
    trend = np.linspace(-1, 1, count)[:, None] ** np.arange(2)
    basis, _ = np.linalg.qr(np.concatenate([moves, 6 * np.gradient(moves, axis=0), trend], axis=1))
    signals = _signals(own, above, segments, place)
    flat = signals.reshape(count, -1)
    left = (flat - basis @ (basis.T @ flat)).reshape(signals.shape)
    # A step at each sample, less what the rest of the body explains of it.
    spread = (count - np.arange(count)) - np.square(_from_here(basis)).sum(axis=1)
    turns = _from_here(left) / np.maximum(spread, 1e-9)[:, None, None]  # (S, M, 3)
    weights = _precisions(left, max(round(_APART_S / step_s), 1))
    whole = weights.sum(axis=0)
    shared = np.linalg.solve(whole, np.einsum("mij,smj->si", weights, turns).T).T
    off = turns - shared[:, None]
    spread = np.where(spread > _MIN_SPREAD / 10 * count, spread, 0.0)
    explained = spread * np.einsum("si,ij,sj->s", shared, whole, shared)
    lost = spread * np.einsum("smi,mij,smj->s", off, weights, off)
    return _Step(shared, explained, lost, spread, whole)


def _precisions(left: Array, apart: int) -> Array:
    """The inverse covariances (M, 3, 3) of what is left (S, M, 3), from differences some samples apart.

    A step hardly shows in those, and an axis about which a joint cannot turn is known well.
    """
    change = left[apart:] - left[:-apart]
    spread = np.einsum("smi,smj->mij", change, change) / (2 * len(change))
    out: Array = np.linalg.inv(spread + _NOISE_RAD**2 * np.eye(3))
    return out


def _from_here(values: Array) -> Array:
    """The sums (S, ...) of values (S, ...) from each sample to the end."""
    return np.cumsum(values[::-1], axis=0)[::-1]


def _inside(step: _Step, step_s: float) -> Mask:
    """Samples (S,) at which a slip can be told: not at the ends, nor where the body changes as well."""
    count = len(step.spread)
    edge = round(_EDGE_S / step_s)
    inside: Mask = step.spread > _MIN_SPREAD * count
    inside[:edge] = False
    inside[count - edge :] = False
    return inside


@dataclass(frozen=True)
class _Jumps:
    """What joints do just about each sample: a step (S, M, 3), and how precisely it is known (S, M, 3, 3)."""

    turns: Array
    weights: Array


def _find_jumps(signals: Array, step_s: float) -> _Jumps:
    """The jumps of joints (S, M, 3), held against those of the second around them."""
    turns = _step_filter(signals, max(round(_JUMP_S / step_s), 2))
    spread = np.einsum("smi,smj->mij", turns, turns) / len(turns)
    weights = np.linalg.inv(spread + _JUMP_NOISE_RAD**2 * np.eye(3))
    size = np.einsum("smi,mij,smj->sm", turns, weights, turns)
    around = np.maximum(filters.moving_mean(size, round(_AROUND_S / step_s)) / 3, _MIN_AROUND)
    return _Jumps(turns, weights / around[..., None, None])


def _gains(jumps: _Jumps, known: Array) -> Array:
    """How much better (S,) a step of a known size (3,) explains the jump at each sample than none."""
    off = jumps.turns - known
    size, left = (np.einsum("smi,smij,smj->s", one, jumps.weights, one) for one in (jumps.turns, off))
    gain: Array = (size - left) / 2
    return gain


def _weigh_both(step: _Step, jumps: _Jumps, step_s: float) -> tuple[Array, Array]:
    """What a lasting step and the jump at its start tell together.

    Inverse covariances (S, 3, 3) of the turn at each sample, and those times the turn (S, 3).
    """
    lasting = step.weight * (step.spread * step_s / _CORRELATION_S)[:, None, None]
    weights = lasting + jumps.weights.sum(axis=1)
    pulls = np.einsum("sij,sj->si", lasting, step.turns)
    return weights, pulls + np.einsum("smij,smj->si", jumps.weights, jumps.turns)


def _step_filter(values: Array, width: int) -> Array:
    """The step (S, ...) over `width` samples about each, between lines through as many before and after."""
    before, after = np.arange(-width - width // 2, -(width // 2)), np.arange(width) + (width + 1) // 2
    offsets = np.concatenate([before, after])
    model = np.stack([np.ones(len(offsets)), offsets, offsets >= 0], axis=1).astype(float)
    row = np.linalg.pinv(model)[2]
    out, edge = np.zeros_like(values), 2 * width
    if len(values) > 2 * edge:
        for weight, offset in zip(row, offsets.tolist(), strict=True):
            out[edge : len(values) - edge] += weight * values[edge + offset : len(values) - edge + offset]
    return out
