"""Rotation algebra with the components first: (4, ...) quaternions w x y z and (3, ...) vectors.

At least one more axis follows. Planes of numbers that lie together are worked on several times quicker than
components that lie side by side. Only sums, products, quotients and roots occur, which every processor and
every numpy rounds alike: keys that are chosen by them come out the same everywhere.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

Planes = NDArray[np.floating[Any]]


def mul(a: Planes, b: Planes) -> Planes:
    """The product (4, ...): first `b`, then `a`."""
    aw, ax, ay, az = a
    bw, bx, by, bz = b
    out: Planes = np.empty(np.broadcast_shapes(a.shape, b.shape), np.result_type(a, b))
    w, x, y, z = out
    np.subtract(aw * bw, ax * bx, out=w)
    w -= ay * by
    w -= az * bz
    np.add(aw * bx, ax * bw, out=x)
    x += ay * bz
    x -= az * by
    np.subtract(aw * by, ax * bz, out=y)
    y += ay * bw
    y += az * bx
    np.add(aw * bz, ax * by, out=z)
    z -= ay * bx
    z += az * bw
    return out


def error(a: Planes, b: Planes) -> Planes:
    """The small turn (3, ...), radians, that leads from `b` to `a`, of like signs; to third order."""
    aw, ax, ay, az = a
    bw, bx, by, bz = b
    out = cross(b[1:], a[1:])
    x, y, z = out
    x += ax * bw
    x -= aw * bx
    y += ay * bw
    y -= aw * by
    z += az * bw
    z -= aw * bz
    out *= 2
    return out


def cross(a: Planes, b: Planes) -> Planes:
    """The cross product (3, ...)."""
    ax, ay, az = a
    bx, by, bz = b
    out: Planes = np.empty(np.broadcast_shapes(a.shape, b.shape), np.result_type(a, b))
    x, y, z = out
    np.multiply(ay, bz, out=x)
    x -= az * by
    np.multiply(az, bx, out=y)
    y -= ax * bz
    np.multiply(ax, by, out=z)
    z -= ay * bx
    return out


def rotate(q: Planes, v: Planes) -> Planes:
    """Vectors (3, ...) turned by quaternions (4, ...)."""
    t = cross(q[1:], v)
    t += t
    out = cross(q[1:], t)
    t *= q[0]
    out += t
    out += v
    return out


def dot(a: Planes, b: Planes) -> Planes:
    """The sum (...) of the products of two arrays (N, ...)."""
    out = a[0] * b[0]
    for one, other in zip(a[1:], b[1:], strict=True):
        out += one * other
    return out


def unit(q: Planes) -> Planes:
    """(N, ...) of length one."""
    return q / np.sqrt(dot(q, q))


def slerp(a: Planes, b: Planes, t: Planes) -> Planes:
    """The rotation (4, ...) at `t` (...) of the way from `a` to `b`, at most about a radian apart.

    The series of sin(t x) / sin(x) to the sixth power of x, half the angle between them: 1e-8 at a radian.
    """
    u: Planes = 1 - dot(a, b)
    s = u * (2 + u * (1 / 3 + u * (4 / 45 + u * (1 / 35))))  # the square of x
    r = 1 - t
    start: Planes = r * _series(r * r, s)
    end: Planes = t * _series(t * t, s)
    mixed: Planes = np.asarray(a * start + b * end)
    return unit(mixed)


def _series(t2: Planes, s: Planes) -> Planes:
    """sin(t x) / (t sin(x)) from the squares of t and x."""
    more: Planes = s * ((7 - 3 * t2) / 360 + s * (31 + t2 * (3 * t2 - 18)) / 15120)
    return np.asarray(1 + (1 - t2) * s * (1 / 6 + more))
