"""A GLB's tree of nodes: without what is seen, or with what is seen at its top."""

from __future__ import annotations

from .glb_format import Document, Json, entries, indices, pack, parse

_KEPT = ("asset", "scene", "scenes")
_PLACE = ("translation", "rotation", "scale", "matrix")
_NODE_KEPT = ("name", "children", *_PLACE, "extras")


def nodes_only(glb: bytes) -> bytes:
    """The file's scenes and nodes, to hang clips on that play on a mesh in another file.

    Meshes, skins, materials, cameras and animations are left out.

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


def skins_on_top(glb: bytes) -> bytes:
    """The same file with its skinned meshes at the top of their scenes instead of below an object.

    A skinned mesh ignores its own node's place in the tree (glTF 2.0, section 3.7.3.3), and the Khronos
    validator warns of one that has a parent (NODE_SKINNED_MESH_NON_ROOT). Meshes with children stay, as do
    joints, and nodes that an animation of the file moves.

    Raises:
        GlbError: the GLB is malformed.
    """
    document = parse(glb)
    nodes = entries(document.json, "nodes")
    below = [indices(node, "children", len(nodes)) for node in nodes]
    nested = {child for children in below for child in children if not below[child]}
    nested = {child for child in nested if {"skin", "mesh"} <= nodes[child].keys()}
    nested -= _moved(document.json, len(nodes))
    if not nested:
        return glb
    scenes = []
    for scene in entries(document.json, "scenes"):
        tops = indices(scene, "nodes", len(nodes))
        freed = sorted(nested & _reached(tops, below))
        scenes.append({**scene, "nodes": [*tops, *freed]} if freed else scene)
    kept = [_freed(node, k in nested, nested) for k, node in enumerate(nodes)]
    return pack(Document({**document.json, "nodes": kept, "scenes": scenes}, document.binary))


def _moved(json: Json, count: int) -> set[int]:
    """The nodes that are joints, or that an animation moves."""
    out = {node for skin in entries(json, "skins") for node in indices(skin, "joints", count)}
    for animation in entries(json, "animations"):
        targets = (channel.get("target") for channel in entries(animation, "channels"))
        nodes = (target.get("node") for target in targets if isinstance(target, dict))
        out |= {node for node in nodes if type(node) is int}
    return out


def _reached(tops: list[int], below: list[list[int]]) -> set[int]:
    """The nodes at and below some, in whatever tangle."""
    found, todo = set(tops), list(tops)
    while todo:
        new = set(below[todo.pop()]) - found
        found |= new
        todo += new
    return found


def _freed(node: Json, moves: bool, nested: set[int]) -> Json:
    """A node that moves to the top, or that loses those which do."""
    out = {key: value for key, value in node.items() if not (moves and key in _PLACE)}
    children = [child for child in node.get("children", []) if child not in nested]
    if children or not node.get("children"):
        return out | ({"children": children} if children else {})
    del out["children"]
    return out if "mesh" in out else {"extras": {}} | out  # as above: an empty node on purpose
