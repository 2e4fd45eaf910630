"""A GLB file played as an engine plays it, to judge what the writer wrote: the two share no code.

Nodes are 4 x 4 matrices in the file's axes (glTF 2.0: sections 3.5 nodes, 3.6 accessors, 3.11 animations,
4 the container; appendix C interpolation).
"""

from __future__ import annotations

import struct
from collections.abc import Mapping
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from ..base import large_json
from ..base.checks import Array
from ..base.errors import GlbError

_JSON, _BIN = 0x4E4F534A, 0x004E4942  # chunk types (glTF 2.0, section 4.4.3)
# Component types and element types (section 3.6.2.2), and what an animation moves (section 3.11).
_DTYPES = {5120: "<i1", 5121: "<u1", 5122: "<i2", 5123: "<u2", 5125: "<u4", 5126: "<f4"}
_WIDTHS = {"SCALAR": 1, "VEC2": 2, "VEC3": 3, "VEC4": 4, "MAT4": 16}
_PATHS = {"translation": 3, "rotation": 4, "scale": 3}
_SPARSE_HINT = "export it without sparse accessors or compression"
_MAX_NODES, _MAX_DEPTH = 20_000, 500  # a character in a scene has hundreds, a dozen or two deep
_MAX_LENGTH_OFF = 0.1  # by which a rotation's length may differ from 1: exporters round, some coarsely
# Of a node that says nothing (section 5.25).
_RESTS = {"translation": (0.0, 0.0, 0.0), "rotation": (0.0, 0.0, 0.0, 1.0), "scale": (1.0, 1.0, 1.0)}


class Curve(NamedTuple):
    """One channel: its node and path, N keys at seconds (N,), values (N, 3 or 4).

    A cubic one has slopes (N, 2, 3 or 4), per second, towards and away from each key.
    """

    node: int
    path: str
    times: Array
    values: Array
    slopes: Array | None = None


class WeightCurve(NamedTuple):
    """The weights of a node's shapes: N keys at seconds (N,), values (N, W), straight between them."""

    node: int
    names: tuple[str, ...]
    times: Array
    values: Array


