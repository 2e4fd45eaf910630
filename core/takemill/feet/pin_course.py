"""Where planted feet are to stand, what the hips take of that, and how the rest comes and goes."""

from __future__ import annotations

import numpy as np

from ..base.checks import Array, Index, Mask
from ..maths import filters
from ..maths.easing import cubic_basis
from ..maths.series import eroded, runs
from .pin_hips import hips_course

_ROUNDS = 12  # of looking for feet that slide
_EDGE_COST = 40.0  # what a contact's first and last frames miss is carried on outside of it
_ALONE = 10.0  # times what a frame with both feet down tells about where a contact lies
_LEVEL_S = 0.03  # legs do not follow what the floor seems to tremble by in so long,
_LEVEL_M = 0.0015  # up to this
_FADE_M_S2 = 20.0  # corrections come and go at about this acceleration,
_FADE_S = 0.03  # or in this time if that is longer


def pinned_course(step: Array, height: Array, known: Mask, cost: Array, rate: float) -> tuple[Array, Array]:
    """How the body has slid and risen (F, 3), and each foot beyond that (F, K, 3), on a path that is meant.

    Each contact is one place; it lies where the legs have least to do. The body goes smoothly, where it
    spares the legs most, which make up what is left.

    Args:
        step: (F - 1, K, 2) what each foot slides from frame to frame, metres.
        height: (F, K) of each over the floor.
        known: (F, K) where feet stand.
        cost: (F, K, 3, 3) of what a leg makes up, as `pin_legs.bend_cost`.
        rate: frames per second.
    """
    cost = cost * (known + _EDGE_COST * (known & ~eroded(known, 1)))[..., None, None]
    walked = _walked(step)
    wanted = np.concatenate([_centred(walked, known), _levelled(height, known, rate)[..., None]], axis=-1)
    slid = hips_course(wanted, cost, rate)
    missed = wanted[..., :2] - slid[:, None, :2]
    wanted[..., :2] += _centred(missed, known) - missed
    slid = hips_course(wanted, cost, rate)
    return slid, np.where(known[..., None], wanted - slid[:, None], 0.0)


def _walked(step: Array) -> Array:
    """Paths (F, K, 2) of steps (F - 1, K, 2)."""
    return np.concatenate([np.zeros((1, *step.shape[1:])), np.cumsum(step, axis=0)])


def _levelled(height: Array, known: Mask, rate: float) -> Array:
    """Heights (F, K) where feet stand, without what trembles, but for what is more than a little."""
    half = max(round(_LEVEL_S * rate), 1)
    there = known.astype(float)
    calm = height
    for _ in range(2):
        around = filters.moving_mean(there, half)
        calm = filters.moving_mean(calm * there, half) / np.where(known, around, 1.0)
    off = calm - height
    return np.where(known, height + off / np.sqrt(1 + (off / _LEVEL_M) ** 2), height)


def _centred(paths: Array, known: Mask) -> Array:
    """Paths (F, K, 2) less the mean of each contact, in which frames with one foot down count most."""
    out = paths.copy()
    weight = np.where(known.sum(axis=1) == 1, _ALONE, 1.0)[:, None]
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


def without_slides(step: Array, height: Array, known: Mask, slip: float, blend: int) -> Mask:
    """Contacts (F, K) without those of feet that slide or float, against another that stands, by over `slip`.

    Of two feet the quicker one is let go, or the higher one where it is the height that keeps them apart: in
    a short overlap wholly, in a long one around the worst, so that a foot that steps is still pinned before
    and after, and one that glides is not. step, height, known: as in `pinned_course`; slip in metres,
    of each foot off the middle between both.
    """
    known = known.copy()
    if known.shape[1] < 2:
        return known
    walked = _walked(step)
    speed = np.linalg.norm(step, axis=-1)
    speed = filters.moving_mean(np.concatenate([speed[:1], speed]), max(blend // 3, 1))
    for _ in range(_ROUNDS):
        both = known.all(axis=1)
        placed = _centred(walked, known)
        # A knee pays more for height than for a way over the floor.
        apart = [placed[:, 1] - placed[:, 0], 2 * (height[:, 1:] - height[:, :1])]
        size = np.abs(np.concatenate(apart, axis=1)) / 2
        far = both & (np.linalg.norm(size, axis=-1) > slip)
        if not far.any():
            break
        starts, stops = runs(both)
        counts = np.concatenate([[0], np.cumsum(far)])
        worse = counts[stops] > counts[starts]
        for start, stop in zip(starts[worse], stops[worse], strict=True):
            here = slice(start, stop)
            most = size[here][far[here]].max(axis=0)
            how = height if most[2] > np.hypot(most[0], most[1]) else speed
            worst = int(how[here].mean(axis=0).argmax())
            if stop - start > 4 * blend:
                here = _around_peak(how[here, worst], int(start), blend)
            known[here, worst] = False
    return known


def _around_peak(values: Array, start: int, blend: int) -> slice:
    """The frames, from `start` on, around the inner peak of values (N,) above half of it; `blend` or more."""
    peak = blend + int(np.argmax(values[blend:-blend]))
    low = np.flatnonzero(values < values[peak] / 2)
    first = low[low < peak].max(initial=-1) + 1
    last = low[low > peak].min(initial=len(values))
    return slice(start + min(int(first), peak - blend // 2), start + max(int(last), peak + blend // 2))


def faded(values: Array, known: Mask, rate: float, longest: int) -> Array:
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
    least = min(max(round(_FADE_S * rate), 1), longest)
    fades = [
        np.clip(
            np.ceil(rate * np.sqrt(6 * np.linalg.norm(value, axis=-1) / _FADE_M_S2)).astype(int),
            least,
            longest,
        )
        for value in (a, b)
    ]
    crossed = left & right & (sizes < fades[0] + fades[1])
    frame = np.flatnonzero(~known)
    gap = np.repeat(np.arange(len(starts)), sizes)
    ways = frame - starts[gap] + 1, stops[gap] - frame
    for value, slope, way, fade in zip((a, b), (slope_a, -slope_b), ways, fades, strict=True):
        span = np.where(crossed, sizes, fade)[gap] + 1
        u = np.minimum(way / span, 1.0)[:, None]
        cubic = cubic_basis(u)
        out[frame] += value[gap] * (1 - cubic.late) + span[:, None] * slope[gap] * cubic.out_slope
    return out


def _edge(values: Array, edge: Index, inner: Index, there: Mask) -> tuple[Array, Array]:
    """Values (N, C) at frames (N,) and their slopes towards frames further in (N,); 0 where none are."""
    away = np.where(inner != edge, inner - edge, 1)[:, None]
    slope = (values[inner] - values[edge]) / away
    return np.where(there[:, None], values[edge], 0.0), np.where(there[:, None], slope, 0.0)
