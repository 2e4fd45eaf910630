"""A GLB reader and player of the tests' own: 4 x 4 matrices, nothing shared with the writer.

Source: glTF 2.0 specification (Khronos, 2021), sections 3.5, 3.6, 3.11 and 4, appendix C.
Everything stays in glTF's axes; `z_up` brings points to the core's.
"""

from __future__ import annotations

import json
import struct
from dataclasses import dataclass, field
from typing import Any

import numpy as np

_DTYPES = {5120: "<i1", 5121: "<u1", 5122: "<i2", 5123: "<u2", 5125: "<u4", 5126: "<f4"}
_SCALES = {5120: 127.0, 5121: 255.0, 5122: 32767.0, 5123: 65535.0}
_WIDTHS = {"SCALAR": 1, "VEC2": 2, "VEC3": 3, "VEC4": 4, "MAT4": 16}


@dataclass
class Glb:
    json: dict[str, Any]
    binary: bytes
    parents: dict[int, int] = field(default_factory=dict)

    def __post_init__(self) -> None:
        for parent, node in enumerate(self.json.get("nodes", [])):
            for child in node.get("children", []):
                assert child not in self.parents, "a node with two parents"
                self.parents[child] = parent

    def accessor(self, index: int) -> np.ndarray:
        """(N,) or (N, width) float64, normalised integers already divided."""
        accessor = self.json["accessors"][index]
        view = self.json["bufferViews"][accessor["bufferView"]]
        assert view["buffer"] == 0
        assert "byteStride" not in view or accessor["type"] != "SCALAR"
        dtype, width = np.dtype(_DTYPES[accessor["componentType"]]), _WIDTHS[accessor["type"]]
        start = view.get("byteOffset", 0) + accessor.get("byteOffset", 0)
        size = dtype.itemsize * width * accessor["count"]
        assert start % dtype.itemsize == 0
        assert accessor.get("byteOffset", 0) + size <= view["byteLength"]
        values = np.frombuffer(self.binary[start : start + size], dtype).astype(np.float64)
        if accessor.get("normalized"):
            values = np.maximum(values / _SCALES[accessor["componentType"]], -1.0)
        return values if width == 1 else values.reshape(-1, width)

    def node(self, name: str) -> int:
        """The node of a joint: by the skins' joints, then by any node."""
        nodes = self.json["nodes"]
        joints = [j for skin in self.json.get("skins", []) for j in skin["joints"]]
        return next(i for i in [*joints, *range(len(nodes))] if nodes[i].get("name") == name)

    def animation(self, name: str) -> dict[str, Any]:
        return next(a for a in self.json["animations"] if a["name"] == name)

    def duration_s(self, name: str) -> float:
        animation = self.animation(name)
        return max(self.accessor(s["input"])[-1] for s in animation["samplers"])

    def locals(self, name: str, times_s: np.ndarray) -> np.ndarray:
        """Local matrices (T, N, 4, 4) of all nodes at times (T,) of a clip."""
        times_s = np.asarray(times_s, float)
        moved: dict[int, dict[str, np.ndarray]] = {}
        animation = self.animation(name)
        for channel in animation["channels"]:
            sampler, target = animation["samplers"][channel["sampler"]], channel["target"]
            kind = sampler.get("interpolation", "LINEAR")
            assert kind in ("LINEAR", "CUBICSPLINE")
            keys, values = self.accessor(sampler["input"]), self.accessor(sampler["output"])
            play = played if kind == "LINEAR" else curved
            values = play(keys, values, times_s, target["path"] == "rotation")
            moved.setdefault(target["node"], {})[target["path"]] = values
        nodes = self.json["nodes"]
        out = np.empty((len(times_s), len(nodes), 4, 4))
        for i, node in enumerate(nodes):
            if "matrix" in node:
                out[:, i] = np.array(node["matrix"], float).reshape(4, 4).T
                continue
            rest = {
                key: np.array(node[key], float) for key in ("translation", "rotation", "scale") if key in node
            }
            out[:, i] = _matrix(rest | moved.get(i, {}), len(times_s))
        return out

    def worlds(self, name: str, times_s: np.ndarray) -> np.ndarray:
        """World matrices (T, N, 4, 4) of all nodes at times (T,) of a clip."""
        local, world = self.locals(name, times_s), {}

        def place(node: int) -> np.ndarray:
            if node not in world:
                parent = self.parents.get(node)
                world[node] = local[:, node] if parent is None else place(parent) @ local[:, node]
            return world[node]

        return np.stack([place(node) for node in range(local.shape[1])], axis=1)

    def locals_at(self, name: str, time_s: float) -> dict[int, np.ndarray]:
        """Local matrices (4, 4) by node at a time of a clip."""
        return dict(enumerate(self.locals(name, np.array([time_s]))[0]))

    def world_at(self, name: str, time_s: float) -> dict[int, np.ndarray]:
        """World matrices (4, 4) by node at a time of a clip."""
        return dict(enumerate(self.worlds(name, np.array([time_s]))[0]))

    def positions(self, name: str, times_s: np.ndarray, joints: tuple[str, ...]) -> np.ndarray:
        """World positions (T, J, 3) of named joints in the core's axes (Z-up), metres."""
        nodes = [self.node(joint) for joint in joints]
        return z_up(self.worlds(name, times_s)[:, nodes][..., :3, 3])


