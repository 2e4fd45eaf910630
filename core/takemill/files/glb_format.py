"""GLB containers and accessors: bytes that know nothing of motion.

Source: glTF 2.0 specification (Khronos, 2021), sections 3.6 (binary data) and 4 (GLB container).
"""

from __future__ import annotations

import json
import struct
from bisect import bisect_left
from collections.abc import Iterable
from dataclasses import dataclass
from enum import IntEnum, StrEnum
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ..base import large_json
from ..base.errors import GlbError

Json = dict[str, Any]

_MAGIC = b"glTF"
_VERSION = 2  # of glTF, in the container's header
_HEADER = struct.Struct("<4sII")
_CHUNK = struct.Struct("<II")
_MAX_ENTRIES = {"nodes": 30_000, "animations": 10_000}  # a scene with a character has hundreds of either
_MAX_LENGTH = 2**32 - 1  # the container's lengths are 32-bit


class ChunkType(IntEnum):
    """Section 4.4.2; the numbers spell the names, little-endian."""

    JSON = 0x4E4F534A
    BIN = 0x004E4942


class ComponentType(IntEnum):
    """Section 3.6.2.2."""

    BYTE = 5120
    UNSIGNED_BYTE = 5121
    SHORT = 5122
    UNSIGNED_SHORT = 5123
    UNSIGNED_INT = 5125
    FLOAT = 5126

    @property
    def dtype(self) -> np.dtype[Any]:
        """The explicit little-endian numpy type."""
        return np.dtype(_DTYPES[self])


_DTYPES = {
    ComponentType.BYTE: "<i1",
    ComponentType.UNSIGNED_BYTE: "<u1",
    ComponentType.SHORT: "<i2",
    ComponentType.UNSIGNED_SHORT: "<u2",
    ComponentType.UNSIGNED_INT: "<u4",
    ComponentType.FLOAT: "<f4",
}


class ElementType(StrEnum):
    """Section 3.6.2.3; those that animations, skins and meshes need."""

    SCALAR = "SCALAR"
    VEC3 = "VEC3"
    VEC4 = "VEC4"
    MAT4 = "MAT4"


# By how many components a value has (glTF 2.0, section 3.6.2.2).
_ELEMENT_OF_WIDTH = {1: ElementType.SCALAR, 3: ElementType.VEC3, 4: ElementType.VEC4, 16: ElementType.MAT4}


class BufferTarget(IntEnum):
    """What a buffer view feeds (section 5.11.5)."""

    ARRAY_BUFFER = 34962
    ELEMENT_ARRAY_BUFFER = 34963


@dataclass(frozen=True)
class Document:
    """A GLB taken apart: its JSON object and the bytes of its BIN chunk (None when it has none)."""

    json: Json
    binary: bytes | None


def parse(data: bytes) -> Document:
    """Take a GLB apart.

    Raises:
        GlbError: it is no GLB 2.0, is cut short, holds too much, or its JSON is malformed.
    """
    if len(data) < _HEADER.size or data[:4] != _MAGIC:
        raise GlbError("not a GLB: it does not begin with the letters glTF")
    _, version, length = _HEADER.unpack_from(data)
    if version != _VERSION:
        raise GlbError(f"GLB version {version}: only version 2 can be read")
    if length > len(data):
        raise GlbError(f"GLB cut short: it claims {length} bytes and holds {len(data)}")
    chunks: dict[int, bytes] = {}
    at = _HEADER.size
    while at < length:
        if at + _CHUNK.size > length:
            raise GlbError(f"GLB cut short in the chunk header at byte {at}")
        size, kind = _CHUNK.unpack_from(data, at)
        at += _CHUNK.size
        if at + size > length:
            raise GlbError(f"GLB cut short in the chunk at byte {at}: {size} bytes are claimed")
        if not chunks and kind != ChunkType.JSON:
            raise GlbError("GLB malformed: its first chunk is not JSON")
        chunks.setdefault(kind, data[at : at + size])
        at += size
    if ChunkType.JSON not in chunks:
        raise GlbError("GLB malformed: it has no JSON chunk")
    json_object = _parse_json(chunks[ChunkType.JSON])
    for key, most in _MAX_ENTRIES.items():
        if isinstance(found := json_object.get(key), list) and len(found) > most:
            raise GlbError(f"GLB: {len(found)} {key}; at most {most} can be read: export the character alone")
    return Document(json_object, chunks.get(ChunkType.BIN))


