"""Where planted feet should stand, what the hips take of the correction, and how the rest comes and goes."""

from __future__ import annotations

import numpy as np

from ..base.checks import Array, Index, Mask
from ..maths import filters
from ..maths.easing import cubic_basis
from ..maths.series import eroded, runs
from .pin_hips import hips_course

_MAX_ROUNDS = 12  # of looking for feet that slide; trial: 8 and 18 give the same (sensitivity.py)
# The others were chosen by eye. Trial of each: a third less or half as much again changes the repair's error
# by 0.3 % at most (sensitivity.py).
_EDGE_COST_FACTOR = 40.0  # for a contact's first and last frames: what they miss goes on outside of it
_SINGLE_SUPPORT_WEIGHT = 10.0  # of a frame with one foot down, against one with both, in a contact's place
# Legs do not follow a floor that seems to move by so little so fast.
_TREMBLE_S, _MAX_TREMBLE_M = 0.03, 0.0015
_FADE_ACCELERATION_M_S2 = 20.0  # about which corrections come and go,
_MIN_FADE_S = 0.03  # or in this time if that is longer


def pinned_course(
    step: Array, height: Array, known: Mask, cost: Array, rate: float, rests: Mask | None = None
) -> tuple[Array, Array]:
    """How the body has slid and risen (F, 3), and each foot beyond that (F, K, 3), where feet should stand.

    Each contact is one place; it lies where the legs have least to do. The body goes smoothly, where it
    spares the legs most, which make up what is left.

    Args:
        step: (F - 1, K, 2) what each foot slides from frame to frame, metres.
        height: (F, K) of each over the floor.
        known: (F, K) where feet stand.
        cost: (F, K, 3, 3) of what a leg makes up, as `pin_legs.bend_cost`.
        rate: frames per second.
        rests: (F,) where something else carries the body, and lies where it should.
    """
    cost = cost * (known + _EDGE_COST_FACTOR * (known & ~eroded(known, 1)))[..., None, None]
    paths = _sum_steps(step)
    wanted = np.concatenate(
        [_centre_contacts(paths, known), _smooth_heights(height, known, rate)[..., None]], axis=-1
    )
    slid = hips_course(*_with_rests(wanted, cost, rests), rate)
    missed = wanted[..., :2] - slid[:, None, :2]
    wanted[..., :2] += _centre_contacts(missed, known) - missed
    slid = hips_course(*_with_rests(wanted, cost, rests), rate)
    return slid, np.where(known[..., None], wanted - slid[:, None], 0.0)


def _with_rests(wanted: Array, cost: Array, rests: Mask | None) -> tuple[Array, Array]:
    """What feet ask for (F, K, 3) and its cost (F, K, 3, 3), and one more that asks for 0 where it rests."""
    if rests is None:
        return wanted, cost
    still = rests[:, None, None, None] * np.eye(3)
    return np.concatenate([wanted, np.zeros_like(wanted[:, :1])], axis=1), np.concatenate(
        [cost, still], axis=1
    )


def _sum_steps(step: Array) -> Array:
    """Paths (F, K, 2) of steps (F - 1, K, 2)."""
    return np.concatenate([np.zeros((1, *step.shape[1:])), np.cumsum(step, axis=0)])


def _smooth_heights(height: Array, known: Mask, rate: float) -> Array:
    """Heights (F, K) where feet stand, without their tremble; what exceeds a tremble stays."""
    half = max(round(_TREMBLE_S * rate), 1)
    there = known.astype(float)
    calm = height
    for _ in range(2):
        around = filters.moving_mean(there, half)
        calm = filters.moving_mean(calm * there, half) / np.where(known, around, 1.0)
    off = calm - height
    return np.where(known, height + off / np.sqrt(1 + (off / _MAX_TREMBLE_M) ** 2), height)


def _centre_contacts(paths: Array, known: Mask) -> Array:
    """Paths (F, K, 2) less the mean of each contact, in which frames with one foot down count most."""
    out = paths.copy()
    weight = np.where(known.sum(axis=1) == 1, _SINGLE_SUPPORT_WEIGHT, 1.0)[:, None]
    for k in range(known.shape[1]):
        starts, stops = runs(known[:, k])
        if not len(starts):
            continue
        inside = np.repeat(np.arange(len(starts)), stops - starts)
        here = known[:, k]
        edges = np.concatenate([[0], np.cumsum(stops - starts)[:-1]])
        total = np.add.reduceat(out[here, k] * weight[here], edges, axis=0)
        out[here, k] -= (total / np.add.reduceat(weight[here], edges, axis=0))[inside]
    return out


