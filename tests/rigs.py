"""Characters as GLB files for tests: a stick mesh on a skeleton, below a node that places the whole."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from glb_reader import read_glb
from takemill.body.body_map import BodyMap
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


def with_soft_heels(glb: bytes, skeleton: Skeleton, parts: BodyMap) -> bytes:
    """The same, its heels, vertices of the feet behind the ankles, hung on foot and shin alike."""
    read, document = read_glb(glb), parse(glb)
    given = read.json["meshes"][0]["primitives"][0]["attributes"]
    places, owners = (read.accessor(given[name]) for name in ("POSITION", "JOINTS_0"))
    slots, weights = owners.astype(np.uint8), np.zeros(owners.shape, np.uint8)
    weights[:, 0] = 255
    for side in ("left", "right"):
        foot, shin = (parts.require(side + part) for part in ("Foot", "LowerLeg"))
        behind = places[:, 2] < -skeleton.rest_model[1][foot, 1]  # glTF's Z points to the front
        heel = (slots[:, 0] == foot) & behind
        assert heel.any()
        slots[heel, 1], weights[heel, :2] = shin, (128, 127)
    binary = bytearray(document.binary or b"")
    for name, values in (("JOINTS_0", slots), ("WEIGHTS_0", weights)):
        view = read.json["bufferViews"][read.json["accessors"][given[name]]["bufferView"]]
        start = view.get("byteOffset", 0)
        binary[start : start + values.size] = values.tobytes()
    return pack(Document(document.json, bytes(binary)))


def nest(json: Json) -> None:
    """Hang the skinned mesh below the skeleton's object, as Blender's exporter does."""
    skinned = next(k for k, node in enumerate(json["nodes"]) if "skin" in node)
    tops = json["scenes"][0]["nodes"]
    tops.remove(skinned)
    json["nodes"][tops[0]]["children"].append(skinned)
    json["nodes"][skinned]["translation"] = [1.0, 2.0, 3.0]