def pack(document: Document) -> bytes:
    """Put a GLB together; the same document always gives the same bytes.

    Raises:
        GlbError: the JSON holds something that JSON cannot, or is too long to be read again, or the file
            would pass 4 GiB.
    """
    try:
        text = json.dumps(document.json, ensure_ascii=False, allow_nan=False, separators=(",", ":"))
        body = _padded(text.encode(), b" ")
    except (TypeError, ValueError, RecursionError) as error:
        raise GlbError(f"GLB: something in it cannot be written as JSON: {error}") from None
    if len(body) > large_json.MAX_JSON_BYTES:
        raise GlbError(
            f"GLB: {len(body)} bytes of JSON, and at most {large_json.MAX_JSON_BYTES} can be read again; put "
            "fewer clips into one file"
        )
    chunks = [_CHUNK.pack(len(body), ChunkType.JSON), body]
    if document.binary:
        binary = _padded(document.binary, b"\0")
        if len(binary) > _MAX_LENGTH:
            raise GlbError("GLB: its binary data would pass 4 GiB, the most that a GLB can hold")
        chunks += [_CHUNK.pack(len(binary), ChunkType.BIN), binary]
    length = _HEADER.size + sum(map(len, chunks))
    if length > _MAX_LENGTH:
        raise GlbError(f"GLB: {length} bytes would pass 4 GiB, the most that a GLB can hold")
    return b"".join([_HEADER.pack(_MAGIC, _VERSION, length), *chunks])


def entries(parent: Json, key: str) -> list[Json]:
    """The objects listed under `key`; an absent list is empty.

    Raises:
        GlbError: it is not a list of objects.
    """
    found = parent.get(key, [])
    if not isinstance(found, list) or not all(isinstance(entry, dict) for entry in found):
        raise GlbError(f"GLB malformed: {key!r} is not a list of objects")
    return found


def indices(parent: Json, key: str, count: int) -> list[int]:
    """The indices listed under `key`, each below `count`; an absent list is empty.

    Raises:
        GlbError: it is not a list of indices, or one of them points nowhere.
    """
    found = parent.get(key, [])
    if not isinstance(found, list) or not all(type(i) is int and 0 <= i < count for i in found):
        raise GlbError(f"GLB malformed: {key!r} is not a list of indices below {count}")
    return found


def numbers(parent: Json, key: str, default: Iterable[float]) -> NDArray[np.float64]:
    """The list of finite numbers under `key`, as long as `default`, which stands in for it.

    Raises:
        GlbError: it is something else.
    """
    wanted = list(default)
    found = parent.get(key, wanted)
    if not isinstance(found, list) or len(found) != len(wanted):
        raise GlbError(f"GLB malformed: {key!r} is not a list of {len(wanted)} numbers")
    if not all(type(value) in (int, float) and abs(value) < 1e300 for value in found):
        raise GlbError(f"GLB malformed: {key!r} holds something other than finite numbers")
    return np.array(found, np.float64)


def shortest(values: NDArray[Any]) -> list[float]:
    """Numbers rounded to float32, as the shortest decimals that read back as the same float32.

    Raises:
        GlbError: one is too large for a float32.
    """
    # Adding 0 turns -0.0 into 0.0, which reads better and is the same rotation or place.
    stored = _stored_as(values, np.dtype("<f4")).ravel()
    found = [float(str(value)) for value in stored + np.float32(0)]
    return [int(value) if value.is_integer() else value for value in found]


