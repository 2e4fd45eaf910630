"""Poses as clouds of joint positions: how far apart they are, place and heading on the floor aside.

Two frames are alike when the clouds in a window around each coincide after the best turn about +Z and shift
along the floor (Kovar, Gleicher and Pighin, Motion Graphs, SIGGRAPH 2002, section 3). With the floor plane
as complex numbers c (centred) and heights z, that distance is closed:

    d^2 = |c_i|^2 + |c_j|^2 - 2 |<c_i, c_j>| + |z_i - z_j|^2

so a block of pairs is one matrix product.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray

from ..base.checks import Array, Index
from ..body.body_map import BodyMap
from ..body.motion import Motion
from ..maths import kinematics

# Clouds on a side of a block; products of smaller ones wait longer for BLAS's threads than they take: 7 ms
# instead of 0.2 on a busy machine of two processors.
_MAX_SMALL = 32
_FINE_PARTS = ("Thumb", "Index", "Middle", "Ring", "Little", "Eye", "jaw", "prop.", "tail.", "root")


def is_main(part: str) -> bool:
    """Whether a body part is compared: no finger, face, tail, prop or root."""
    return not any(word in part for word in _FINE_PARTS)


def main_joints(body: BodyMap) -> Index:
    """The joints (P,) that are compared: mapped ones without fingers, face, tail and props."""
    return np.array(sorted({joint for part, joint in body.joints.items() if is_main(part)}), np.intp)


def positions_at(motion: Motion, frames: Index, joints: Index) -> Array:
    """Model positions (N, P, 3), metres, of joints (P,) at frames (N,); nothing else is computed."""
    skeleton = motion.skeleton
    needed = sorted({above for joint in joints for above in skeleton.path_to(int(joint))})
    place = {joint: k for k, joint in enumerate(needed)}
    translations = np.broadcast_to(skeleton.rest_translation[needed], (len(frames), len(needed), 3)).copy()
    for joint, track in {0: motion.root_translation, **motion.translations}.items():
        if joint in place:
            translations[:, place[joint]] = track[frames]
    parents = [place.get(skeleton.parents[joint], -1) for joint in needed]
    rotations = motion.rotations[frames[:, None], np.asarray(needed)]
    return kinematics.model_from_local(parents, rotations, translations)[1][
        :, [place[int(j)] for j in joints]
    ]


@dataclass(frozen=True)
class Places:
    """Positions (N, P, 3) at some frames (N,), ascending."""

    frames: Index
    positions: Array

    @classmethod
    def around(cls, motion: Motion, joints: Index, frames: Index, reach: int) -> Places:
        """Joints (P,) at `frames` (N,) and `reach` frames to both sides of each, computed at once."""
        wanted = np.unique(
            (np.ravel(frames)[:, None] + np.arange(-reach, reach + 1)).clip(0, len(motion) - 1)
        )
        return cls(wanted, positions_at(motion, wanted, joints))

    def between(self, low: int, high: int) -> Array:
        """Positions (N, P, 3) from frame `low` to `high`, both included; all of them must be there."""
        first = int(np.searchsorted(self.frames, low))
        return self.positions[first : first + high - low + 1]


@dataclass(frozen=True)
class Cloud:
    """N windowed point clouds of P * K points: floor plane (N, PK) complex and centred, heights (N, PK)."""

    floor: NDArray[np.complex128]
    height: Array

    def distances(self, rows: slice, columns: slice, other: Cloud | None = None) -> Array:
        """Root mean square distance (R, C) of some clouds, metres, best turn and shift removed."""
        other = other or self
        a, b, za, zb = self.floor[rows], other.floor[columns], self.height[rows], other.height[columns]
        own, their = (
            (floor.real**2 + floor.imag**2 + height**2).sum(1) for floor, height in ((a, za), (b, zb))
        )
        if max(len(a), len(b)) <= _MAX_SMALL:
            turned, level = np.einsum("ip,jp->ij", a, b.conj()), np.einsum("ip,jp->ij", za, zb)
        else:
            turned, level = a @ b.conj().T, za @ zb.T
        square = own[:, None] + their - 2 * np.abs(turned) - 2 * level
        return np.sqrt(np.maximum(square, 0.0) / a.shape[1])


def cloud(positions: Array, reach: int) -> Cloud:
    """Windows of `reach` frames to both sides of each frame of positions (N, P, 3).

    Beyond the ends the positions go on by point reflection.
    """
    count = len(positions)
    places = np.arange(-reach, count + reach)
    mirrored = np.where(places < 0, -places, 2 * (count - 1) - places).clip(0, count - 1)
    outside = ((places < 0) | (places >= count))[:, None, None]
    inside = places.clip(0, count - 1)
    padded = np.where(outside, 2 * positions[inside] - positions[mirrored], positions[inside])
    points = padded[np.arange(count)[:, None] + np.arange(2 * reach + 1)].reshape(count, -1, 3)
    floor = points[..., 0] + 1j * points[..., 1]
    return Cloud(floor - floor.mean(axis=1, keepdims=True), points[..., 2].copy())


def window_distances(places: Places, rows: Index, columns: Index, window: int, last: int) -> Array:
    """Distances (S, N, M), metres, of windows around frames `rows` (S, N) from those around `columns` (S, M).

    As `Cloud.distances` of windows of `window` frames to both sides. In each of the S blocks the frames
    follow one another: windows share most of theirs, and the sums over a window are those of single frames'
    products along a diagonal.

    Args:
        places: of these frames and of those in their windows, as far as the motion goes.
        rows: frames, which may leave the motion.
        columns: frames, as well.
        window: frames.
        last: the motion's last frame.
    """
    size = 2 * window + 1
    floors, heights = zip(*(_padded(places, one, window, last) for one in (rows, columns)), strict=True)
    points = size * floors[0].shape[-1]
    means = [_window_sums(floor.sum(axis=-1), size) / points for floor in floors]
    own, their = (
        _window_sums((np.abs(floor) ** 2 + height**2).sum(axis=-1), size) - points * np.abs(mean) ** 2
        for floor, height, mean in zip(floors, heights, means, strict=True)
    )
    turned = _diagonal_sums(floors[0] @ floors[1].conj().swapaxes(1, 2), size)
    turned -= points * means[0][:, :, None] * means[1].conj()[:, None]
    level = _diagonal_sums(heights[0] @ heights[1].swapaxes(1, 2), size)
    square = own[:, :, None] + their[:, None] - 2 * np.abs(turned) - 2 * level
    return np.sqrt(np.maximum(square, 0.0) / points)


def _padded(places: Places, frames: Index, window: int, last: int) -> tuple[NDArray[np.complex128], Array]:
    """Floor plane, complex, and heights (S, N + 2 window, P) at frames (S, N) and around them.

    Beyond the motion's ends the positions go on by point reflection. The floor counts from each block's
    middle, so that its numbers are small.
    """
    reach = np.arange(-window, window + 1)
    wanted = np.concatenate(
        [frames[:, :1] + reach[:window], frames, frames[:, -1:] + reach[window + 1 :]], axis=1
    )

    def at(some: Index) -> Array:
        return places.positions[np.searchsorted(places.frames, some)]

    inside = wanted.clip(0, last)
    out = at(inside)
    beyond = wanted != inside
    if beyond.any():
        ends = at(inside[beyond])
        mirrored = (2 * inside[beyond] - wanted[beyond]).clip(0, last)
        out[beyond] = 2 * ends - at(mirrored)
    floor = out[..., 0] + 1j * out[..., 1]
    return floor - floor.mean(axis=(1, 2), keepdims=True), out[..., 2]


def _window_sums(values: NDArray[Any], size: int) -> NDArray[Any]:
    """Sums (S, N) over each `size` values in a row of (S, N + size - 1)."""
    return sliding_window_view(values, size, axis=1).sum(axis=-1)


def _diagonal_sums(values: NDArray[Any], size: int) -> NDArray[Any]:
    """Sums (S, N, M) of `size` values along each diagonal of (S, N + size - 1, M + size - 1)."""
    count, rows, columns = values.shape
    sums = np.zeros((count, rows - size + 1, columns - size + 1), values.dtype)
    for k in range(size):
        sums += values[:, k : k + sums.shape[1], k : k + sums.shape[2]]
    return sums


def cloud_of(places: Places, first: int, last: int, window: int, end: int) -> Cloud:
    """Windows of `window` frames around frames `first` to `last`; `end` is the motion's last frame."""
    low, high = max(0, first - window), min(end, last + window)
    whole = cloud(places.between(low, high), window)
    keep = slice(first - low, last - low + 1)
    return Cloud(whole.floor[keep], whole.height[keep])
