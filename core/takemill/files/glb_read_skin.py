"""The meshes of a file that hang on joints, as an engine skins them: for what is judged and drawn of a clip.

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
        GlbError: one is malformed or compressed.
    """
    return _read_sound(scene, rigid=False)


def read_drawn(scene: GlbScene) -> SkinnedMesh | None:
    """The same with meshes that have no skin and hang below a joint, which carries them as they are.

    Raises:
        GlbError: one is malformed or compressed.
    """
    return _read_sound(scene, rigid=True)


def _read_sound(scene: GlbScene, rigid: bool) -> SkinnedMesh | None:
    try:
        return _read(scene, rigid)
    except (KeyError, IndexError, OverflowError, TypeError, ValueError, AttributeError) as problem:
        raise GlbError(f"a mesh is malformed ({type(problem).__name__}: {problem})") from problem


def _read(scene: GlbScene, rigid: bool) -> SkinnedMesh | None:
    nodes, meshes, skins = (scene.json.get(key, []) for key in ("nodes", "meshes", "skins"))
    parts: list[tuple[Array, Index, Array, Index, Array]] = []
    owners: list[Index] = []
    binds: list[Array] = []
    for number, node in enumerate(nodes):
        skinned = "skin" in node
        if "mesh" not in node or not (skinned or rigid):
            continue
        joints, matrices = _held_by(scene, skins[node["skin"]]) if skinned else _carried_by(scene, number)
        if not len(joints):
            continue
        first = sum(map(len, owners))
        owners.append(joints)
        binds.append(matrices)
        for primitive in meshes[node["mesh"]]["primitives"]:
            parts.append(_primitive(scene, primitive, first, len(joints), skinned))
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


def _held_by(scene: GlbScene, skin: Mapping[str, Any]) -> tuple[Index, Array]:
    """The joints (B,) of a skin, and its inverse bind matrices (B, 4, 4): identities where it names none."""
    joints = np.array(skin["joints"], np.intp)
    if "inverseBindMatrices" not in skin:
        return joints, np.tile(np.eye(4), (len(joints), 1, 1))
    matrices = scene.numbers_of(skin["inverseBindMatrices"]).reshape(-1, 4, 4)
    return joints, matrices[: len(joints)].swapaxes(1, 2)


def _carried_by(scene: GlbScene, node: int) -> tuple[Index, Array]:
    """The joint (1,) that a node hangs below, and the matrix (1, 4, 4) into its space; none without one."""
    matrix = np.eye(4)
    while node >= 0 and node not in scene.joints:
        matrix, node = scene.rest_of(node) @ matrix, scene.parents[node]
    joints = np.array([node] if node >= 0 else [], np.intp)
    return joints, matrix[None]


def _primitive(
    scene: GlbScene, primitive: Mapping[str, Any], first: int, count: int, skinned: bool
) -> tuple[Array, Index, Array, Index, Array]:
    """Points, slots from `first` on, weights, triangles and colours; what has no skin hangs on one joint."""
    given = primitive["attributes"]
    points = scene.numbers_of(given["POSITION"])
    sets = [k for k in range(len(given)) if skinned and f"JOINTS_{k}" in given and f"WEIGHTS_{k}" in given]
    if not sets:
        slots, weights = np.zeros((len(points), _HELD_BY)), np.zeros((len(points), _HELD_BY))
        weights[:, 0] = not skinned
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