def _stored_as(values: NDArray[Any], dtype: np.dtype[Any]) -> NDArray[Any]:
    """The numbers as they are stored.

    Raises:
        GlbError: one is too large for a float32.
    """
    if dtype.kind == "f" and np.size(values) and not np.abs(values).max() <= np.finfo(dtype).max:
        raise GlbError("a number of the GLB is too large for a float32; look for a joint that is far away")
    return np.ascontiguousarray(values, dtype=dtype)


class Writer:
    """Adds accessors to a document; identical data is stored once.

    Everything lies behind the document's own binary data, in its only BIN buffer.
    """

    def __init__(self, document: Document) -> None:
        """Start from `document`, whose lists are copied before they grow.

        Raises:
            GlbError: its buffers do not fit its BIN chunk.
        """
        self.json: Json = dict(document.json)
        for key in ("buffers", "bufferViews", "accessors"):
            self.json[key] = list(entries(document.json, key))
        self._binary = bytearray()
        self._shared = bytearray()
        self._shared_view: int | None = None
        self._accessors: dict[tuple[Any, ...], int] = {}
        self._places: dict[bytes, int] = {}
        self._sorted: list[bytes] = []  # what is in `_places`
        self._adopt(document.binary)

    def _adopt(self, binary: bytes | None) -> None:
        """Make the BIN chunk buffer 0, as section 4.4.3 asks, and put its bytes first."""
        buffers = self.json["buffers"]
        own = bool(buffers) and "uri" not in buffers[0]
        if binary is None:
            if own:
                raise GlbError("GLB malformed: its first buffer has neither a uri nor a BIN chunk")
            buffers.insert(0, {"byteLength": 0})
            self.json["bufferViews"] = [_next_buffer(view) for view in self.json["bufferViews"]]
            return
        length = buffers[0].get("byteLength") if own else None
        if type(length) is not int or not 0 < length <= len(binary):
            raise GlbError(
                f"GLB malformed: its first buffer does not fit its BIN chunk of {len(binary)} bytes"
            )
        self._binary += binary[:length]

    def add(
        self,
        values: NDArray[Any],
        component: ComponentType,
        *,
        normalized: bool = False,
        bounds: bool = False,
        target: BufferTarget | None = None,
    ) -> int:
        """Store `values` (N,) or (N, width) and return the accessor's index.

        Args:
            values: numbers that `component` can hold as they are.
            component: how each number is stored.
            normalized: integers stand for -1 to 1 (section 3.6.2.2).
            bounds: write `min` and `max`, which positions and animation times must have.
            target: what a mesh uses it for.

        Raises:
            GlbError: a number is too large for a float32.
        """
        array = _stored_as(values, component.dtype)
        data, width = array.tobytes(), 1 if array.ndim == 1 else array.shape[1]
        key = (data, component, width, normalized, bounds, target)
        if key in self._accessors:
            return self._accessors[key]
        accessor: Json = self._stored(data, target)
        accessor |= {
            "componentType": int(component),
            "count": len(array),
            "type": _ELEMENT_OF_WIDTH[width].value,
        }
        if normalized:
            accessor["normalized"] = True
        if bounds:
            flat = array.reshape(len(array), width)
            accessor |= {"min": shortest(flat.min(axis=0)), "max": shortest(flat.max(axis=0))}
        self.json["accessors"].append(accessor)
        self._accessors[key] = len(self.json["accessors"]) - 1
        return self._accessors[key]

    def replace(self, index: int, values: NDArray[Any], component: ComponentType) -> None:
        """Give accessor `index` other numbers (N, width), in its own view where nothing else uses that."""
        array = _stored_as(values, component.dtype)
        view = self.json["accessors"][index].get("bufferView")
        users = [one for one in self.json["accessors"] if one.get("bufferView") == view]
        if len(users) == 1 and view is not None:
            self.json["bufferViews"][view] = self._written(array.tobytes(), None)
        else:
            view = self._view(array.tobytes(), None)
        self.json["accessors"][index] = {
            "bufferView": view,
            "componentType": int(component),
            "count": len(array),
            "type": _ELEMENT_OF_WIDTH[array.shape[1]].value,
        }

    def _stored(self, data: bytes, target: BufferTarget | None) -> Json:
        """Store `data` and return the fields of an accessor that say where it lies.

        Data without a target lies in one view together: it is read through its accessors only, so
        that a view each would be JSON for nothing.
        """
        if target is not None:
            return {"bufferView": self._view(data, target)}
        if self._shared_view is None:
            self._shared_view = self._view(b"", None)
        place = self._place(data)
        return {"bufferView": self._shared_view, **({"byteOffset": place} if place else {})}

    def _view(self, data: bytes, target: BufferTarget | None) -> int:
        self.json["bufferViews"].append(self._written(data, target))
        return len(self.json["bufferViews"]) - 1

    def _written(self, data: bytes, target: BufferTarget | None) -> Json:
        """Append `data` at a multiple of four (section 3.6.2.4); the buffer view that holds it."""
        self._binary += bytes(-len(self._binary) % 4)
        place = len(self._binary)
        self._binary += data
        view: Json = {"buffer": 0, **({"byteOffset": place} if place else {}), "byteLength": len(data)}
        return view if target is None else {**view, "target": int(target)}

    def _place(self, data: bytes) -> int:
        """Where `data` lies in the shared view; the beginning of something longer lies there already."""
        place = self._places.get(data)
        if place is None:
            at = bisect_left(self._sorted, data)  # what begins with `data` comes right behind it
            longer = self._sorted[at] if at < len(self._sorted) else b""
            if longer.startswith(data):
                place = self._places[longer]
            else:
                self._shared += bytes(-len(self._shared) % 4)
                place = len(self._shared)
                self._shared += data
            self._sorted.insert(at, data)
            self._places[data] = place
        return place

    def finish(self) -> Document:
        """The document with all that was added; the writer is spent."""
        if self._shared_view is not None:
            self.json["bufferViews"][self._shared_view] = self._written(bytes(self._shared), None)
        if self._binary:
            self.json["buffers"][0] = {**self.json["buffers"][0], "byteLength": len(self._binary)}
        else:
            del self.json["buffers"][0]
        for key in ("buffers", "bufferViews", "accessors"):
            if not self.json[key]:  # the schema forbids an empty list
                del self.json[key]
        return Document(self.json, bytes(self._binary))


