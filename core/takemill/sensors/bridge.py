"""A spline over the bad frames of one rotation track: arrays only."""

from __future__ import annotations

import numpy as np

from ..base.checks import Array, Index, Mask
from ..maths import quat
from ..maths.blocks import each_solved
from ..maths.easing import cubic_basis
from ..maths.series import filled, runs


def bridge(rotations: Array, bad: Mask, max_gap: int, slope_frames: int = 7) -> tuple[Array, Mask]:
    """Rotations (F, 4) with the bad frames replaced by a spline through their good neighbours.

    A cubic from the last good frame to the next one, in the tangent space of the last, with the slopes of
    quadratics through the good frames on either side (C1 in the track's own trend). Before the first and
    after the last good frame the nearest one is held.

    Args:
        rotations: (F, 4) hemisphere-continuous.
        bad: (F,) frames to replace.
        max_gap: frames; longer gaps are left as they are.
        slope_frames: how many good frames each slope is taken from.

    Returns:
        Rotations (F, 4) and the frames (F,) that were replaced.
    """
    starts, stops = runs(bad)
    fits = stops - starts <= max_gap
    starts, stops = starts[fits], stops[fits]
    good = np.flatnonzero(~bad)
    out = rotations.copy(order="K")
    done = filled(len(bad), starts, stops)
    if len(starts) == 0 or len(good) == 0:
        return out, np.zeros_like(bad) if len(good) == 0 else done
    for edge, source in ((starts == 0, good[0]), (stops == len(bad), good[-1])):
        for start, stop in zip(starts[edge], stops[edge], strict=True):
            out[start:stop] = rotations[source]
    inner = (starts > 0) & (stops < len(bad))
    starts, stops = starts[inner], stops[inner]
    if len(starts) == 0:
        return out, done
    last = starts - 1
    slopes: list[Array] = []
    place = np.searchsorted(good, last)
    base = rotations[last]
    for first, sign in ((place, -1), (place + 1, 1)):
        picks = np.clip(first[:, None] + sign * np.arange(slope_frames), 0, len(good) - 1)
        slopes.append(_end_slope(rotations, good[picks], base))
    rise = quat.log(quat.mul(quat.inv(base), rotations[stops]))
    owner = np.repeat(np.arange(len(starts)), stops - starts)
    frame = np.flatnonzero(filled(len(bad), starts, stops))
    span: Array = (stops - last).astype(np.float64)[owner, None]
    u = (frame - last[owner])[:, None] / span
    cubic = cubic_basis(u)
    steep = [span * slope[owner] for slope in slopes]
    vectors = cubic.late * rise[owner] + cubic.out_slope * steep[0] + cubic.in_slope * steep[1]
    out[frame] = quat.mul(base[owner], quat.exp(vectors))
    return out, done


def _end_slope(rotations: Array, picks: Index, base: Array) -> Array:
    """Slope per frame (N, 3) at the first of picks (N, S), of a quadratic in the tangent space of base."""
    vectors = quat.log(quat.mul(quat.inv(base)[:, None], rotations[picks]))
    t = (picks - picks[:, :1]).astype(float)
    # Frames far off, or picked twice at an end of the take, count for nothing.
    fresh = np.concatenate([np.ones((len(t), 1), bool), np.diff(picks, axis=1) != 0], axis=1)
    weight = fresh & (np.abs(t) < 2 * picks.shape[1])
    powers = t[..., None] ** np.arange(3) * weight[..., None]
    across = np.swapaxes(powers, 1, 2)
    normal = across @ powers + 1e-9 * np.eye(3)
    return each_solved(normal, across @ vectors)[:, 1]
