"""Rotation algebra on unit quaternions, w x y z, over any leading axes.

A quaternion `q` rotates a vector from the frame it is written in to the frame around it; `mul(a, b)`
applies `b` first. Angles are radians, taken by atan2, so that small ones keep their digits.
What comes out lies in memory as what goes in: component by component (`planes`), half the time is needed.
Source of the formulas: Diebel, Representing Attitude, 2006; Shoemake, SIGGRAPH 1985 (slerp).
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any

import numpy as np

from ..base.checks import Array
from ..base.errors import InputError

IDENTITY: Array = np.array([1.0, 0.0, 0.0, 0.0])  # w x y z
IDENTITY.setflags(write=False)

_CACHED_ROWS = 8192  # rotations that are worked on at a time, so that they stay in the processor's cache
_MAX_SERIES_ANGLE_RAD = 1e-6  # below it the series of sin(x)/x is exact to float64
_MAX_OPPOSITE = 1e-15  # 1 + cosine that rounding alone can leave between opposite directions
_MIN_POLE_DISTANCE = 1e-12  # nearer to the pole of Euler angles, rounding mixes the outer two


def normalize(q: Array) -> Array:
    """(..., 4) -> (..., 4) of length one; a zero quaternion becomes the identity."""
    size = length(q)[..., None]
    if size.all():
        return q / size
    return np.where(size > 0, q / np.where(size > 0, size, 1.0), IDENTITY)


def length(v: Array) -> Array:
    """The lengths (...) of vectors or quaternions (..., N); several times quicker than `np.linalg.norm`."""
    return np.sqrt(np.einsum("...i,...i->...", v, v))


def mul(a: Array, b: Array) -> Array:
    """The product (..., 4): first `b`, then `a`; the leading axes broadcast."""
    return _in_parts(_mul, 4, a, b)


def _mul(a: Array, b: Array, out: Array) -> None:
    aw, ax, ay, az = _components(a)
    bw, bx, by, bz = _components(b)
    out[..., 0] = aw * bw - ax * bx - ay * by - az * bz
    out[..., 1] = aw * bx + ax * bw + ay * bz - az * by
    out[..., 2] = aw * by - ax * bz + ay * bw + az * bx
    out[..., 3] = aw * bz + ax * by - ay * bx + az * bw


def _components(a: Array) -> list[Array]:
    """The components (...) of vectors or quaternions (..., N); a third of the time of `np.moveaxis`."""
    return [a[..., k] for k in range(a.shape[-1])]


def _in_parts(verb: Callable[..., None], width: int, *arrays: Array) -> Array:
    """What `verb` writes of one or two arrays (..., N), broadcast, to (..., width): some rows at a time.

    What lies in between then stays in the cache, and arrays that lie apart in memory are read once.
    """
    axes = arrays[0].shape[:-1]
    if len(arrays) > 1 and arrays[1].shape[:-1] != axes:
        axes = np.broadcast_shapes(axes, arrays[1].shape[:-1])
    out = _empty((*axes, width), arrays)
    step = max(_CACHED_ROWS * axes[0] * width // max(out.size, 1), 1) if axes else 1
    if not axes or step >= axes[0]:
        verb(*arrays, out)
        return out
    arrays = tuple(np.broadcast_to(one, (*axes, one.shape[-1])) for one in arrays)
    for start in range(0, axes[0], step):
        part = slice(start, start + step)
        verb(*(one[part] for one in arrays), out[part])
    return out


def planes(a: Array) -> Array:
    """The same vectors or quaternions (..., N), component by component in memory."""
    out = _empty_planes(a.shape)
    out[...] = a
    return out


def _empty(shape: tuple[int, ...], like: Sequence[Array]) -> Array:
    """An array (..., N) that lies component by component in memory if one of others does."""
    for one in like:
        if one.ndim > 1 and abs(one.strides[-1]) > abs(one.strides[-2]):
            return _empty_planes(shape)
    return np.empty(shape)


def _empty_planes(shape: tuple[int, ...]) -> Array:
    out = np.empty((shape[-1], *shape[:-1]))
    return out.T if len(shape) == 2 else np.moveaxis(out, 0, -1)


def inv(q: Array) -> Array:
    """The inverse (..., 4) of a unit quaternion."""
    return q * np.array([1.0, -1.0, -1.0, -1.0])


def rotate(q: Array, v: Array) -> Array:
    """Vectors (..., 3) turned by quaternions (..., 4); the leading axes broadcast."""
    return _in_parts(_rotate, 3, q, v)


def _rotate(q: Array, v: Array, out: Array) -> None:
    w, x, y, z = _components(q)
    vx, vy, vz = _components(v)
    tx, ty, tz = 2 * (y * vz - z * vy), 2 * (z * vx - x * vz), 2 * (x * vy - y * vx)
    out[..., 0] = vx + w * tx + y * tz - z * ty
    out[..., 1] = vy + w * ty + z * tx - x * tz
    out[..., 2] = vz + w * tz + x * ty - y * tx


def exp(v: Array) -> Array:
    """Rotation vectors (..., 3), radians -> quaternions (..., 4)."""
    return _in_parts(_exp, 4, v)


def _exp(v: Array, out: Array) -> None:
    angle = length(v)
    half, small = angle / 2, angle < _MAX_SERIES_ANGLE_RAD
    if small.any():
        scale = np.where(small, 0.5 - angle**2 / 48, np.sin(half) / np.where(small, 1.0, angle))
    else:
        scale = np.sin(half) / angle
    out[..., 0] = np.cos(half)
    _scale(v, scale, out[..., 1:])


def _scale(v: Array, scale: Array, out: Array) -> None:
    """Write vectors (..., 3) times numbers (...) to (..., 3)."""
    for k in range(3):
        np.multiply(v[..., k], scale, out=out[..., k])


def arctan2(y: Array, x: Array) -> Array:
    """The angles (...) of x (...) and y (...), radians, the same to the last bit each time.

    Of arrays with gaps between their numbers numpy 1.26 rounds as their place in memory has it.
    """
    angles: Array = np.arctan2(np.asarray(y, order="C"), np.asarray(x, order="C"))
    return angles


def log(q: Array) -> Array:
    """Quaternions (..., 4) -> rotation vectors (..., 3) of at most pi radians."""
    return _in_parts(_log, 3, q)


def _log(q: Array, out: Array) -> None:
    size, w = length(q[..., 1:]), np.abs(q[..., 0])
    small = size < _MAX_SERIES_ANGLE_RAD
    turn = 2 * arctan2(size, w)
    scale = (
        np.where(small, 2 / w.clip(0.5), turn / np.where(small, 1.0, size)) if small.any() else turn / size
    )
    _scale(q[..., 1:], np.where(q[..., 0] < 0, -scale, scale), out)


def angle(q: Array) -> Array:
    """The turn (...) of each quaternion (..., 4), radians from 0 to pi."""
    half: Array = np.arctan2(length(q[..., 1:]), np.abs(q[..., 0]))
    return 2 * half


def angle_between(a: Array, b: Array) -> Array:
    """The turn (...) that leads from `a` to `b`, both (..., 4), radians from 0 to pi."""
    return angle(mul(inv(a), b))


def continuous(q: Array) -> Array:
    """The same rotations (F, ..., 4) with signs chosen so that neighbours in time never jump."""
    out = q.copy()
    make_continuous(out)
    return out


def make_continuous(q: Array) -> None:
    """`continuous`, in place: a long take's rotations (F, ..., 4) need not lie in memory twice."""
    if len(q) < 2:
        return
    flips = np.einsum("...i,...i->...", q[1:], q[:-1]) < 0
    if flips.any():
        q[1:] *= (1.0 - 2.0 * (np.cumsum(flips, axis=0) % 2))[..., None]