def _next_buffer(view: Json) -> Json:
    """The same buffer view where a new buffer was put in front of all others."""
    moved = {**view}
    if type(view.get("buffer")) is int:
        moved["buffer"] = view["buffer"] + 1
    extensions = view.get("extensions")
    if isinstance(extensions, dict):  # compressed views name a buffer of their own
        moved["extensions"] = {
            name: _next_buffer(body) if isinstance(body, dict) else body for name, body in extensions.items()
        }
    return moved


def _padded(data: bytes, filler: bytes) -> bytes:
    return data + filler * (-len(data) % 4)


def _parse_json(data: bytes) -> Json:
    if len(data) > large_json.MAX_JSON_BYTES:
        raise GlbError(
            f"GLB: {len(data)} bytes of JSON; at most {large_json.MAX_JSON_BYTES} can be read: "
            "export the character alone"
        )
    try:
        found = large_json.loads(data.decode("utf-8"), parse_constant=_refuse)
    except (ValueError, RecursionError) as error:
        raise GlbError(f"GLB malformed: its JSON cannot be read: {error}") from None
    if not isinstance(found, dict):
        raise GlbError("GLB malformed: its JSON is not an object")
    return found


def _refuse(constant: str) -> float:
    raise ValueError(f"{constant} is no JSON number")
