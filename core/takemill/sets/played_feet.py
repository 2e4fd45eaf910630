"""Soles and slide of a character's feet, measured on its skinned vertices as the file plays them."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Set
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np

from ..base.checks import Array, Index
from ..files.glb_read import GlbScene
from ..files.glb_read_skin import SkinnedMesh
from .verify_play import view_from_character

# Of a vertex, that hangs on a foot and its toes: heels often hang on foot and shin alike, so less than half.
_MIN_FOOT_SHARE = 0.4
# A foot slides as its stillest vertex of those so near to the lowest: one that rolls has one that stays
# (chosen by eye).
_TOUCHING_M = 0.005
_CHUNK = 512  # frames that are looked at together, so that long clips need no more room than short ones
_MAX_FRAMES = 200_000  # of a clip: an hour at 55 a second, so that a list cannot ask for days of work
_FEET = ("leftFoot", "rightFoot")

Restore = Callable[[Array], Array]
"""Puts what was removed of a clip's root motion back on points (F, N, 3), Z-up."""


@dataclass(frozen=True)
class PlayedFoot:
    """One foot of a clip; None what cannot be told: a foot that never stands, a path that is not in the file.

    Attributes:
        slide_m_s: how fast the part of the sole that bears slides, the mean of the worst contact.
        slide_frame: the first frame of that contact.
        under_m: how deep the sole is in the floor at most, whether it stands or not; 0 or more.
        under_frame: when.
        over_m: how high it is over the floor at most while it stands.
        over_frame: when.
    """

    slide_m_s: float | None
    slide_frame: int | None
    under_m: float
    under_frame: int
    over_m: float | None
    over_frame: int | None


@dataclass(frozen=True)
class FootReader:
    """Measures the feet of clips in one file.

    Attributes:
        scene: the file.
        mesh: the skinned meshes of it, or of the set's file with the mesh.
        names: of all joints.
        parts: part of the body -> joint name.
    """

    scene: GlbScene
    mesh: SkinnedMesh
    names: Set[str]
    parts: Mapping[str, str]

    @cached_property
    def _nodes(self) -> dict[str, int]:
        """The node of each name; a joint before others."""
        scene = self.scene
        return {scene.names[node]: node for node in (*range(len(scene.names)), *scene.joints)}

    @cached_property
    def _vertices(self) -> dict[str, tuple[Index, Array]]:
        """By foot, the binds (B,) of its vertices and what makes these of matrices (4 B, V)."""
        nodes, mesh, found = self._nodes, self.mesh, {}
        for foot in _FEET:
            top = nodes.get(self.parts.get(foot, ""))
            if top is None:
                continue
            below = {top}
            for node in self.scene.order:  # parents come first
                if self.scene.parents[node] in below:
                    below.add(node)
            mine = np.isin([nodes.get(name, -1) for name in mesh.joints], sorted(below))[mesh.slots]
            chosen = np.flatnonzero((mesh.weights * mine).sum(axis=1) >= _MIN_FOOT_SHARE)
            if not len(chosen):
                continue
            binds = np.unique(mesh.slots[chosen][mesh.weights[chosen] > 0])
            parts = np.zeros((len(binds), 4, len(chosen)))
            points = np.insert(mesh.points[chosen], 3, 1.0, axis=1)
            for slot, weight in zip(mesh.slots[chosen].T, mesh.weights[chosen].T, strict=True):
                held = weight > 0
                row = np.searchsorted(binds, slot[held])
                inside = np.einsum("vij,vj->vi", mesh.binds[slot[held]], points[held])
                parts[row, :, np.flatnonzero(held)] += weight[held, None] * inside
            found[foot] = binds, parts.reshape(-1, len(chosen))
        return found

    def measure(self, clip: Mapping[str, Any], restore: Restore | None = None) -> dict[str, PlayedFoot]:
        """The feet of a clip, by part; none where no floor is known: of differences, or without its height.

        Args:
            clip: what the list says of it.
            restore: puts the path back that was removed from it; without it such a clip's slide is None.

        Raises:
            GlbError: it cannot be played.
        """
        if not is_measured(clip) or not self._vertices:
            return {}
        frames = np.arange(clip["frames"])
        rows: dict[str, list[Array]] = {foot: [] for foot in self._vertices}
        for start in range(0, len(frames), _CHUNK):
            # One frame more than the chunk: steps from its last frame to the next.
            some = frames[start : start + _CHUNK + 1]
            matrices = view_from_character(
                self.scene, self.names, self.scene.worlds(clip["name"], some / clip["rate"])
            )
            for foot, (binds, parts) in self._vertices.items():
                held = [self._nodes[self.mesh.joints[bind]] for bind in binds.tolist()]
                rows[foot].append(_lowest(matrices[:, held], parts, start + _CHUNK < len(frames)))
        return {foot: _foot(clip, foot, np.concatenate(rows[foot]), restore) for foot in rows}