def slerp(a: Array, b: Array, t: Array | float) -> Array:
    """The rotation (..., 4) at `t` (...) of the shortest way from `a` (t = 0) to `b` (t = 1)."""
    step = log(mul(inv(a), b))
    return mul(a, exp(step * np.asarray(t, np.float64)[..., None]))


def between(u: Array, v: Array) -> Array:
    """The smallest turn (..., 4) that takes direction `u` (..., 3) onto direction `v` (..., 3)."""
    return _in_parts(_between, 4, u, v)


def _between(u: Array, v: Array, out: Array) -> None:
    u, v = (one / _size(one)[..., None] for one in (u, v))
    out[..., 0] = 1 + np.einsum("...i,...i->...", u, v)
    _cross(u, v, out[..., 1:])
    opposite = out[..., 0] < _MAX_OPPOSITE
    if opposite.any():
        # Half a turn about any axis square to `u`.
        u, _ = np.broadcast_arrays(u, v)
        side = np.eye(3)[np.argmin(np.abs(u[opposite]), axis=-1)]
        out[opposite, 0], out[opposite, 1:] = 0.0, cross(u[opposite], side)
    size = length(out)
    out /= size[..., None]


def _size(v: Array) -> Array:
    """The lengths (...) of vectors (..., 3), to the digits of `np.linalg.norm` in less time."""
    x, y, z = _components(v)
    return np.asarray(np.sqrt(x * x + y * y + z * z))


