"""The skinned meshes of a character's GLB, standing as its skeleton stands."""

from __future__ import annotations

import numpy as np

from ..base.checks import Array, Index
from ..base.errors import GlbError
from ..maths import quat
from ..shape.skin import HELD_BY, Skin
from .glb_format import Document, Json, entries, indices, parse
from .glb_numbers import Numbers
from .glb_rig import GlbRig
from .glb_tips import binds_of, weighted_vertices

_TRIANGLES = 4  # of a primitive's modes (glTF 2.0, section 5.24.4); other modes have no faces, or are rare


def read_skin(glb: bytes, rig: GlbRig, source: str) -> Skin:
    """The vertices that hang on the rig's joints, as skinned at rest; without one, none.

    Source: glTF 2.0 specification (Khronos, 2021), section 3.7.3.3: a vertex is the weighted sum of
    what joint matrix times inverse bind matrix make of it. `source` names the file in messages.

    Raises:
        GlbError: a mesh is malformed.
    """
    try:
        return _read(parse(glb), rig)
    except GlbError as problem:
        raise GlbError(f"{source}: {problem}") from None


def _read(document: Document, rig: GlbRig) -> Skin:
    read = Numbers(document)
    nodes, meshes, skins = (entries(document.json, key) for key in ("nodes", "meshes", "skins"))
    place_of = {node: place for place, node in enumerate(rig.nodes)}
    points: list[Array] = []
    joints: list[Index] = []
    weights: list[Array] = []
    triangles: list[Index] = []
    for mesh, skin in dict.fromkeys(
        (node["mesh"], node["skin"]) for node in nodes if {"mesh", "skin"} <= node.keys()
    ):
        bones = indices(skins[skin], "joints", len(nodes))
        mine = np.array([place_of.get(bone, -1) for bone in bones], np.intp)
        binds = binds_of(read, skins[skin], len(bones))
        for primitive in entries(meshes[mesh], "primitives"):
            given, slots, held = weighted_vertices(read, primitive, len(bones))
            slots, held = _strongest(slots, np.where(mine[slots] >= 0, held, 0.0))
            first = sum(len(one) for one in points)
            points.append(_at_rest(rig, given, mine[slots], binds[slots], held))
            joints.append(np.maximum(mine[slots], 0))
            weights.append(held)
            triangles.append(first + _faces(read, primitive, len(given)))
    if not points:
        return Skin(np.zeros((0, 3)), np.zeros((0, HELD_BY), np.intp), np.zeros((0, HELD_BY)))
    return Skin(
        np.concatenate(points), np.concatenate(joints), np.concatenate(weights), np.concatenate(triangles)
    )


def _strongest(slots: Index, weights: Array) -> tuple[Index, Array]:
    """The strongest few of each vertex (N, 4), (N, 4); the weights sum to 1, or to 0."""
    order = np.argsort(-weights, axis=1, kind="stable")[:, :HELD_BY]
    room = ((0, 0), (0, HELD_BY - order.shape[1]))
    slots = np.pad(np.take_along_axis(slots, order, axis=1), room)
    weights = np.pad(np.take_along_axis(weights, order, axis=1), room)
    total = weights.sum(axis=1, keepdims=True)
    return slots, weights / np.where(total > 0, total, 1.0)


def _at_rest(rig: GlbRig, points: Array, joints: Index, binds: Array, weights: Array) -> Array:
    """Vertices (N, 3) where the skeleton's rest has them, from the binds (N, 4, 4, 4) of joints (N, 4)."""
    rotations, positions = rig.skeleton.rest_model
    local = np.einsum("nkij,nj->nki", binds[..., :3, :3], points) + binds[..., :3, 3]
    stands = positions[joints] + quat.rotate(rotations[joints], rig.above.scale * local)
    return np.asarray(np.einsum("nk,nki->ni", weights, stands))


def _faces(read: Numbers, primitive: Json, count: int) -> Index:
    """The triangles (T, 3) of a primitive."""
    if primitive.get("mode", _TRIANGLES) != _TRIANGLES:
        return np.zeros((0, 3), np.intp)
    order = read.of(primitive["indices"]).ravel() if "indices" in primitive else np.arange(count)
    order = order[: len(order) // 3 * 3].astype(np.intp)
    if order.size and not 0 <= order.min() <= order.max() < count:
        raise GlbError("malformed: a face has a vertex that is not there")
    return order.reshape(-1, 3)