def is_measured(clip: Mapping[str, Any]) -> bool:
    """Whether the feet of a clip stand on a floor that is known, and it is not too long to be looked at."""
    has_floor = not clip["additive"] and clip["root_motion"]["height"] != "remove"
    return has_floor and clip["frames"] <= _MAX_FRAMES


def has_path(clip: Mapping[str, Any]) -> bool:
    """Whether the file plays a clip's path over the floor."""
    return "remove" not in (clip["root_motion"]["planar"], clip["root_motion"]["turn"])


def _lowest(matrices: Array, parts: Array, goes_on: bool) -> Array:
    """For each frame (F, 7) how high the lowest vertex is, and where the one that bears is until the next.

    That in this frame and in the next, Z-up. The last frame has no next one; it is left out where the clip
    `goes_on`.
    """
    count = len(matrices)
    x, y, z = (matrices[:, :, axis, :].reshape(count, -1) @ parts for axis in range(3))
    across, height = np.stack([x, -z], axis=-1), y
    out = np.zeros((count, 7))
    out[:, 0] = height.min(axis=1)
    touches = np.maximum(height[:-1], height[1:]) - np.maximum(out[:-1, :1], out[1:, :1]) <= _TOUCHING_M
    steps = np.linalg.norm(np.diff(across, axis=0), axis=-1)
    bears = np.where(touches, steps, np.inf).argmin(axis=1)
    each = np.arange(count - 1)
    for place, frame in ((1, each), (4, each + 1)):
        out[:-1, place : place + 2] = across[frame, bears]
        out[:-1, place + 2] = height[frame, bears]
    return out[:-1] if goes_on else out


def _foot(clip: Mapping[str, Any], foot: str, rows: Array, restore: Restore | None) -> PlayedFoot:
    ranges = clip["contacts"].get(foot, [])
    levels = (clip["floors_m"] or {}).get(foot) or [0.0] * len(ranges)
    lowest = rows[:, 0]
    stands = np.zeros(len(rows), bool)
    floor = np.zeros(len(rows))
    for (start, stop), level in zip(ranges, levels, strict=False):
        stands[start:stop], floor[start:stop] = True, level
    # On floors at several heights only a foot that stands tells where its floor is.
    looked = stands if clip["floors_m"] else np.ones(len(rows), bool)
    depth = np.where(looked, floor - lowest, -np.inf)
    deep = int(depth.argmax())
    over = over_frame = slide = slide_frame = None
    if stands.any():
        over_frame = int(np.where(stands, lowest - floor, -np.inf).argmax())
        over = max(float(lowest[over_frame] - floor[over_frame]), 0.0)
    if has_path(clip) or restore:
        found = list(_slides(clip, rows, ranges, restore))
        if found:
            slide, slide_frame = max(found)
    return PlayedFoot(slide, slide_frame, max(float(depth[deep]), 0.0), deep, over, over_frame)


def _slides(
    clip: Mapping[str, Any], rows: Array, ranges: list[tuple[int, int]], restore: Restore | None
) -> Iterator[tuple[float, int]]:
    """Of each contact, how fast it slides on average, metres a second, and its first frame.

    In a loop a contact that begins with it is the end of one that ends with it.
    """
    here, there = rows[:, 1:4], np.concatenate([rows[:1, 1:4], rows[:-1, 4:7]])
    points = np.stack([here, there], axis=1)
    if restore:
        points = restore(points)
    steps = np.linalg.norm(points[1:, 1, :2] - points[:-1, 0, :2], axis=-1)
    found = [(start, steps[start : stop - 1]) for start, stop in ranges]
    if clip["loop"] and len(found) > 1 and ranges[0][0] == 0 and ranges[-1][1] == len(rows):
        found = [*found[1:-1], (found[-1][0], np.concatenate([found[-1][1], found[0][1]]))]
    for start, some in found:
        if len(some):
            yield float(some.mean() * clip["rate"]), int(start)
