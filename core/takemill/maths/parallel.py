"""The joints of a take in threads: they know nothing of each other, and numpy lets go of Python's lock."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterable, Sequence
from concurrent.futures import ThreadPoolExecutor
from typing import TypeVar

import numpy as np

from ..base.checks import Array

T = TypeVar("T")

_MAX_THREADS = 8  # more of them wait for memory (tried on 2 cores only; on more it is an estimate)
_MAX_GROUP_JOINTS = 4  # fetched together: their rotations share lines of memory (128 bytes, two lines)
_BLOCK_FRAMES = 2048  # turned around at a time, so that a group's block stays in the cache (256 kB)


def each_joint(
    work: Callable[[int, Array], tuple[Array | None, T]],
    rotations: Array,
    joints: Sequence[int],
    out: Array | None = None,
) -> list[T]:
    """What a function makes of each joint's rotations, several joints at a time.

    Args:
        work: takes a joint's number and its rotations (F, 4), component by component in memory, a copy of
            its own; returns the rotations that it makes of them (F, 4), or None, and anything else.
        rotations: (F, J, 4) of all joints.
        joints: the numbers of those that are worked on, increasing.
        out: (F, J, 4) in which the new rotations are stored.

    Returns:
        The other thing for each of the joints, in their order.
    """

    def work_on_group(group: slice) -> list[T]:
        tracks = _read_tracks(rotations, group)
        results = []
        for joint, track in zip(range(group.start, group.stop), tracks, strict=True):
            changed, result = work(joint, track)
            if changed is not None:
                track[:] = changed
            results.append(result)
        if out is not None:
            for block in _blocks(len(out)):
                out[block, group] = tracks[:, block].swapaxes(0, 1)
        return results

    with ThreadPoolExecutor(min(os.cpu_count() or 1, _MAX_THREADS)) as pool:
        return [result for group in pool.map(work_on_group, _neighbours(joints)) for result in group]


def _neighbours(joints: Iterable[int]) -> list[slice]:
    """Joints that lie side by side, a few at most: slices are turned around at twice the pace of lists."""
    groups: list[slice] = []
    for joint in joints:
        if groups and joint == groups[-1].stop and joint - groups[-1].start < _MAX_GROUP_JOINTS:
            groups[-1] = slice(groups[-1].start, joint + 1)
        else:
            groups.append(slice(joint, joint + 1))
    return groups


def _read_tracks(rotations: Array, joints: slice) -> Array:
    """The rotations (N, F, 4) of some joints of rotations (F, J, 4), laid out component by component."""
    planes = np.empty((joints.stop - joints.start, 4, len(rotations)))
    for block in _blocks(len(rotations)):
        planes[..., block] = np.moveaxis(rotations[block, joints], 0, -1)
    return planes.swapaxes(1, 2)


def _blocks(frames: int) -> list[slice]:
    return [slice(k, k + _BLOCK_FRAMES) for k in range(0, frames, _BLOCK_FRAMES)]