def cross(u: Array, v: Array) -> Array:
    """The vectors (..., 3) square to `u` and `v` (..., 3); the digits of `np.cross` in less time."""
    return _in_parts(_cross, 3, u, v)


def _cross(u: Array, v: Array, out: Array) -> None:
    ux, uy, uz = _components(u)
    vx, vy, vz = _components(v)
    out[..., 0] = uy * vz - uz * vy
    out[..., 1] = uz * vx - ux * vz
    out[..., 2] = ux * vy - uy * vx


def yaw(q: Array) -> Array:
    """The heading (...) of each rotation (..., 4): its turn about +Z, radians over -pi up to pi."""
    half = arctan2(q[..., 3], q[..., 0])
    # Rounded up, so that half a turn is pi for both signs of its quaternion, on any processor.
    return 2 * (half - np.pi * np.ceil(half / np.pi - 0.5))


def from_yaw(heading: Array | float) -> Array:
    """Headings (...), radians about +Z -> quaternions (..., 4)."""
    half = np.asarray(heading, np.float64)[..., None] / 2
    return np.concatenate([np.cos(half), np.zeros((*half.shape[:-1], 2)), np.sin(half)], axis=-1)


def to_matrix(q: Array) -> Array:
    """Quaternions (..., 4) -> rotation matrices (..., 3, 3) whose columns are the turned axes."""
    return np.stack([np.stack(row, axis=-1) for row in matrix_entries(q)], axis=-2)


def matrix_entries(q: Array) -> list[list[Array]]:
    """Quaternions (..., 4) -> the entries (...) of their rotation matrices, row by row."""
    w, x, y, z = _components(q)
    rows: list[list[Any]] = [
        [1 - 2 * (y * y + z * z), 2 * (x * y - w * z), 2 * (x * z + w * y)],
        [2 * (x * y + w * z), 1 - 2 * (x * x + z * z), 2 * (y * z - w * x)],
        [2 * (x * z - w * y), 2 * (y * z + w * x), 1 - 2 * (x * x + y * y)],
    ]
    return rows


def from_matrix(m: Array) -> Array:
    """Rotation matrices (..., 3, 3) -> quaternions (..., 4), w >= 0.

    Source: Shepperd, Journal of Guidance and Control 1, 1978: the largest of four candidates is divided by.
    """
    trace = np.trace(m, axis1=-2, axis2=-1)
    d = np.diagonal(m, axis1=-2, axis2=-1)
    squares = np.stack([1 + trace, *(1 - trace + 2 * d[..., i] for i in range(3))], axis=-1)
    a = np.stack([m[..., 2, 1] - m[..., 1, 2], m[..., 0, 2] - m[..., 2, 0], m[..., 1, 0] - m[..., 0, 1]])
    s = np.stack([m[..., 1, 0] + m[..., 0, 1], m[..., 0, 2] + m[..., 2, 0], m[..., 2, 1] + m[..., 1, 2]])
    candidates = np.stack(
        [
            np.stack([squares[..., 0], a[0], a[1], a[2]], axis=-1),
            np.stack([a[0], squares[..., 1], s[0], s[1]], axis=-1),
            np.stack([a[1], s[0], squares[..., 2], s[2]], axis=-1),
            np.stack([a[2], s[1], s[2], squares[..., 3]], axis=-1),
        ],
        axis=-2,
    )
    best = np.argmax(squares, axis=-1)[..., None, None]
    q = normalize(np.take_along_axis(candidates, best, axis=-2)[..., 0, :])
    return np.where(q[..., :1] < 0, -q, q)


