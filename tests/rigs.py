"""Characters as GLB files for tests: a stick mesh on a skeleton, below a node that places the whole."""

from __future__ import annotations

from collections.abc import Sequence

from takemill.body.skeleton import Skeleton
from takemill.files.glb import skeleton_glb
from takemill.files.glb_format import Document, Json, pack, parse


def character(skeleton: Skeleton, **node: Sequence[float]) -> bytes:
    """A GLB of a skeleton whose topmost joints hang below a node of this translation, rotation and scale."""
    document = parse(skeleton_glb(skeleton))
    group = document.json["scenes"][0]["nodes"][0]
    return changed(
        pack(document),
        lambda json: json["nodes"][group].update({key: list(value) for key, value in node.items()}),
    )


def changed(glb: bytes, change) -> bytes:
    """A GLB whose JSON was changed in place."""
    document = parse(glb)
    json: Json = document.json
    change(json)
    return pack(Document(json, document.binary))


def nest(json: Json) -> None:
    """Hang the skinned mesh below the skeleton's object, as Blender's exporter does."""
    skinned = next(k for k, node in enumerate(json["nodes"]) if "skin" in node)
    tops = json["scenes"][0]["nodes"]
    tops.remove(skinned)
    json["nodes"][tops[0]]["children"].append(skinned)
    json["nodes"][skinned]["translation"] = [1.0, 2.0, 3.0]
