"""Where rays leave capsules."""

from __future__ import annotations

import numpy as np

from ..base.checks import Array

_TINY = 1e-12  # keeps lengths of nothing from being divided by


def ray_exit(origin: Array, direction: Array, a: Array, b: Array, radius: Array) -> Array:
    """How far along each ray the last of C capsules is left behind; 0 where a ray meets none.

    The far root of the cylinder around a segment, or of the sphere at the end where that root lies beyond it.

    Args:
        origin: (N, 3) or (3,), metres.
        direction: (N, 3), unit.
        a: (C, 3) first ends of the capsules' segments.
        b: (C, 3) their other ends.
        radius: (C,).

    Returns:
        (N,), metres, not below 0.
    """
    segment = b - a
    from_a = np.broadcast_to(origin, direction.shape)[:, None] - a
    squared = _dot(segment, segment)
    along = np.einsum("ci,ni->nc", segment, direction)
    start = _dot(from_a, segment)
    way = np.einsum("nci,ni->nc", from_a, direction)
    lead = squared - along**2
    half = squared * way - start * along
    rest = squared * _dot(from_a, from_a) - start**2 - radius**2 * squared
    inside = half**2 - lead * rest
    flat = lead <= _TINY * np.maximum(squared, _TINY)  # along the segment, or no segment at all
    root = (-half + np.sqrt(np.maximum(inside, 0.0))) / np.where(flat, 1.0, lead)
    place = np.where(flat, np.where(along > 0, squared, 0.0), start + root * along)
    at_b = place > 0.5 * squared
    shift = np.where(at_b, along, 0.0)
    to_end = way - shift
    beyond = _dot(from_a, from_a) - np.where(at_b, 2 * start - squared, 0.0) - radius**2
    under = to_end**2 - beyond
    cap = np.where(under >= 0, -to_end + np.sqrt(np.maximum(under, 0.0)), 0.0)
    side = ~flat & (inside >= 0) & (place >= 0) & (place <= squared)
    return np.asarray(np.maximum(np.where(side, root, cap), 0.0).max(axis=1, initial=0.0))


def _dot(u: Array, v: Array) -> Array:
    return np.asarray(np.einsum("...i,...i->...", u, v))
