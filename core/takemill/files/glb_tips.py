"""Where the limbs of a skinned mesh end: the points that a GLB's joints do not tell."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence

import numpy as np

from ..base.checks import Array, Index
from ..base.errors import GlbError
from ..feet.sole_mesh import SoleVertices, find_sole_vertices
from ..maths import quat
from .glb_format import Document, Json, entries, indices
from .glb_numbers import Numbers
from .glb_place import Place

_FLOOR_HEIGHTS = 0.02  # of the mesh's height: what lies lower stands on the floor
# Of the mesh's height: joints that lie higher do not (a shin may have vertices of the heel).
_LOW_HEIGHTS = 0.15
_SAME_TIP_HEIGHTS = 0.01  # of the mesh's height: ends that close are one


def tips_of(
    document: Document, joints: Sequence[int], parents: Sequence[int], rest_places: Sequence[Place]
) -> tuple[tuple[int, ...], Array]:
    """The joints (K,) that have tips, and the tips (K, 3) in their joints' space, metres.

    A last joint ends at the vertex of its own that is furthest from it. A low joint whose vertices reach
    the floor ends there, too: as far as they go from the joints that hang below it, a heel as seen from the
    toes. A vertex is its strongest joint's.

    Args:
        document: a GLB.
        joints: (J,) nodes.
        parents: (J,) joint above each one, -1 for the topmost.
        rest_places: (J,) where each joint stands at rest, Z-up, metres.

    Raises:
        GlbError: a skinned mesh cannot be read (it is compressed, say).
    """
    return limb_ends(_strongest(document, list(joints)), parents, rest_places)


def limb_ends(
    own: Mapping[int, Array], parents: Sequence[int], rest_places: Sequence[Place]
) -> tuple[tuple[int, ...], Array]:
    """The same, of the vertices (N, 3) of joints, in each joint's own space and the file's unit."""
    if not own:
        return (), np.zeros((0, 3))
    world = {joint: rest_places[joint].apply(points) for joint, points in own.items()}
    everything = np.concatenate(list(world.values()))
    low, height = float(everything[:, 2].min()), float(np.ptp(everything, axis=0).max())
    found: list[tuple[int, Array]] = []
    children: dict[int, list[int]] = {}
    for child, parent in enumerate(parents):
        children.setdefault(parent, []).append(child)
    for joint in sorted(world):
        points, at = world[joint], rest_places[joint].translation
        below = children.get(joint, [])
        ends: list[Array] = []
        lowest = points[points[:, 2] <= low + _FLOOR_HEIGHTS * height]
        if len(lowest) and at[2] <= low + _LOW_HEIGHTS * height:
            away = np.mean([rest_places[child].translation for child in below] or [at], axis=0)
            ends.append(_furthest(lowest, away))
        if not below:
            end = _furthest(points, at)
            ends += [end] if not ends or np.linalg.norm(end - ends[0]) > _SAME_TIP_HEIGHTS * height else []
        back = quat.inv(rest_places[joint].rotation)
        found += [(joint, quat.rotate(back, end - at)) for end in ends]
    return tuple(joint for joint, _ in found), np.array([end for _, end in found]).reshape(-1, 3)


def soles_of(document: Document, joints: Sequence[int], rest_places: Sequence[Place]) -> SoleVertices:
    """The vertices of the soles of a document's meshes, which stand as the joints do at rest.

    Raises:
        GlbError: a skinned mesh cannot be read.
    """
    skinned = list(_skinned(document, list(joints)))
    if not skinned:
        return SoleVertices()
    most = max(held.shape[1] for held, _, _ in skinned)
    widths = [((0, 0), (0, most - held.shape[1])) for held, _, _ in skinned]
    padded = [
        (np.pad(held, room, constant_values=-1), np.pad(weights, room), np.pad(inside, (*room, (0, 0))))
        for (held, weights, inside), room in zip(skinned, widths, strict=True)
    ]
    held, weights, stands = (np.concatenate(parts) for parts in zip(*padded, strict=True))
    for joint, place in enumerate(rest_places):
        mine = held == joint
        stands[mine] = place.apply(stands[mine])
    turned, at = (
        np.array([getattr(one, name) for one in rest_places]) for name in ("rotation", "translation")
    )
    return find_sole_vertices(held, weights, stands, turned, at, np.array([0.0, 0.0, 1.0]))


def _furthest(points: Array, away: Array) -> Array:
    return points[int(np.linalg.norm(points - away, axis=1).argmax())]


def _strongest(document: Document, joints: list[int]) -> dict[int, Array]:
    """The vertices (N, 3) that hang on each joint most, in its own space and the file's unit."""
    own: dict[int, list[Array]] = {}
    for held, weights, inside in _skinned(document, joints):
        first = np.arange(len(held)), weights.argmax(axis=1)
        for joint in np.unique(held[first]).tolist():
            if joint >= 0:
                own.setdefault(joint, []).append(inside[first][held[first] == joint])
    return {joint: np.concatenate(parts) for joint, parts in own.items()}


