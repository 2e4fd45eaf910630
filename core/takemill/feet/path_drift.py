"""How a take slides over the floor and rises from it, measured at its planted feet.

An inertial suit measures orientation against gravity well, heading less well and place not at all. So tilt is
left alone, and a floor that seems to slope is a drift in height, taken out of the path.
"""

from __future__ import annotations

import numpy as np

from ..base.checks import Array, Mask
from ..maths import filters
from ..maths.series import runs
from .bearing_end import end_course, soften, trim_lifts

# In the first and last frames of a contact a foot still lands or leaves. Trial: a third less or half as much
# again changes the repaired path by 2 % (sensitivity.py).
_CONTACT_EDGE_S = 0.05
# So long before it leaves, and after it lands, a foot that lifts shows little of what the path slides. Trial:
# path errors of the open motions, damaged, in cm, at 0, 0.05, 0.1 and 0.15: walk 4.8, 1.7, 1.5, 2.0; run
# 11.5, then 8.6; jump 2.2, 1.3, 1.8, 1.8; crawl 3.9, then 2.3; spin, whose own feet slide by 37 cm/s, 15, 19,
# 20, 20 (ground_table.py).
_ROLL_S = 0.05
# A body does not follow its feet faster; what they do faster is their legs' own noise. Trial: a third less
# makes the path 3 % worse, half as much again misses 13 % more contacts (sensitivity.py).
_SMOOTHING_S = 0.07


def path_drift(
    points: Array,
    planted: Mask,
    rate: float,
    floor_m: float = 0.0,
    resting: tuple[Array, Mask] | None = None,
    trim: bool = False,
) -> Array:
    """How far (F, 3) the take has slid over the floor and risen from it, by its planted heels and toes.

    Of a foot's planted ends the lower one bears it. What it slides, and how high it stands, is the take's
    error, but for what trembles: that is the leg's own noise, and would shake the whole body. While nothing
    is planted, the drift's velocity changes evenly from that of the contacts before to that of the contacts
    after, so that a jump keeps its own speed; its height likewise.

    Args:
        points: (F, K, 2, 3) heels and toes, metres.
        planted: (F, K, 2).
        rate: frames per second.
        floor_m: height of the floor.
        resting: (F, R, 3) other parts of the body, and (F, R) when they rest: each keeps its height then,
            whatever that is.
        trim: contacts count without the frames in which a foot lifts (`trim_lifts`).
    """
    ball = (points[..., 1, 2] < points[..., 0, 2]) & planted[..., 1] | ~planted[..., 0]
    trust = soften(ball, rate)
    step, height = end_course(points, (trust[1:] + trust[:-1]) / 2, rate)
    foot_m = np.linalg.norm(points[..., 1, :] - points[..., 0, :], axis=-1).mean(axis=0)
    known = planted.any(axis=-1)
    if trim:
        known = trim_lifts(height, known, foot_m, rate, _ROLL_S)
    height = height - floor_m
    if resting is not None:
        parts, rests = resting
        height = np.concatenate([height, _over_rests(parts[..., 2], rests, height, known, rate)], axis=1)
        step = np.concatenate([step, np.diff(parts[..., :2], axis=0)], axis=1)
        known = np.concatenate([known, rests], axis=1)
    return body_course(step, height, known, rate)


def _over_rests(parts: Array, rests: Mask, height: Array, known: Mask, rate: float) -> Array:
    """Heights of parts (F, R) over what they rest on, where they do (F, R); 0 elsewhere.

    How high a seat is, or a knee over the floor, nobody knows: each rest lies where feet before and after it
    put the take, by heights (F, K) over the floor, known (F, K).
    """
    line = weighted_course(height[..., None], confidence(known, rate), rate)
    out = np.zeros_like(parts)
    for k in range(parts.shape[1]):
        for start, stop in zip(*(edges.tolist() for edges in runs(rests[:, k])), strict=True):
            over = parts[start:stop, k] - line[start:stop, 0]
            out[start:stop, k] = parts[start:stop, k] - over.mean()
    return out


