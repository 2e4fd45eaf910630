"""A GLB reader and player of the tests' own: 4 x 4 matrices and plain loops, nothing shared with the writer.

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

    def locals_at(self, name: str, time_s: float) -> dict[int, np.ndarray]:
        """Local matrices (4, 4) of all nodes at a time of a clip."""
        parts = {
            i: {
                key: np.array(node[key], float) for key in ("translation", "rotation", "scale") if key in node
            }
            for i, node in enumerate(self.json["nodes"])
        }
        animation = self.animation(name)
        for channel in animation["channels"]:
            sampler, target = animation["samplers"][channel["sampler"]], channel["target"]
            kind = sampler.get("interpolation", "LINEAR")
            assert kind in ("LINEAR", "CUBICSPLINE")
            times, values = self.accessor(sampler["input"]), self.accessor(sampler["output"])
            play = _played if kind == "LINEAR" else _curved
            parts[target["node"]][target["path"]] = play(times, values, time_s, target["path"] == "rotation")
        return {
            i: _matrix(parts[i]) if "matrix" not in node else np.array(node["matrix"], float).reshape(4, 4).T
            for i, node in enumerate(self.json["nodes"])
        }

    def world_at(self, name: str, time_s: float) -> dict[int, np.ndarray]:
        """World matrices (4, 4) of all nodes at a time of a clip."""
        local, world = self.locals_at(name, time_s), {}

        def place(node: int) -> np.ndarray:
            if node not in world:
                parent = self.parents.get(node)
                world[node] = local[node] if parent is None else place(parent) @ local[node]
            return world[node]

        for node in local:
            place(node)
        return world

    def positions(self, name: str, times_s: np.ndarray, joints: tuple[str, ...]) -> np.ndarray:
        """World positions (T, J, 3) of named joints in the core's axes (Z-up), metres."""
        nodes = [self.node(joint) for joint in joints]
        return z_up(np.array([[self.world_at(name, t)[n][:3, 3] for n in nodes] for t in times_s]))


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


def slerp(a: np.ndarray, b: np.ndarray, t: float) -> np.ndarray:
    """Appendix C.4, by sines; x y z w."""
    dot = float(np.dot(a, b))
    b, dot = (-b, -dot) if dot < 0 else (b, dot)
    angle = np.arctan2(np.linalg.norm(b - a * dot), dot)
    if angle < 1e-9:
        return (a + (b - a) * t) / np.linalg.norm(a + (b - a) * t)
    return (np.sin(angle * (1 - t)) * a + np.sin(angle * t) * b) / np.sin(angle)


def _played(times: np.ndarray, values: np.ndarray, time_s: float, rotation: bool) -> np.ndarray:
    if rotation:
        values = values / np.linalg.norm(values, axis=1, keepdims=True)
    if time_s <= times[0]:
        return values[0]
    if time_s >= times[-1]:
        return values[-1]
    k = int(np.searchsorted(times, time_s, side="right")) - 1
    t = (time_s - times[k]) / (times[k + 1] - times[k])
    return slerp(values[k], values[k + 1], t) if rotation else values[k] * (1 - t) + values[k + 1] * t


def _curved(times: np.ndarray, values: np.ndarray, time_s: float, rotation: bool) -> np.ndarray:
    """Appendix C.5: of each key its in-tangent, its value and its out-tangent."""
    assert len(values) == 3 * len(times) >= 6
    time_s = float(np.clip(time_s, times[0], times[-1]))
    k = min(int(np.searchsorted(times, time_s, side="right")) - 1, len(times) - 2)
    span = times[k + 1] - times[k]
    t = (time_s - times[k]) / span
    start, leaving, arriving, end = values[3 * k + 1], values[3 * k + 2], values[3 * k + 3], values[3 * k + 4]
    found = (
        (2 * t**3 - 3 * t**2 + 1) * start
        + span * (t**3 - 2 * t**2 + t) * leaving
        + (-2 * t**3 + 3 * t**2) * end
        + span * (t**3 - t**2) * arriving
    )
    return found / np.linalg.norm(found) if rotation else found


def _matrix(parts: dict[str, np.ndarray]) -> np.ndarray:
    x, y, z, w = parts.get("rotation", np.array([0, 0, 0, 1.0]))
    out = np.eye(4)
    out[:3, :3] = [
        [1 - 2 * (y * y + z * z), 2 * (x * y - w * z), 2 * (x * z + w * y)],
        [2 * (x * y + w * z), 1 - 2 * (x * x + z * z), 2 * (y * z - w * x)],
        [2 * (x * z - w * y), 2 * (y * z + w * x), 1 - 2 * (x * x + y * y)],
    ]
    out[:3, :3] *= parts.get("scale", np.ones(3))
    out[:3, 3] = parts.get("translation", np.zeros(3))
    return out
