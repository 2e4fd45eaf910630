"""A joint on the floor above a character's skeleton, for root motion."""

from __future__ import annotations

import numpy as np

from ..base.checks import Array
from ..base.errors import GlbError
from ..maths import quat
from .glb_axes import Y_UP
from .glb_format import ComponentType, Document, Json, Writer, entries, indices, pack, parse, shortest
from .glb_numbers import Numbers
from .glb_place import Place
from .glb_rig import GlbRig, parents_of, place_of

_XYZW = [1, 2, 3, 0]  # glTF's order of a quaternion, from ours


def with_root(glb: bytes, rig: GlbRig) -> tuple[bytes, str]:
    """The file with a joint at the character's origin above its topmost ones, and the joint's name.

    It takes their place in the tree and joins their skins; the mesh stays where it is.

    Args:
        glb: a character.
        rig: what it holds, from `read_rig`.

    Raises:
        GlbError: a skin's matrices cannot be read.
    """
    document = parse(glb)
    nodes = list(entries(document.json, "nodes"))
    parents = parents_of(nodes)
    tops = [node for node, parent in zip(rig.nodes, rig.skeleton.parents, strict=True) if parent < 0]
    names = {str(node.get("name", "")) for node in nodes}
    name = "root"
    while name in names:
        name += "_root_motion"
    # The new joint stands at the origin, upright; it keeps the unit of what it hangs from.
    above = Place(Y_UP, np.zeros(3)) @ rig.above
    stand = Place(Y_UP, np.zeros(3), above.scale)
    new, hanging = len(nodes), parents[tops[0]]
    for top in tops:
        nodes[top] = _at(nodes[top], stand.inverse @ above @ place_of(nodes[top]))
    nodes.append(_at({"name": name, "children": tops}, above.inverse @ stand))
    json = {**document.json, "nodes": nodes}
    if hanging >= 0:
        kept = [node for node in indices(nodes[hanging], "children", new) if node not in tops]
        nodes[hanging] = {**nodes[hanging], "children": [*kept, new]}
    else:
        json["scenes"] = [_scene(scene, tops, new) for scene in entries(json, "scenes")]
    writer = Writer(Document(json, document.binary))
    writer.json["skins"] = [
        _skin(writer, document, skin, tops, new, stand) for skin in entries(json, "skins")
    ]
    return pack(writer.finish()), name


def _at(node: Json, place: Place) -> Json:
    """The node at another place; its scale is left as it was."""
    kept = {key: value for key, value in node.items() if key not in ("matrix", "rotation", "translation")}
    return kept | {
        "rotation": shortest(quat.normalize(place.rotation)[_XYZW]),
        "translation": shortest(place.translation),
    }


def _scene(scene: Json, tops: list[int], new: int) -> Json:
    nodes = indices(scene, "nodes", new)
    if not set(tops) & set(nodes):
        return scene
    return {**scene, "nodes": [*(node for node in nodes if node not in tops), new]}


def _skin(writer: Writer, document: Document, skin: Json, tops: list[int], new: int, stand: Place) -> Json:
    """A skin with the new joint behind its own ones."""
    out = {**skin, "joints": [*skin["joints"], new]}
    skins = entries(document.json, "skins")
    if skin.get("skeleton") in tops:
        out["skeleton"] = new
    if "inverseBindMatrices" in skin:
        stored = Numbers(document).of(skin["inverseBindMatrices"])
        if stored.shape[1] != 16 or len(stored) < len(skin["joints"]):
            raise GlbError("malformed: a skin has fewer matrices than joints")
        binds = stored[: len(skin["joints"])]
        matrices = np.concatenate([binds, _matrix(stand.inverse)[None]])
        alike = sum(one.get("inverseBindMatrices") == skin["inverseBindMatrices"] for one in skins)
        if alike == 1:  # else the old ones stay in use
            writer.replace(skin["inverseBindMatrices"], matrices, ComponentType.FLOAT)
        else:
            out["inverseBindMatrices"] = writer.add(matrices, ComponentType.FLOAT)
    return out


def _matrix(place: Place) -> Array:
    """(16,) column by column."""
    matrix = np.eye(4)
    matrix[:3, :3] = place.scale * quat.to_matrix(place.rotation)
    matrix[:3, 3] = place.translation
    return matrix.T.ravel()
