"""How far apart capsules are: segments with a radius."""

from __future__ import annotations

import numpy as np

from ..base.checks import Array

_TINY_M2 = 1e-12  # of a segment's squared length: a shorter one counts as a point


def segment_nearest(a: Array, b: Array, c: Array, d: Array) -> tuple[Array, Array]:
    """Where two segments come nearest to each other.

    Source: Ericson 2005, Real-Time Collision Detection, section 5.1.9 (from memory).

    Args:
        a: (..., 3) the one segment's first end.
        b: (..., 3) its second.
        c: (..., 3) the other segment's first end; the leading axes broadcast.
        d: (..., 3) its second.

    Returns:
        The places (...) on each: 0 at its first end, 1 at its second.
    """
    u, v, w = b - a, d - c, a - c
    uu, vv, uv = _dot(u, u), _dot(v, v), _dot(u, v)
    uw, vw = _dot(u, w), _dot(v, w)
    square = uu * vv - uv * uv
    parallel = square <= _TINY_M2 * np.maximum(uu * vv, _TINY_M2)
    s = np.clip(np.where(parallel, 0.5, uv * vw - uw * vv) / np.where(parallel, 1.0, square), 0.0, 1.0)
    vv, uu = np.maximum(vv, _TINY_M2), np.maximum(uu, _TINY_M2)
    t = np.clip((uv * s + vw) / vv, 0.0, 1.0)
    s = np.clip((uv * t - uw) / uu, 0.0, 1.0)
    return s, t


def capsule_distances(
    a: Array, b: Array, radius: Array, c: Array, d: Array, other_radius: Array
) -> tuple[Array, Array, Array]:
    """How far apart the surfaces of capsules are.

    Args:
        a: (..., 3) the first end of the one capsule's segment, metres.
        b: (..., 3) its second.
        radius: (...) its radius, metres.
        c: (..., 3) the first end of the other's; all leading axes broadcast, as (F, pairs).
        d: (..., 3) its second.
        other_radius: (...) its radius.

    Returns:
        The distance (...) between the surfaces, negative where one is inside the other, and the nearest
        points (..., 3) on the two segments.
    """
    s, t = segment_nearest(a, b, c, d)
    here, there = a + s[..., None] * (b - a), c + t[..., None] * (d - c)
    between = here - there
    return np.sqrt(_dot(between, between)) - radius - other_radius, here, there


def all_distances(a: Array, b: Array, radius: Array, c: Array, d: Array, other_radius: Array) -> Array:
    """How far apart the surfaces of each of some capsules and each of others are.

    By their scalar products alone, so that nothing of three times the size is held.

    Args:
        a: (F, A, 3) first ends, metres; not far from the origin.
        b: (F, A, 3) second ends.
        radius: (A,).
        c: (F, B, 3) first ends of the others.
        d: (F, B, 3) second ends.
        other_radius: (B,).

    Returns:
        The distances (F, A, B); negative where one is inside the other.
    """
    u, v = b - a, d - c
    uu, vv = _dot(u, u)[:, :, None], _dot(v, v)[:, None]
    vt, ct = v.swapaxes(1, 2), c.swapaxes(1, 2)
    uv, uw = u @ vt, _dot(u, a)[:, :, None] - u @ ct
    vw = a @ vt - _dot(v, c)[:, None]
    ww = _dot(a, a)[:, :, None] + _dot(c, c)[:, None] - 2 * (a @ ct)
    square: Array = uu * vv - uv * uv
    parallel = square <= _TINY_M2 * np.maximum(uu * vv, _TINY_M2)
    s = np.clip(np.where(parallel, 0.5, uv * vw - uw * vv) / np.where(parallel, 1.0, square), 0.0, 1.0)
    t = np.clip((uv * s + vw) / np.maximum(vv, _TINY_M2), 0.0, 1.0)
    s = np.clip((uv * t - uw) / np.maximum(uu, _TINY_M2), 0.0, 1.0)
    apart = ww + s * (s * uu + 2 * uw - 2 * t * uv) + t * (t * vv - 2 * vw)
    return np.asarray(np.sqrt(np.maximum(apart, 0.0)) - radius[:, None] - other_radius)


def _dot(u: Array, v: Array) -> Array:
    return np.asarray(np.einsum("...i,...i->...", u, v))
