"""The path of the hips for which legs bend least: one least-squares problem over the whole take.

Planted feet ask for steps of the hips, most in the direction in which a step would bend their legs most;
smoothness asks for none. The path is a cubic B-spline whose bends and slopes are penalised (P-splines: Eilers
and Marx, Statistical Science 11, 1996), so its normal equations are banded.
"""

from __future__ import annotations

import numpy as np

from ..base.checks import Array
from ..maths.blocks import block_tridiagonal

# Chosen by eye. Trial of each: a third less or half as much again changes the repair's error by 0.6 % at most
# (sensitivity.py).
_KNOT_SPACING_S = 1 / 30
_HIPS_CUTOFF_HZ = 5.0  # what one planted foot asks for faster than this, across its leg, is left to the leg
# Without a foot down, the hips' slope is lost in so long. Trial: at 0.3 the hips of one who sits and swings
# both feet run off by 14 mm more; jumps are the same.
_SLOPE_MEMORY_S = 0.1
# Of a path that no foot asks for, so that there is one solution; far below all other costs.
_RIDGE_COST = 1e-9


def hips_course(wanted: Array, cost: Array, rate: float) -> Array:
    """A calm path (F, 3) of the hips: a compromise between what feet ask for and how little it bends.

    Args:
        wanted: (F, K, 3) metres, what each of K feet asks for.
        cost: (F, K, 3, 3) of missing that, per square metre; 0 where a foot asks for nothing.
        rate: frames per second.
    """
    frames = len(wanted)
    step = max(round(_KNOT_SPACING_S * rate), 1)
    basis = _basis(step)
    pull = np.matmul(cost, wanted[..., None])[..., 0].sum(axis=1)
    band, right = _normal_equations(cost.sum(axis=1), pull, basis)
    bend = step * (rate / step / (2 * np.pi * _HIPS_CUTOFF_HZ)) ** 4
    slope = bend * (step / rate / _SLOPE_MEMORY_S) ** 2
    for weights, size in (([1.0, -2.0, 1.0], bend), ([-1.0, 1.0], slope), ([1.0], _RIDGE_COST)):
        count = len(band) + 1 - len(weights)
        for a, one in enumerate(weights):
            for b in range(a, len(weights)):
                band[a : a + count, b - a] += size * one * weights[b] * np.eye(3)
    control = _solve_band(band, right)
    picks = np.lib.stride_tricks.sliding_window_view(control, 4, axis=0)  # (spans, 3, 4)
    return np.matmul(basis, picks.swapaxes(1, 2)).reshape(-1, 3)[:frames]


def _basis(step: int) -> Array:
    """What four control points weigh (N, 4) in the N = `step` frames from one knot to the next."""
    u = (np.arange(step) / step)[:, None]
    parts = [(1 - u) ** 3, 3 * u**3 - 6 * u**2 + 4, -3 * u**3 + 3 * u**2 + 3 * u + 1, u**3]
    return np.concatenate(parts, axis=1) / 6


def _normal_equations(cost: Array, pull: Array, basis: Array) -> tuple[Array, Array]:
    """Band (M, 4, 3, 3) and right side (M, 3) for M control points, by cost (F, 3, 3) and pull (F, 3).

    band[m, d] couples control points m and m + d; basis (N, 4) is that of each N frames.
    """
    step = len(basis)
    spans = -(-len(cost) // step)
    rest = spans * step - len(cost)
    cost = np.concatenate([cost, np.zeros((rest, 3, 3))]).reshape(spans, step, 9)
    pull = np.concatenate([pull, np.zeros((rest, 3))]).reshape(spans, step, 3)
    band, right = np.zeros((spans + 3, 4, 3, 3)), np.zeros((spans + 3, 3))
    for a in range(4):
        right[a : a + spans] += np.einsum("n,snc->sc", basis[:, a], pull)
        for b in range(a, 4):
            part = np.einsum("n,snc->sc", basis[:, a] * basis[:, b], cost)
            band[a : a + spans, b - a] += part.reshape(spans, 3, 3)
    return band, right


def _solve_band(band: Array, right: Array) -> Array:
    """Solves band x = right for x (M, 3); band (M, 4, 3, 3) and right (M, 3) as in `_normal_equations`."""
    count = len(band)
    groups = -(-count // 3)
    more = 3 * groups - count
    band = np.concatenate([band, np.zeros((more, 4, 3, 3))]).reshape(groups, 3, 4, 3, 3)
    band.reshape(-1, 4, 3, 3)[count:, 0] = np.eye(3)
    right = np.concatenate([right, np.zeros((more, 3))])
    # Three control points to a block: (group, point, axis, point, axis).
    same, onward = np.zeros((groups, 3, 3, 3, 3)), np.zeros((groups, 3, 3, 3, 3))
    for p in range(3):
        for d in range(4):
            if p + d < 3:
                same[:, p, :, p + d] = band[:, p, d]
                same[:, p + d, :, p] = band[:, p, d].swapaxes(1, 2)
            else:
                onward[:, p, :, p + d - 3] = band[:, p, d]
    out = block_tridiagonal(
        same.reshape(groups, 9, 9), onward.reshape(groups, 9, 9)[:-1], right.reshape(groups, 9)
    )
    return out.reshape(-1, 3)[:count]