class GlbScene:
    """The nodes and animations of a file.

    Attributes:
        json: what it says.
        names: of the nodes.
        parents: of the nodes, -1 for those at the top.
        order: the nodes, parents first.
        joints: the nodes that skins name.
        curves: animation name -> its channels that move nodes.
        weights: animation name -> its channels that change shapes of meshes (morph targets).
        extras: animation name -> its extras.
    """

    def __init__(self, data: bytes, source: str) -> None:
        self._source = source
        try:
            self.json, self._binary = self._chunks(data)
            self._nodes: list[dict[str, Any]] = self.json.get("nodes", [])
            self._read: dict[int, Array] = {}
            if len(self._nodes) > _MAX_NODES:
                raise self._error(f"{len(self._nodes)} nodes; at most {_MAX_NODES} can be judged")
            self.names = tuple(str(node.get("name", "")) for node in self._nodes)
            self.parents = [-1] * len(self._nodes)
            for parent, node in enumerate(self._nodes):
                for child in node.get("children", ()):
                    self.parents[self._index(child, self._nodes, "node")] = parent
            self.order = self._parents_first()
            self._expect_places()
            joints = [j for skin in self.json.get("skins", ()) for j in skin["joints"]]
            self.joints = tuple(dict.fromkeys(self._index(j, self._nodes, "node") for j in joints))
            self._expect_poses()
            self.curves: dict[str, list[Curve]] = {}
            self.weights: dict[str, list[WeightCurve]] = {}
            self.extras: dict[str, Any] = {}
            for animation in self.json.get("animations", ()):
                name = str(animation.get("name", ""))
                if name in self.curves:
                    raise self._error(f"two animations are called {name!r}")
                self.weights[name] = []
                self.curves[name] = self._channels(animation, name)
                self.extras[name] = animation.get("extras")
        except (
            KeyError,
            IndexError,
            OverflowError,
            TypeError,
            ValueError,
            AttributeError,
            struct.error,
            RecursionError,
        ) as problem:
            raise self._error(f"malformed ({type(problem).__name__}: {problem})") from problem

    def _error(self, text: str) -> GlbError:
        return GlbError(f"{self._source}: {text}")

    def _index(self, value: Any, things: list[Any], what: str) -> int:
        """Insist on a number of one of some things: no truth, no word, and none from the end."""
        if type(value) is not int or not 0 <= value < len(things):
            raise self._error(f"there is no {what} {value!r}")
        return value

    def _chunks(self, data: bytes) -> tuple[dict[str, Any], bytes]:
        magic, version, length = struct.unpack_from("<4sII", data)
        if (magic, version) != (b"glTF", 2) or length != len(data):
            raise self._error("not a whole GLB file of version 2")
        found: dict[int, bytes] = {}
        place = 12
        while place < length:
            size, kind = struct.unpack_from("<II", data, place)
            if size % 4 or place + 8 + size > length:
                raise self._error("a chunk leaves the file")
            found.setdefault(kind, data[place + 8 : place + 8 + size])
            place += 8 + size
        if len(found[_JSON]) > large_json.MAX_JSON_BYTES:
            raise self._error(
                f"{len(found[_JSON])} bytes of JSON; at most {large_json.MAX_JSON_BYTES} can be judged"
            )
        return large_json.loads(found[_JSON]), found.get(_BIN, b"")

    def _parents_first(self) -> list[int]:
        order = [node for node, parent in enumerate(self.parents) if parent < 0]
        for node in order:
            order += self._nodes[node].get("children", ())
            if len(order) > len(self._nodes):
                break
        if sorted(order) != list(range(len(self._nodes))):
            raise self._error("its nodes are no tree")
        depth = [0] * len(order)
        for node in order:
            depth[node] = depth[self.parents[node]] + 1 if self.parents[node] >= 0 else 1
        if max(depth, default=0) > _MAX_DEPTH:
            raise self._error(f"a chain of {max(depth)} nodes; at most {_MAX_DEPTH} can be judged")
        return order

    def _expect_places(self) -> None:
        """Insist on nodes that are placed by finite numbers, as many as there must be."""
        for node, given in enumerate(self._nodes):
            for path, rest in {**_RESTS, "matrix": (0.0,) * 16}.items():
                found = np.asarray(given.get(path, rest), np.float64)
                if found.shape != (len(rest),) or not (np.abs(found) <= np.finfo(np.float32).max).all():
                    raise self._error(
                        f"the {path} of node {node} is not {len(rest)} finite numbers that a float32 holds"
                    )

    def _expect_poses(self) -> None:
        """Insist that joints, and what carries them, have a direction and a size at rest."""
        todo = set(self.joints)
        for node in reversed(self.order):
            if node not in todo:
                continue
            todo.add(self.parents[node])
            given, place = self._nodes[node], f"joint {self.names[node]!r} (node {node})"
            turn = np.linalg.norm(np.asarray(given.get("rotation", _RESTS["rotation"]), np.float64))
            if abs(turn - 1) > _MAX_LENGTH_OFF:
                raise self._error(f"{place}: its rotation at rest is no unit quaternion (length {turn:.4g})")
            if not np.abs(np.linalg.det(self.rest_of(node)[:3, :3])) > np.finfo(np.float32).tiny:
                raise self._error(f"{place}: it is scaled to nothing at rest")

    def numbers_of(self, index: int) -> Array:
        """An accessor, (N,) or (N, width); normalised integers as what they stand for (section 3.6.2.2).

        Raises:
            GlbError: there is none, or it cannot be read.
        """
        self._index(index, self.json["accessors"], "accessor")
        if index not in self._read:
            self._read[index] = self._numbers(index)
        return self._read[index]

    def _numbers(self, index: int) -> Array:
        accessor = self.json["accessors"][index]
        if "sparse" in accessor or "bufferView" not in accessor:
            raise self._error(f"accessor {index} is sparse or compressed; {_SPARSE_HINT}")
        views = self.json["bufferViews"]
        view = views[self._index(accessor["bufferView"], views, "buffer view")]
        dtype, width = np.dtype(_DTYPES[accessor["componentType"]]), _WIDTHS[accessor["type"]]
        stride = view.get("byteStride", dtype.itemsize * width)
        inside = accessor.get("byteOffset", 0)
        if (
            view.get("buffer", 0) != 0
            or stride < dtype.itemsize * width
            or min(inside, view.get("byteOffset", 0)) < 0
        ):
            raise self._error(f"accessor {index} lies in another file, or its elements over each other")
        end = inside + stride * (accessor["count"] - 1) + dtype.itemsize * width
        start = view.get("byteOffset", 0)
        if (
            accessor["count"] < 1
            or end > view["byteLength"]
            or start + view["byteLength"] > len(self._binary)
        ):
            raise self._error(f"accessor {index} leaves its data")
        raw: NDArray[Any] = np.ndarray(
            (accessor["count"], width), dtype, self._binary, start + inside, (stride, dtype.itemsize)
        )
        with np.errstate(invalid="ignore"):  # a NaN that is meant to signal; NaNs are refused by whoever asks
            values = raw.astype(np.float64)
        if accessor.get("normalized"):
            values = np.maximum(values / np.iinfo(dtype).max, -1.0)
        return values[:, 0] if width == 1 else values

    def _channels(self, animation: Mapping[str, Any], name: str) -> list[Curve]:
        curves, seen = [], set()
        for channel in animation["channels"]:
            samplers, target = animation["samplers"], channel["target"]
            sampler = samplers[self._index(channel["sampler"], samplers, "sampler")]
            node, path = self._index(target["node"], self._nodes, "node"), target["path"]
            place = f"animation {name!r}, {path} of {self.names[node]!r}"
            kind = sampler.get("interpolation", "LINEAR")
            if path == "weights" and (node, path) not in seen:
                seen.add((node, path))
                self.weights[name].append(self._weights(node, sampler, place))
                continue
            if kind not in ("LINEAR", "CUBICSPLINE") or path not in _PATHS:
                raise self._error(f"{place}: only LINEAR and CUBICSPLINE channels of nodes can be judged")
            if (node, path) in seen:
                raise self._error(f"{place}: moved twice")
            seen.add((node, path))
            times, values = self.numbers_of(sampler["input"]), self.numbers_of(sampler["output"])
            slopes = None
            if kind == "CUBICSPLINE" and values.shape == (3 * len(times), _PATHS[path]):
                slopes, values = np.stack([values[0::3], values[2::3]], axis=1), values[1::3]
            if times.ndim != 1 or values.shape != (len(times), _PATHS[path]):
                raise self._error(f"{place}: {len(times)} times for values of shape {values.shape}")
            if not (np.isfinite(times).all() and np.isfinite(values).all()):
                raise self._error(f"{place}: a number is not finite")
            if times[0] < 0 or np.any(np.diff(times) <= 0):
                raise self._error(f"{place}: its times do not increase")
            if slopes is not None and not np.isfinite(slopes).all():
                raise self._error(f"{place}: a slope is not finite")
            if path == "rotation" and (np.abs(np.linalg.norm(values, axis=1) - 1) > _MAX_LENGTH_OFF).any():
                raise self._error(f"{place}: a key is no unit quaternion")
            curves.append(Curve(node, path, times, values, slopes))
        return curves

    def _weights(self, node: int, sampler: Mapping[str, Any], place: str) -> WeightCurve:
        """A channel of weights: all shapes of a key lie behind each other (section 3.11)."""
        meshes = self.json.get("meshes", [])
        mesh = meshes[self._index(self._nodes[node].get("mesh"), meshes, "mesh")]
        count = len(mesh["primitives"][0].get("targets", ()))
        if sampler.get("interpolation", "LINEAR") != "LINEAR" or not count:
            raise self._error(f"{place}: only LINEAR weights of a mesh with shapes can be judged")
        times, values = self.numbers_of(sampler["input"]), self.numbers_of(sampler["output"])
        if times.ndim != 1 or values.shape != (len(times) * count,):
            raise self._error(f"{place}: {len(times)} times for {values.shape} weights of {count} shapes")
        if not (np.isfinite(times).all() and np.isfinite(values).all()):
            raise self._error(f"{place}: a number is not finite")
        if times[0] < 0 or np.any(np.diff(times) <= 0):
            raise self._error(f"{place}: its times do not increase")
        names = mesh.get("extras", {}).get("targetNames", [""] * count)
        return WeightCurve(node, tuple(map(str, names)), times, values.reshape(-1, count))

    def moved_by(self, name: str) -> tuple[int, ...]:
        """The nodes that an animation moves, and what hangs below them."""
        moved = {curve.node for curve in self.curves[name]}
        for node in self.order:  # parents come first
            if self.parents[node] in moved:
                moved.add(node)
        return tuple(sorted(moved))

    def path_of(self, node: int) -> str:
        """The names from the top down to a node, by which engines find it."""
        names = []
        while node >= 0:
            names.append(self.names[node])
            node = self.parents[node]
        return "/".join(reversed(names))

    def rest_of(self, node: int) -> Array:
        """The matrix (4, 4) of a node where nothing moves it, in its parent's space."""
        return self._own(node, {}, 1)[0]

    def rest_world(self, node: int) -> Array:
        """The matrix (4, 4) of a node where nothing moves it, in the scene's space."""
        out = np.eye(4)
        while node >= 0:
            out, node = self.rest_of(node) @ out, self.parents[node]
        return out

    def duration_s(self, name: str) -> float:
        """When the last key of an animation lies, seconds; 0 for one that moves nothing."""
        return max((float(curve.times[-1]) for curve in self.curves[name]), default=0.0)

    def worlds(self, name: str, times: Array) -> Array:
        """World matrices (T, N, 4, 4) of the N nodes at times (T,), seconds."""
        count, seconds = len(times), np.asarray(times, np.float64)
        moved: dict[int, dict[str, Array]] = {}
        for curve in self.curves[name]:
            moved.setdefault(curve.node, {})[curve.path] = _played(curve, seconds)
        out = np.empty((count, len(self._nodes), 4, 4))
        with np.errstate(over="ignore", invalid="ignore"):
            for node in self.order:
                own, parent = self._own(node, moved.get(node, {}), count), self.parents[node]
                out[:, node] = own if parent < 0 else out[:, parent] @ own
        if not np.isfinite(out).all():
            raise self._error(f"animation {name!r} plays numbers that are too large")
        return out

    def _own(self, node: int, moved: Mapping[str, Array], count: int) -> Array:
        """Matrices (T, 4, 4) of a node in its parent's space, where `moved` holds what plays (T, 3 or 4)."""
        given = self._nodes[node]
        if given.get("matrix") is not None:
            fixed = np.reshape(np.asarray(given["matrix"], float), (4, 4)).T
            return np.broadcast_to(fixed, (count, 4, 4))
        return _matrices(
            {
                path: moved[path]
                if path in moved
                else np.tile(np.asarray(given.get(path, rest), float), (count, 1))
                for path, rest in _RESTS.items()
            }
        )


