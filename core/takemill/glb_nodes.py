"""A GLB without what is seen: its nodes alone, to hang clips on that play on a mesh in another file."""

from __future__ import annotations

from .glb_format import Document, Json, entries, pack, parse

_KEPT = ("asset", "scene", "scenes")
_NODE_KEPT = ("name", "children", "translation", "rotation", "scale", "matrix", "extras")


def nodes_only(glb: bytes) -> bytes:
    """The file's scenes and nodes; meshes, skins, materials, cameras and animations are left out.

    Raises:
        GlbError: the GLB is malformed.
    """
    whole = parse(glb).json
    nodes = [{key: node[key] for key in _NODE_KEPT if key in node} for node in entries(whole, "nodes")]
    for node in nodes:
        if "children" not in node:  # a last joint: without a word, validators take it for a slip
            node.setdefault("extras", {})
    kept: Json = {key: whole[key] for key in _KEPT if key in whole}
    return pack(Document(kept | {"nodes": nodes}, None))