def read_glb(data: bytes) -> Glb:
    magic, version, length = struct.unpack_from("<III", data)
    assert (magic, version, length) == (0x46546C67, 2, len(data))
    at, chunks = 12, []
    while at < length:
        size, kind = struct.unpack_from("<II", data, at)
        assert size % 4 == 0
        chunks.append((kind, data[at + 8 : at + 8 + size]))
        at += 8 + size
    assert [kind for kind, _ in chunks] in ([0x4E4F534A], [0x4E4F534A, 0x004E4942])
    binary = chunks[1][1] if len(chunks) > 1 else b""
    return Glb(json.loads(chunks[0][1]), binary)


def z_up(points: np.ndarray) -> np.ndarray:
    """Points (..., 3) from glTF's to the core's axes: its +Z front becomes -Y."""
    return np.stack([points[..., 0], -points[..., 2], points[..., 1]], axis=-1)


def slerp(a: np.ndarray, b: np.ndarray, t: np.ndarray) -> np.ndarray:
    """Appendix C.4, by sines, of (T, 4) at (T, 1); x y z w."""
    dot = (a * b).sum(axis=-1, keepdims=True)
    b = np.where(dot < 0, -b, b)
    angle = np.arctan2(np.linalg.norm(b - a * np.abs(dot), axis=-1, keepdims=True), np.abs(dot))
    near = angle < 1e-9
    wide = np.where(near, 1.0, angle)
    weights = [np.where(near, part, np.sin(wide * part) / np.sin(wide)) for part in (1 - t, t)]
    found = weights[0] * a + weights[1] * b
    return found / np.linalg.norm(found, axis=-1, keepdims=True)


def played(keys: np.ndarray, values: np.ndarray, times_s: np.ndarray, rotation: bool) -> np.ndarray:
    """A LINEAR channel's values (T, width) at times (T,)."""
    if rotation:
        values = values / np.linalg.norm(values, axis=1, keepdims=True)
    times_s = np.clip(times_s, keys[0], keys[-1])
    k = np.clip(np.searchsorted(keys, times_s, side="right") - 1, 0, max(len(keys) - 2, 0))
    after = np.minimum(k + 1, len(keys) - 1)
    span = keys[after] - keys[k]
    t = ((times_s - keys[k]) / np.where(span > 0, span, 1.0))[:, None]
    start, end = values[k], values[after]
    return slerp(start, end, t) if rotation else start * (1 - t) + end * t


def curved(keys: np.ndarray, values: np.ndarray, times_s: np.ndarray, rotation: bool) -> np.ndarray:
    """A CUBICSPLINE channel's values (T, width): appendix C.5; a key is in-tangent, value, out-tangent."""
    assert len(values) == 3 * len(keys) >= 6
    times_s = np.clip(times_s, keys[0], keys[-1])
    k = np.minimum(np.searchsorted(keys, times_s, side="right") - 1, len(keys) - 2)
    span = (keys[k + 1] - keys[k])[:, None]
    t = (times_s - keys[k])[:, None] / span
    start, leaving, arriving, end = (values[3 * k + n] for n in (1, 2, 3, 4))
    found = (
        (2 * t**3 - 3 * t**2 + 1) * start
        + span * (t**3 - 2 * t**2 + t) * leaving
        + (-2 * t**3 + 3 * t**2) * end
        + span * (t**3 - t**2) * arriving
    )
    return found / np.linalg.norm(found, axis=1, keepdims=True) if rotation else found


def _matrix(parts: dict[str, np.ndarray], count: int) -> np.ndarray:
    """Matrices (T, 4, 4) of parts that are one (width,) or one each time (T, width)."""
    x, y, z, w = np.moveaxis(np.atleast_2d(parts.get("rotation", np.array([0, 0, 0, 1.0]))), -1, 0)
    out = np.tile(np.eye(4), (count, 1, 1))
    turn = [
        [1 - 2 * (y * y + z * z), 2 * (x * y - w * z), 2 * (x * z + w * y)],
        [2 * (x * y + w * z), 1 - 2 * (x * x + z * z), 2 * (y * z - w * x)],
        [2 * (x * z - w * y), 2 * (y * z + w * x), 1 - 2 * (x * x + y * y)],
    ]
    out[:, :3, :3] = np.moveaxis(np.array(turn), -1, 0)
    out[:, :3, :3] *= np.atleast_2d(parts.get("scale", np.ones(3)))[:, None]
    out[:, :3, 3] = parts.get("translation", np.zeros(3))
    return out