def _played(curve: Curve, times: Array) -> Array:
    """Values (T, 3 or 4) at times (T,): straight, by slerp on the shorter way, or cubic (appendix C)."""
    after = np.clip(np.searchsorted(curve.times, times, side="right"), 1, max(len(curve.times) - 1, 1))
    if len(curve.times) == 1:
        values = np.repeat(curve.values, len(times), axis=0)
        return values / np.linalg.norm(values, axis=1, keepdims=True) if curve.path == "rotation" else values
    low, high = curve.values[after - 1], curve.values[after]
    part = np.clip((times - curve.times[after - 1]) / (curve.times[after] - curve.times[after - 1]), 0, 1)[
        :, None
    ]
    if curve.slopes is not None:
        length = (curve.times[after] - curve.times[after - 1])[:, None]
        mixed = (
            (2 * part**3 - 3 * part**2 + 1) * low
            + length * (part**3 - 2 * part**2 + part) * curve.slopes[after - 1, 1]
            + (3 * part**2 - 2 * part**3) * high
            + length * (part**3 - part**2) * curve.slopes[after, 0]
        )
        unit = np.linalg.norm(mixed, axis=1, keepdims=True) if curve.path == "rotation" else 1.0
        return np.asarray(mixed / unit)
    if curve.path != "rotation":
        return low + (high - low) * part
    low, high = (one / np.linalg.norm(one, axis=1, keepdims=True) for one in (low, high))
    dot = np.sum(low * high, axis=1, keepdims=True)
    high = np.where(dot < 0, -high, high)
    angle = np.arccos(np.clip(np.abs(dot), 0, 1))
    near = angle < 1e-5
    sine = np.where(near, 1.0, np.sin(angle))
    mixed = np.where(
        near,
        low + (high - low) * part,
        (np.sin((1 - part) * angle) * low + np.sin(part * angle) * high) / sine,
    )
    return mixed / np.linalg.norm(mixed, axis=1, keepdims=True)


def _matrices(parts: Mapping[str, Array]) -> Array:
    """Translation x rotation x scale as matrices (T, 4, 4)."""
    x, y, z, w = parts["rotation"].T
    out = np.zeros((len(x), 4, 4))
    out[:, 0, :3] = np.stack([1 - 2 * (y * y + z * z), 2 * (x * y - z * w), 2 * (x * z + y * w)], axis=-1)
    out[:, 1, :3] = np.stack([2 * (x * y + z * w), 1 - 2 * (x * x + z * z), 2 * (y * z - x * w)], axis=-1)
    out[:, 2, :3] = np.stack([2 * (x * z - y * w), 2 * (y * z + x * w), 1 - 2 * (x * x + y * y)], axis=-1)
    out[:, :3, :3] *= parts["scale"][:, None, :]
    out[:, :3, 3] = parts["translation"]
    out[:, 3, 3] = 1
    return out