def from_axis_angle(axis: Array, turn: Array | float) -> Array:
    """Axes (..., 3) of any length, turns (...) in radians -> (..., 4); a zero axis gives the identity."""
    return _in_parts(_from_axis_angle, 4, axis, np.asarray(turn, np.float64)[..., None])


def _from_axis_angle(axis: Array, turn: Array, out: Array) -> None:
    size, half = _size(axis), turn[..., 0] / 2
    some = size > 0
    out[..., 0] = np.where(some, np.cos(half), 1.0)
    np.multiply(axis / np.where(some, size, 1.0)[..., None], np.sin(half)[..., None], out=out[..., 1:])


def from_euler(angles: Array, order: str) -> Array:
    """Euler angles (..., 3), radians, to quaternions (..., 4).

    `order` names the axis of each column, the first applied last ("ZXY": Z(a) X(b) Y(c), the
    reading of a BVH channel list). Blender's mode "XYZ" is the reverse: its first letter is applied
    first, so its angles go in as `from_euler(angles[..., ::-1], "ZYX")`.

    Raises:
        InputError: `order` is not a permutation of XYZ.
    """
    _check_order(order)
    q = from_axis_angle(np.eye(3)["XYZ".index(order[0])], angles[..., 0])
    for column in (1, 2):
        q = mul(q, from_axis_angle(np.eye(3)["XYZ".index(order[column])], angles[..., column]))
    return q


def to_euler(q: Array, order: str) -> Array:
    """Quaternions (..., 4) to Euler angles (..., 3), radians, in the reading of `from_euler`.

    At the pole (middle angle of 90 degrees) the last angle is 0. Source: Bernardes and Viollet, PLoS ONE
    17(11), 2022: half the sum and half the difference of the outer angles come straight from the quaternion,
    so that the rotation keeps its digits next to the pole.

    Raises:
        InputError: `order` is not a permutation of XYZ.
    """
    _check_order(order)
    i, j, k = ("XYZ".index(letter) for letter in order)
    sign = 1.0 if (j - i) % 3 == 1 else -1.0
    w, a, b, c = q[..., 0], q[..., 1 + i], q[..., 1 + j], sign * q[..., 1 + k]
    high, low = np.hypot(a + c, w + b), np.hypot(a - c, w - b)  # cos + sin and cos - sin of half the middle
    half_sum, half_difference = np.arctan2(a + c, w + b), np.arctan2(a - c, w - b)
    half_sum = np.where(high < _MIN_POLE_DISTANCE, half_difference, half_sum)
    half_difference = np.where(low < _MIN_POLE_DISTANCE, half_sum, half_difference)
    first, last = half_sum + half_difference, sign * (half_sum - half_difference)
    middle = 2 * np.arctan2(high, low) - np.pi / 2
    turn = 2 * np.pi
    return np.stack(
        [first - turn * np.round(first / turn), middle, last - turn * np.round(last / turn)], axis=-1
    )


def continuous_euler(angles: Array) -> Array:
    """The same rotations, Euler angles (F, ..., 3) in radians, read so that neighbours lie close.

    Of the two readings (a, b, c) and (a + pi, pi - b, c + pi) the one nearer to the frame before is
    taken, then whole turns are added. Both readings lie equally far from both readings of the frame
    before, so the choice is a running parity and needs no loop over frames.
    """
    if len(angles) < 2:
        return angles.copy()
    other = np.stack([angles[..., 0] + np.pi, np.pi - angles[..., 1], angles[..., 2] + np.pi], -1)
    stay, change = (_wrapped(a[1:] - angles[:-1]).sum(-1) for a in (angles, other))
    odd = np.zeros(angles.shape[:-1], bool)
    odd[1:] = np.logical_xor.accumulate(change < stay, axis=0)
    return np.unwrap(np.where(odd[..., None], other, angles), axis=0)


def _wrapped(turn: Array) -> Array:
    return np.abs(turn - 2 * np.pi * np.round(turn / (2 * np.pi)))


def _check_order(order: str) -> None:
    if sorted(order) != ["X", "Y", "Z"]:
        raise InputError(f"Euler order {order!r}: expected the letters X, Y and Z, each once")
