"""Weights of shapes (glTF: morph targets) in a GLB: which nodes show which, and where a track goes.

Source: glTF 2.0, sections 3.7.2.2 (morph targets) and 3.11 (animations); names of targets lie in a mesh's
`extras.targetNames`, by the implementation note of section 3.7.2.2.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ..base.checks import Array
from ..base.errors import GlbError
from ..keys.weight_keys import WeightTrack
from .glb_format import Json, entries, numbers


@dataclass(frozen=True)
class ShapedNode:
    """A node whose mesh has shapes.

    Attributes:
        node: its number.
        name: its name.
        shapes: the names of its W shapes; "" for one without.
        weights: (W,) at rest.
    """

    node: int
    name: str
    shapes: tuple[str, ...]
    weights: Array


def shaped_nodes(json: Json) -> tuple[ShapedNode, ...]:
    """All nodes whose meshes have shapes.

    Raises:
        GlbError: the GLB is malformed.
    """
    found, meshes = [], entries(json, "meshes")
    for place, node in enumerate(entries(json, "nodes")):
        mesh = node.get("mesh")
        if type(mesh) is not int or not 0 <= mesh < len(meshes):
            continue
        primitives = entries(meshes[mesh], "primitives")
        count = len(entries(primitives[0], "targets")) if primitives else 0
        if count:
            rest = numbers(meshes[mesh], "weights", np.zeros(count))
            extras = meshes[mesh].get("extras")
            names = extras.get("targetNames") if isinstance(extras, dict) else None
            names = names if isinstance(names, list) and len(names) == count else [""] * count
            found.append(
                ShapedNode(
                    place,
                    str(node.get("name", "")),
                    tuple(map(str, names)),
                    numbers(node, "weights", rest.tolist()),
                )
            )
    return tuple(found)


def whole_weights(shaped: tuple[ShapedNode, ...], track: WeightTrack) -> tuple[int, Array]:
    """The node that a track moves, and the weights (N, W) of all its shapes; others keep those at rest.

    Raises:
        GlbError: the file has no such node, or it has not all of these shapes, or one twice.
    """
    named = [one for one in shaped if one.name == track.mesh]
    if not named:
        raise GlbError(
            f"the GLB shows no mesh {track.mesh!r} with shapes; was it made from another character?"
        )
    one = next((one for one in named if set(track.names) <= set(one.shapes)), named[0])
    values = np.tile(one.weights, (len(track.frames), 1))
    for name, column in zip(track.names, track.values.T, strict=True):
        if one.shapes.count(name) != 1:
            found = f"{one.shapes.count(name)} shapes" if name in one.shapes else "no shape"
            raise GlbError(
                f"mesh {track.mesh!r} of the GLB has {found} {name!r}; each shape that plays needs a name of "
                "its own"
            )
        values[:, one.shapes.index(name)] = column
    return one.node, values