def _skinned(document: Document, joints: list[int]) -> Iterator[tuple[Index, Array, Array]]:
    """By primitive the joints (N, S) that each vertex hangs on, how much, and where each of them has it.

    -1 stands for a node that is none of the joints. Places (N, S, 3) are in the joint's own space and the
    file's unit.

    Raises:
        GlbError: a skinned mesh cannot be read: where its soles are would be lost.
    """
    json, read = document.json, Numbers(document)
    nodes, meshes, skins = (entries(json, key) for key in ("nodes", "meshes", "skins"))
    place_of = {joint: place for place, joint in enumerate(joints)}
    seen: set[tuple[int, int]] = set()
    for node in nodes:
        mesh, skin = node.get("mesh"), node.get("skin")
        if mesh is None or skin is None:
            continue
        known = type(mesh) is int and type(skin) is int
        if not known or not (0 <= mesh < len(meshes) and 0 <= skin < len(skins)):
            raise GlbError("malformed: a node has a mesh or a skin that is not there")
        if (mesh, skin) in seen:
            continue
        seen.add((mesh, skin))
        bones = indices(skins[skin], "joints", len(nodes))
        mine = np.array([place_of.get(bone, -1) for bone in bones], np.intp)
        try:
            binds = binds_of(read, skins[skin], len(bones))
            for primitive in entries(meshes[mesh], "primitives"):
                points, slots, weights = weighted_vertices(read, primitive, len(bones))
                inside = np.zeros((*slots.shape, 3))
                for slot in np.unique(slots).tolist():
                    here = slots == slot
                    vertex = here.nonzero()[0]
                    inside[here] = points[vertex] @ binds[slot, :3, :3].T + binds[slot, :3, 3]
                yield mine[slots], weights, inside
        except GlbError as problem:
            name = meshes[mesh].get("name") or node.get("name") or mesh
            raise GlbError(f"mesh {str(name)!r}: {problem}") from None


def binds_of(read: Numbers, skin: Json, count: int) -> Array:
    """The inverse bind matrices (J, 4, 4) of a skin, identities where it has none."""
    if "inverseBindMatrices" not in skin:
        return np.tile(np.eye(4), (count, 1, 1))
    stored = read.of(skin["inverseBindMatrices"])
    if stored.shape[1] != 16 or len(stored) < count:
        raise GlbError(f"malformed: its skin has {count} joints and {len(stored)} matrices")
    return stored.reshape(-1, 4, 4).swapaxes(1, 2)


def weighted_vertices(read: Numbers, primitive: Json, bones: int) -> tuple[Array, Index, Array]:
    """The vertices (N, 3) of a primitive, the slots (N, S) of the joints they hang on, and by how much."""
    for name in primitive.get("extensions") or ():
        if "compression" in str(name):
            raise GlbError(f"it is compressed ({name}); export it without compression")
    given = primitive.get("attributes")
    if not isinstance(given, dict) or not {"POSITION", "JOINTS_0", "WEIGHTS_0"} <= given.keys():
        raise GlbError("malformed: it is skinned, and lacks positions, joints or weights")
    points = read.of(given["POSITION"])
    sets = [k for k in range(4) if {f"JOINTS_{k}", f"WEIGHTS_{k}"} <= given.keys()]
    slots = np.concatenate([read.of(given[f"JOINTS_{k}"]) for k in sets], axis=1)
    weights = np.concatenate([read.of(given[f"WEIGHTS_{k}"]) for k in sets], axis=1)
    if points.shape[1] != 3 or not len(points) == len(slots) == len(weights) or slots.shape != weights.shape:
        raise GlbError("malformed: positions, joints and weights do not belong together")
    of: Index = slots.astype(np.intp)
    held = of[weights > 0]
    if held.size and (held.min() < 0 or held.max() >= bones):
        raise GlbError("malformed: a vertex hangs on a joint that its skin lacks")
    return points, np.clip(of, 0, bones - 1), weights
