"""Where the limbs of a skinned mesh end: the points that a GLB's joints do not tell."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ..base.checks import Array, Index
from ..base.errors import GlbError
from ..maths import quat
from .glb_format import Document, Json, entries
from .glb_place import Place

_DTYPES = {5120: "<i1", 5121: "<u1", 5122: "<i2", 5123: "<u2", 5125: "<u4", 5126: "<f4"}
_WIDTHS = {"SCALAR": 1, "VEC2": 2, "VEC3": 3, "VEC4": 4, "MAT4": 16}
_FLOOR = 0.02  # of the mesh's height: what lies lower stands on the floor
_LOW = 0.15  # of the mesh's height: joints that lie higher do not (a shin may have vertices of the heel)
_SAME = 0.01  # of the mesh's height: ends that close are one


def tips_of(
    document: Document, joints: Sequence[int], parents: Sequence[int], stands: Sequence[Place]
) -> tuple[tuple[int, ...], Array]:
    """The joints (K,) that have tips, and the tips (K, 3) in their joints' space, metres.

    A last joint ends at the vertex of its own that is furthest from it. A low joint whose vertices reach
    the floor ends there, too: as far as they go from the joints that hang below it, a heel as seen from the
    toes. A vertex is its strongest joint's. A mesh that cannot be read (compressed, say) has no tips.

    Args:
        document: a GLB.
        joints: (J,) nodes.
        parents: (J,) joint above each one, -1 for the topmost.
        stands: (J,) where each joint stands at rest, Z-up, metres.
    """
    none = (), np.zeros((0, 3))
    try:
        own = _vertices(document.json, document.binary or b"", list(joints))
    except (GlbError, KeyError, IndexError, TypeError, ValueError, AttributeError, OverflowError):
        return none
    if not own:
        return none
    world = {joint: stands[joint].apply(points) for joint, points in own.items()}
    everything = np.concatenate(list(world.values()))
    low, height = float(everything[:, 2].min()), float(np.ptp(everything, axis=0).max())
    found: list[tuple[int, Array]] = []
    for joint in sorted(world):
        points, at = world[joint], stands[joint].translation
        below = [child for child, parent in enumerate(parents) if parent == joint]
        ends: list[Array] = []
        lowest = points[points[:, 2] <= low + _FLOOR * height]
        if len(lowest) and at[2] <= low + _LOW * height:
            away = np.mean([stands[child].translation for child in below] or [at], axis=0)
            ends.append(_furthest(lowest, away))
        if not below:
            end = _furthest(points, at)
            ends += [end] if not ends or np.linalg.norm(end - ends[0]) > _SAME * height else []
        back = quat.inv(stands[joint].rotation)
        found += [(joint, quat.rotate(back, end - at)) for end in ends]
    return tuple(joint for joint, _ in found), np.array([end for _, end in found]).reshape(-1, 3)


def _furthest(points: Array, away: Array) -> Array:
    return points[int(np.linalg.norm(points - away, axis=1).argmax())]


def _vertices(json: Json, binary: bytes, joints: list[int]) -> dict[int, Array]:
    """The vertices (N, 3) of each joint, in its own space and the file's unit."""
    own: dict[int, list[Array]] = {}
    for node in entries(json, "nodes"):
        if "mesh" not in node or "skin" not in node:
            continue
        skin = json["skins"][node["skin"]]
        binds = numbers_of(json, binary, skin["inverseBindMatrices"]).reshape(-1, 4, 4).swapaxes(1, 2)
        for primitive in json["meshes"][node["mesh"]]["primitives"]:
            given = primitive["attributes"]
            points = numbers_of(json, binary, given["POSITION"])
            slots = numbers_of(json, binary, given["JOINTS_0"]).clip(0, 65535).astype(np.intp)
            strongest = numbers_of(json, binary, given["WEIGHTS_0"]).argmax(axis=1)
            of: Index = slots[np.arange(len(points)), strongest]
            for slot in np.unique(of):
                joint = joints.index(skin["joints"][int(slot)])
                here = points[of == slot]
                own.setdefault(joint, []).append(here @ binds[slot, :3, :3].T + binds[slot, :3, 3])
    return {joint: np.concatenate(parts) for joint, parts in own.items()}


def numbers_of(json: Json, binary: bytes, index: int) -> Array:
    """(N, width) numbers of an accessor; as they are stored."""
    accessor: dict[str, Any] = json["accessors"][index]
    view = json["bufferViews"][accessor["bufferView"]]
    if view["buffer"] != 0 or "sparse" in accessor:
        raise GlbError("data elsewhere")
    dtype, width = np.dtype(_DTYPES[accessor["componentType"]]), _WIDTHS[accessor["type"]]
    stride = view.get("byteStride", dtype.itemsize * width)
    start = view.get("byteOffset", 0) + accessor.get("byteOffset", 0)
    count = accessor["count"]
    if count < 1 or start < 0 or start + stride * (count - 1) + dtype.itemsize * width > len(binary):
        raise GlbError("data leaves the file")
    raw: NDArray[Any] = np.ndarray((count, width), dtype, binary, start, (stride, dtype.itemsize))
    with np.errstate(invalid="ignore"):  # a NaN that is meant to signal is refused below, as all are
        values: Array = raw.astype(np.float64)
    if not np.isfinite(values).all():
        raise GlbError("not finite")
    return values