def body_course(step: Array, height: Array, known: Mask, rate: float) -> Array:
    """How the body has slid and risen (F, 3), by feet that stand where they are known (F, K) to.

    Each contact is one place; contacts that overlap lie so that they agree best, others so that a flight
    keeps its speed.

    Args:
        step: (F - 1, K, 2) what each foot slides from frame to frame, metres.
        height: (F, K) of each over what it stands on.
        known: (F, K).
        rate: frames per second.
    """
    frames, feet = known.shape
    slid = np.zeros((frames, 3))
    if not known.any() or frames < 2:
        return slid
    weight = confidence(known, rate)
    mean = weighted_course(step, np.minimum(weight[1:], weight[:-1]), rate)
    # Contacts count for a second or so around them; farther off nothing is known and nothing is changed.
    near = np.clip(5 * filters.moving_mean(known.any(axis=1).astype(float), round(rate)), 0, 1)
    slid[1:, :2] = np.cumsum(mean * near[1:, None], axis=0)
    paths = np.concatenate([np.zeros((1, feet, 2)), np.cumsum(step, axis=0)])
    slid[:, :2] += weighted_course(_align_contacts(paths - slid[:, None, :2], known, weight), weight, rate)
    slid[:, 2:] = weighted_course(height[..., None], weight, rate)
    return slid


def _align_contacts(paths: Array, known: Mask, weight: Array) -> Array:
    """Paths (F, K, 2), each contact shifted so that it agrees with the one before that it overlaps."""
    contacts = sorted(
        (start, stop, k)
        for k in range(known.shape[1])
        for start, stop in zip(*(edges.tolist() for edges in runs(known[:, k])), strict=True)
    )
    out = np.zeros_like(paths)
    last = np.zeros(2)
    done = 0
    for start, stop, k in contacts:
        here = paths[start:stop, k]
        there = slice(start, min(stop, max(done, start)))
        other = np.where(known[there], weight[there], 0.0)
        other[:, k] = 0.0
        mine = weight[there, k]
        both = other.sum(axis=1) * mine / np.maximum(other.sum(axis=1) + mine, 1e-12)
        if both.sum() > 0:
            before = (out[there] * other[..., None]).sum(axis=1) / np.maximum(other.sum(axis=1), 1e-12)[
                :, None
            ]
            shift = np.average(before - here[: len(both)], axis=0, weights=both)
        else:
            shift = last - here[0]
        out[start:stop, k] = here + shift
        if stop > done:
            last, done = out[stop - 1, k], stop
    return out


def confidence(planted: Mask, rate: float) -> Array:
    """Weights (F, ...) of contacts (F, ...): 1 amid a long one, small at its ends, 0 outside."""
    blurred = filters.moving_mean(planted.astype(float), round(_CONTACT_EDGE_S * rate))
    return np.where(planted, np.clip(blurred, 0.1, 1) ** 4, 0.0)


def weighted_course(values: Array, weight: Array, rate: float) -> Array:
    """The weighted mean (F, C) of values (F, ..., C) near each frame, weights (F, ...).

    Near is 0.07 s where there is weight, half a second where there is little, and a straight line across
    longer gaps; 0 without any weight.
    """
    frames, size = len(values), values.shape[-1]
    total = weight.reshape(frames, -1).sum(axis=1)[:, None]
    if not total.any():
        return np.zeros((frames, size))
    summed = (values * weight[..., None]).reshape(frames, -1, size).sum(axis=1)
    out = None
    for spread_s in (0.5, _SMOOTHING_S):
        around, there = summed, total
        for _ in range(3):
            half = max(round(spread_s * rate / 2), 1)
            around, there = filters.moving_mean(around, half), filters.moving_mean(there, half)
        known = there[:, 0] > 1e-9
        mean = around / np.maximum(there, 1e-9)
        if out is None:
            frame = np.arange(len(mean))
            out = np.stack([np.interp(frame, frame[known], c[known]) for c in mean.T], axis=-1)
        trust = np.where(known, there[:, 0] / (there[:, 0] + 0.05), 0.0)[:, None]
        out = out + trust * (mean - out)
    assert out is not None
    return out
