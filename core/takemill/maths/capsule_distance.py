"""How far apart capsules are: segments with a radius.

All is worked out component by component, so that nothing in between is larger than one number for each pair.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from ..base.checks import Array, Single

_Floats = NDArray[np.floating[Any]]
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
    u, v, w = _less(b, a), _less(d, c), _less(a, c)
    return _nearest(_dot(u, u), _dot(v, v), _dot(u, v), _dot(u, w), _dot(v, w))


def capsule_distances(
    a: Array, b: Array, radius: Array, c: Array, d: Array, other_radius: Array
) -> tuple[Array, Array, Array]:
    """How far apart the surfaces of capsules are, and where.

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
    away = _less(here, there)
    return np.sqrt(_dot(away, away)) - radius - other_radius, here, there


def capsule_gaps(a: Array, b: Array, radius: Array, c: Array, d: Array, other_radius: Array) -> Array:
    """The distances (...) alone that `capsule_distances` gives, in less time.

    Args:
        a: (..., 3) the first end of the one capsule's segment, metres.
        b: (..., 3) its second.
        radius: (...) its radius.
        c: (..., 3) the first end of the other's.
        d: (..., 3) its second.
        other_radius: (...) its radius.
    """
    u, v, w = _less(b, a), _less(d, c), _less(a, c)
    s, t = _nearest(_dot(u, u), _dot(v, v), _dot(u, v), _dot(u, w), _dot(v, w))
    away = [k + s * i - t * j for i, j, k in zip(u, v, w, strict=True)]
    return np.asarray(np.sqrt(_dot(away, away)) - radius - other_radius)


def each_nearest(a: Single, u: Single, c: Single, v: Single) -> tuple[Single, Single, Single]:
    """Where each of K segments comes nearest to each of B others, and how far apart they are there.

    Squares are subtracted in float32: of segments within half a metre of the origin, distances beyond 10 mm
    are right within 0.02 mm, and none is off by more than 0.5 mm (`test_clearance_gaps.py`).

    Args:
        a: (3, K) the segments' first ends, metres.
        u: (3, K) from there to their second ends.
        c: (B, 3) the others' first ends.
        v: (B, 3) from there to their second ends.

    Returns:
        The places on the segments (B, K) and on the others (B, K), 0 to 1, and the squared distance (B, K).
    """
    uu, vv = _square(u)[None], _square(v.T)[:, None]
    uv, uw, vw = _products(v, u), _products(-c, u), _products(v, a)
    uw += (a[0] * u[0] + a[1] * u[1] + a[2] * u[2])[None]
    vw -= np.sum(v * c, axis=1)[:, None]
    square = _products(c, a)
    square *= -2
    square += _square(a)[None]
    square += _square(c.T)[:, None]
    s, t = _nearest(uu, vv, uv, uw, vw)
    # |w + s u - t v| squared, w from c to a, by the same products
    vw *= 2
    square += t * (t * vv - vw)
    uv *= t
    uw -= uv
    uw *= 2
    square += s * (s * uu + uw)
    return s, t, np.maximum(square, 0, out=square)


def _square(v: Single) -> Single:
    """The squared lengths (K,) of vectors (3, K)."""
    return np.asarray(v[0] * v[0] + v[1] * v[1] + v[2] * v[2], np.float32)


def _products(rows: Single, columns: Single) -> Single:
    """The scalar products (B, K) of vectors (B, 3) and (3, K).

    By BLAS the last bit would depend on how many threads it has.
    """
    out: Single = rows[:, :1] * columns[0]
    out += rows[:, 1:2] * columns[1]
    out += rows[:, 2:] * columns[2]
    return out


def _nearest(uu: _Floats, vv: _Floats, uv: _Floats, uw: _Floats, vw: _Floats) -> tuple[Any, Any]:
    """`segment_nearest` by the scalar products (...) of both segments and of what lies between first ends."""
    both = uu * vv
    square = both - uv * uv
    parallel = square <= _TINY_M2 * np.maximum(both, _TINY_M2)
    s = uv * vw - uw * vv
    if parallel.any():
        s, square = np.where(parallel, 0.5, s), np.where(parallel, 1.0, square)
    s = _share(s, square)
    t = _share(uv * s + vw, np.maximum(vv, _TINY_M2))
    return _share(uv * t - uw, np.maximum(uu, _TINY_M2)), t


def _share(part: _Floats, whole: _Floats) -> _Floats:
    """Parts (...) of wholes (...), from 0 to 1."""
    out = part / whole
    return np.clip(out, 0.0, 1.0, out=out)


def _less(a: Array, b: Array) -> list[Array]:
    """The three components (...) of a - b, both (..., 3)."""
    return [a[..., k] - b[..., k] for k in range(3)]


def _dot(u: list[Array], v: list[Array]) -> Array:
    return np.asarray(u[0] * v[0] + u[1] * v[1] + u[2] * v[2])
