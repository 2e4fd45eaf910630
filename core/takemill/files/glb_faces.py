"""What an animation of a GLB plays on the shapes of its meshes.

Source: glTF 2.0, sections 3.7.2.2 (morph targets) and 3.11 (animations).
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from ..base.checks import Array
from ..base.errors import GlbError
from ..clip.face import Face
from .glb_format import Json, entries, parse
from .glb_numbers import Numbers
from .glb_weights import ShapedNode, shaped_nodes

_RATE = 120.0  # frames a second at which a face is said to play; it is read at any moment


@dataclass(frozen=True)
class KeyedFace(Face):
    """A face that is read off keys at any moment, straight between them.

    Attributes:
        times: (N,) seconds of the take.
        keys: (N, W) weights.
    """

    times: Array = field(default_factory=lambda: np.zeros(1))
    keys: Array = field(default_factory=lambda: np.zeros((1, 1)))

    def at(self, seconds: Array) -> Array:
        """Weights (N, W) at seconds (N,) of the take; still before the first key and after the last."""
        return _between(np.asarray(seconds), self.times, self.keys)


def read_faces(data: bytes, source: str, animation: str, offset_s: float = 0.0) -> tuple[Face, ...]:
    """What an animation plays on each mesh with shapes, `offset_s` later; its limits are 0 to 1 or its own.

    Raises:
        GlbError: there is no such animation, or it moves shapes without names of their own.
    """
    document = parse(data)
    found = [one for one in entries(document.json, "animations") if one.get("name") == animation]
    if not found:
        raise GlbError(f"{source}: it holds no animation {animation!r}")
    read, shaped = Numbers(document), {one.node: one for one in shaped_nodes(document.json)}
    samplers = entries(found[0], "samplers")
    faces = []
    for channel in entries(found[0], "channels"):
        target, number = channel.get("target"), channel.get("sampler")
        if not isinstance(target, dict) or target.get("path") != "weights":
            continue
        node = shaped.get(target["node"]) if type(target.get("node")) is int else None
        if node is None or type(number) is not int or not 0 <= number < len(samplers):
            raise GlbError(f"{source}: animation {animation!r} moves shapes of a node that has none")
        faces.append(_face(read, samplers[number], node, f"{source}: animation {animation!r}", offset_s))
    return tuple(faces)


def _face(read: Numbers, sampler: Json, node: ShapedNode, who: str, offset_s: float) -> Face:
    who = f"{who}, mesh {node.name!r}"
    twice = next((one for one in node.shapes if not one or node.shapes.count(one) > 1), None)
    if twice is not None:
        raise GlbError(
            f"{who}: a shape has {'the name of another' if twice else 'no name'}: {twice!r}; rename it"
        )
    if sampler.get("interpolation", "LINEAR") != "LINEAR":
        raise GlbError(f"{who}: its weights do not run straight between keys; export them as LINEAR")
    times, keys = read.of(sampler.get("input")).ravel(), read.of(sampler.get("output")).ravel()
    if not len(times) or len(keys) != len(times) * len(node.shapes) or (np.diff(times) <= 0).any():
        raise GlbError(f"{who}: its keys are not in order, or not as many as its shapes")
    times, keys = times + offset_s, keys.reshape(len(times), -1)
    frames = times[0] + np.arange(int((times[-1] - times[0]) * _RATE) + 1) / _RATE
    limits = np.stack([np.minimum(keys.min(axis=0), 0.0), np.maximum(keys.max(axis=0), 1.0)], axis=1)
    values = _between(frames, times, keys)
    return KeyedFace(node.name, node.shapes, limits, _RATE, values, float(times[0]), times, keys)


def _between(seconds: Array, times: Array, keys: Array) -> Array:
    return np.stack([np.interp(seconds, times, one) for one in keys.T], axis=-1)