def drop_sliding(step: Array, height: Array, known: Mask, slip: float, blend: int) -> Mask:
    """Contacts (F, K) without those of feet that slide or float, against another that stands, by over `slip`.

    Of two feet the quicker one is let go, or the higher one where it is the height that keeps them apart: in
    a short overlap wholly, in a long one around the worst, so that a foot that steps is still pinned before
    and after, and one that glides is not. step, height, known: as in `pinned_course`; slip in metres,
    of each foot off the middle between both.
    """
    known = known.copy()
    if known.shape[1] < 2:
        return known
    paths = _sum_steps(step)
    speed = np.linalg.norm(step, axis=-1)
    speed = filters.moving_mean(np.concatenate([speed[:1], speed]), max(blend // 3, 1))
    for _ in range(_MAX_ROUNDS):
        both = known.all(axis=1)
        placed = _centre_contacts(paths, known)
        # A knee bends more for a height than for as long a step over the floor.
        apart = [placed[:, 1] - placed[:, 0], 2 * (height[:, 1:] - height[:, :1])]
        size = np.abs(np.concatenate(apart, axis=1)) / 2
        too_far = both & (np.linalg.norm(size, axis=-1) > slip)
        if not too_far.any():
            break
        starts, stops = runs(both)
        counts = np.concatenate([[0], np.cumsum(too_far)])
        worse = counts[stops] > counts[starts]
        for start, stop in zip(starts[worse], stops[worse], strict=True):
            here = slice(start, stop)
            most = size[here][too_far[here]].max(axis=0)
            how = height if most[2] > np.hypot(most[0], most[1]) else speed
            worst = int(how[here].mean(axis=0).argmax())
            if stop - start > 4 * blend:
                here = _peak_frames(how[here, worst], int(start), blend)
            known[here, worst] = False
    return known


def _peak_frames(values: Array, start: int, blend: int) -> slice:
    """The frames, from `start` on, around the inner peak of values (N,) above half of it; `blend` or more."""
    peak = blend + int(np.argmax(values[blend:-blend]))
    low = np.flatnonzero(values < values[peak] / 2)
    first = low[low < peak].max(initial=-1) + 1
    last = low[low > peak].min(initial=len(values))
    return slice(start + min(int(first), peak - blend // 2), start + max(int(last), peak + blend // 2))


def fade(values: Array, known: Mask, rate: float, longest: int) -> Array:
    """Values (F, C) where `known` (F,); elsewhere they come and go with their slope.

    The larger the value, the longer it takes, up to `longest` frames, so that no acceleration stands out:
    what is small need not bend a leg for long. A gap shorter than two such fades is crossed by one cubic
    from known to known (C1 at both ends).
    """
    out = np.where(known[:, None], values, 0.0)
    begins, ends = runs(known)
    starts, stops = runs(~known)
    if not len(begins) or not len(starts):
        return out
    # Per gap the known stretch before and after it: its edge's value, and its slope over up to 3 frames.
    before, after = np.searchsorted(ends, starts), np.searchsorted(begins, stops)
    left, right = starts > 0, stops < len(known)
    edge = np.where(left, starts - 1, 0)
    inner = np.where(left, np.maximum(edge - 3, begins[np.minimum(before, len(begins) - 1)]), 0)
    a, slope_a = _edge(values, edge, inner, left)
    edge = np.where(right, stops, 0)
    inner = np.where(right, np.minimum(edge + 3, ends[np.minimum(after, len(ends) - 1)] - 1), 0)
    b, slope_b = _edge(values, edge, inner, right)
    sizes = stops - starts
    least = min(max(round(_MIN_FADE_S * rate), 1), longest)
    lengths = [
        np.clip(
            np.ceil(rate * np.sqrt(6 * np.linalg.norm(value, axis=-1) / _FADE_ACCELERATION_M_S2)).astype(int),
            least,
            longest,
        )
        for value in (a, b)
    ]
    crossed = left & right & (sizes < lengths[0] + lengths[1])
    frame = np.flatnonzero(~known)
    gap = np.repeat(np.arange(len(starts)), sizes)
    distances = frame - starts[gap] + 1, stops[gap] - frame
    for value, slope, distance, length in zip((a, b), (slope_a, -slope_b), distances, lengths, strict=True):
        span = np.where(crossed, sizes, length)[gap] + 1
        u = np.minimum(distance / span, 1.0)[:, None]
        cubic = cubic_basis(u)
        out[frame] += value[gap] * (1 - cubic.late) + span[:, None] * slope[gap] * cubic.out_slope
    return out


def _edge(values: Array, edge: Index, inner: Index, there: Mask) -> tuple[Array, Array]:
    """Values (N, C) at frames (N,) and their slopes towards frames further in (N,); 0 where none are."""
    away = np.where(inner != edge, inner - edge, 1)[:, None]
    slope = (values[inner] - values[edge]) / away
    return np.where(there[:, None], values[edge], 0.0), np.where(there[:, None], slope, 0.0)
