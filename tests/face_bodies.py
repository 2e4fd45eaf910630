"""Characters whose mesh has shapes, and faces that play on them."""

from __future__ import annotations

import numpy as np

from takemill.base.checks import Array
from takemill.body.skeleton import Skeleton
from takemill.clip.face import Face
from takemill.files import glb
from takemill.files.glb_format import BufferTarget, ComponentType, Writer, pack, parse

SHAPES = ("jawOpen", "blinkLeft", "blinkRight", "smile")


def with_face(base: bytes, name: str = "head_mesh", shapes: tuple[str, ...] = SHAPES) -> bytes:
    """A GLB with one more mesh, a triangle, which has shapes and hangs on nothing."""
    writer = Writer(parse(base))
    corners = np.array([[0.0, 0.0, 0.0], [1.0, 0.0, 0.0], [0.0, 1.0, 0.0]])
    place = writer.add(corners, ComponentType.FLOAT, bounds=True, target=BufferTarget.ARRAY_BUFFER)
    targets = [
        {"POSITION": writer.add(moved, ComponentType.FLOAT, bounds=True, target=BufferTarget.ARRAY_BUFFER)}
        for moved in (np.full((3, 3), 0.01 * (k + 1)) for k in range(len(shapes)))
    ]
    json = writer.json
    json["meshes"] = [
        *json.get("meshes", []),
        {
            "primitives": [{"attributes": {"POSITION": place}, "targets": targets}],
            "weights": [0.0] * len(shapes),
            "extras": {"targetNames": list(shapes)},
        },
    ]
    json["nodes"] = [*json["nodes"], {"name": name, "mesh": len(json["meshes"]) - 1}]
    scene = json["scenes"][json.get("scene", 0)]
    json["scenes"] = [{**scene, "nodes": [*scene["nodes"], len(json["nodes"]) - 1]}]
    return pack(writer.finish())


def base_with_face(skeleton: Skeleton, shapes: tuple[str, ...] = SHAPES) -> bytes:
    """A rig of sticks with a face."""
    return with_face(glb.skeleton_glb(skeleton), shapes=shapes)


def talk(seconds: Array) -> Array:
    """Weights (N, 3) of a mouth and two eyelids at seconds (N,), known at any moment."""
    t = np.asarray(seconds)
    mouth = 0.5 - 0.5 * np.cos(2 * np.pi * 1.7 * t)
    left, right = (np.clip(1 - np.abs((t - at) % 1.3 - 0.2) / 0.1, 0, 1) for at in (0.0, 0.05))
    return np.stack([mouth, left, right], axis=-1)


def talking(rate: float = 48.0, length_s: float = 10.0, start_s: float = 0.0) -> Face:
    """A face that plays `talk` of the take's seconds."""
    times = start_s + np.arange(round(length_s * rate) + 1) / rate
    limits = np.tile([0.0, 1.0], (3, 1))
    return Face("head_mesh", SHAPES[:3], limits, rate, talk(times), start_s)
