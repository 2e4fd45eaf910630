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
    segment, origin = b - a, np.broadcast_to(origin, direction.shape)
    squared = np.einsum("ci,ci->c", segment, segment)
    # By scalar products of rays and capsules alone, (N, C): nothing of three times the size is held.
    along = direction @ segment.T
    start = origin @ segment.T - np.einsum("ci,ci->c", a, segment)
    way = np.einsum("ni,ni->n", origin, direction)[:, None] - direction @ a.T
    from_a = np.einsum("ni,ni->n", origin, origin)[:, None] - 2 * (origin @ a.T) + np.einsum("ci,ci->c", a, a)
    from_a -= radius**2
    lead = squared - along * along
    half = squared * way - start * along
    inside = half * half - lead * (squared * from_a - start * start)
    flat = lead <= _TINY * np.maximum(squared, _TINY)  # along the segment, or no segment at all
    root = (np.sqrt(np.maximum(inside, 0.0)) - half) / np.where(flat, 1.0, lead)
    place = np.where(flat, np.where(along > 0, squared, 0.0), start + root * along)
    at_b = place > 0.5 * squared
    to_end = way - np.where(at_b, along, 0.0)
    under = to_end * to_end - from_a + np.where(at_b, 2 * start - squared, 0.0)
    cap = np.where(under >= 0, np.sqrt(np.maximum(under, 0.0)) - to_end, 0.0)
    side = ~flat & (inside >= 0) & (place >= 0) & (place <= squared)
    return np.asarray(np.maximum(np.where(side, root, cap), 0.0).max(axis=1, initial=0.0))
