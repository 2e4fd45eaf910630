"""The skinned meshes of a file, as an engine skins them: for what is judged and drawn of a played clip.

Source: glTF 2.0 specification (Khronos, 2021), sections 3.7.3.3 (skinned mesh attributes), 3.9 (materials).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from ..base.checks import Array, Index
from ..base.errors import GlbError
from .glb_read import GlbScene

_HELD_BY = 4  # joints that count of a vertex, as games have it
_TRIANGLES = 4  # of a primitive's modes (section 5.24.4)
_PLAIN = (0.8, 0.8, 0.8, 1.0)  # of a primitive without a material: light grey, chosen by eye


@dataclass(frozen=True)
class SkinnedMesh:
    """All meshes of a file that hang on joints, as one.

    Attributes:
        points: (V, 3) in the meshes' own space.
        slots: (V, 4) rows of `binds` that each vertex hangs on.
        weights: (V, 4) how much; they sum to 1, or to 0 where it hangs on nothing.
        joints: (B,) names of the nodes of the binds.
        binds: (B, 4, 4) from the meshes' own space to that node's.
        triangles: (T, 3) vertices.
        colours: (T, 3) linear red, green and blue of each triangle's material, 0 to 1.
    """

    points: Array
    slots: Index
    weights: Array
    joints: tuple[str, ...]
    binds: Array
    triangles: Index
    colours: Array


def read_skinned(scene: GlbScene) -> SkinnedMesh | None:
    """The skinned meshes of a scene; None where there are none.

    Raises:
        GlbError: one is malformed, sparse or compressed.
    """
    try:
        return _read(scene)
    except (KeyError, IndexError, OverflowError, TypeError, ValueError, AttributeError) as problem:
        raise GlbError(f"a mesh is malformed ({type(problem).__name__}: {problem})") from problem


def _read(scene: GlbScene) -> SkinnedMesh | None:
    nodes, meshes, skins = (scene.json.get(key, []) for key in ("nodes", "meshes", "skins"))
    parts: list[tuple[Array, Index, Array, Index, Array]] = []
    owners: list[Index] = []
    binds: list[Array] = []
    for node in nodes:
        if "mesh" not in node or "skin" not in node:
            continue
        skin, first = skins[node["skin"]], sum(map(len, owners))
        joints = np.array(skin["joints"], np.intp)
        owners.append(joints)
        binds.append(_binds(scene, skin, len(joints)))
        for primitive in meshes[node["mesh"]]["primitives"]:
            parts.append(_primitive(scene, primitive, first, len(joints)))
    if not parts:
        return None
    starts = np.cumsum([0, *(len(points) for points, *_ in parts)])
    points, slots, weights, triangles, colours = zip(*parts, strict=True)
    faces = [one + start for one, start in zip(triangles, starts, strict=False)]
    names = tuple(scene.names[node] for node in np.concatenate(owners))
    found = SkinnedMesh(
        np.concatenate(points),
        np.concatenate(slots),
        np.concatenate(weights),
        names,
        np.concatenate(binds),
        np.concatenate(faces),
        np.concatenate(colours),
    )
    if not all(np.isfinite(one).all() for one in (found.points, found.weights, found.binds, found.colours)):
        raise ValueError("a number is not finite")
    return found


def _binds(scene: GlbScene, skin: Mapping[str, Any], count: int) -> Array:
    """The inverse bind matrices (B, 4, 4) of a skin; identities where it names none."""
    if "inverseBindMatrices" not in skin:
        return np.tile(np.eye(4), (count, 1, 1))
    return scene.numbers_of(skin["inverseBindMatrices"]).reshape(-1, 4, 4)[:count].swapaxes(1, 2)


def _primitive(
    scene: GlbScene, primitive: Mapping[str, Any], first: int, count: int
) -> tuple[Array, Index, Array, Index, Array]:
    """Points, slots from `first` on, weights, triangles and their colours."""
    given = primitive["attributes"]
    points = scene.numbers_of(given["POSITION"])
    sets = [k for k in range(len(given)) if f"JOINTS_{k}" in given and f"WEIGHTS_{k}" in given]
    if not sets:
        slots, weights = np.zeros((len(points), _HELD_BY)), np.zeros((len(points), _HELD_BY))
    else:
        slots = np.concatenate([scene.numbers_of(given[f"JOINTS_{k}"]) for k in sets], axis=1)
        weights = np.concatenate([scene.numbers_of(given[f"WEIGHTS_{k}"]) for k in sets], axis=1)
    order = np.argsort(-weights, axis=1, kind="stable")[:, :_HELD_BY]
    slots, weights = (np.take_along_axis(one, order, axis=1) for one in (slots, weights))
    total = weights.sum(axis=1, keepdims=True)
    weights = weights / np.where(total > 0, total, 1.0)
    chosen = slots.astype(np.intp)
    if points.ndim != 2 or points.shape[1] != 3:
        raise ValueError("positions are no points")
    if chosen.min(initial=0) < 0 or chosen.max(initial=0) >= count or len(chosen) != len(points):
        raise IndexError("a vertex hangs on a joint that is not there")
    if primitive.get("mode", _TRIANGLES) != _TRIANGLES:
        faces = np.zeros((0, 3), np.intp)
    else:
        asked = primitive.get("indices")
        order = np.arange(len(points)) if asked is None else scene.numbers_of(asked).astype(np.intp)
        faces = order[: len(order) // 3 * 3].reshape(-1, 3)
    if faces.size and not 0 <= faces.min() <= faces.max() < len(points):
        raise IndexError("a face has a vertex that is not there")
    colour = np.array(_colour(scene, primitive)[:3], np.float64)
    return points, chosen + first, weights, faces, np.tile(colour, (len(faces), 1))


def _colour(scene: GlbScene, primitive: Mapping[str, Any]) -> tuple[float, ...]:
    if "material" not in primitive:
        return _PLAIN
    material = scene.json["materials"][primitive["material"]]
    return tuple(material.get("pbrMetallicRoughness", {}).get("baseColorFactor", (1.0, 1.0, 1.0, 1.0)))
