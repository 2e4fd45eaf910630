"""The numbers of a GLB's accessors, read without trust: sparse and normalised ones too.

Source: glTF 2.0 specification (Khronos, 2021), section 3.6.2 (accessors) and its 3.6.2.3 (sparse).
"""

from __future__ import annotations

import base64
import binascii
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ..base.checks import Array
from ..base.errors import GlbError
from .glb_format import Document, Json, entries

MAX_NUMBERS = 20_000_000
"""Of all accessors that are read: some ten times those of a detailed character's mesh."""

_MAX_USES = 10  # times so many, when parts of a mesh share accessors

# By glTF 2.0, section 3.6.2.2: component types and element types.
_DTYPES = {5120: "<i1", 5121: "<u1", 5122: "<i2", 5123: "<u2", 5125: "<u4", 5126: "<f4"}
_WIDTHS = {"SCALAR": 1, "VEC2": 2, "VEC3": 3, "VEC4": 4, "MAT2": 4, "MAT3": 9, "MAT4": 16}
_INLINE = "base64,"


class Numbers:
    """Reads accessors; each is read once."""

    def __init__(self, document: Document) -> None:
        self._json, self._binary = document.json, document.binary or b""
        self._known: dict[int, Array] = {}
        self._buffers: dict[int, bytes] = {}
        self._left, self._uses = MAX_NUMBERS, _MAX_USES * MAX_NUMBERS

    def of(self, index: object) -> Array:
        """(N, width) numbers of an accessor; normalised integers as what they stand for.

        Raises:
            GlbError: it is compressed, lies in another file, leaves its data, or holds no finite numbers.
        """
        if type(index) is not int:
            raise GlbError(f"malformed: {index!r} is no accessor")
        if index not in self._known:
            self._known[index] = self._read(index)
        self._uses -= self._known[index].size
        if self._uses < 0:
            raise GlbError("its meshes use the same numbers too often; export the character alone")
        return self._known[index]

    def _read(self, index: int) -> Array:
        place = f"accessor {index}"
        accessor = _entry(self._json, "accessors", index)
        kind = _DTYPES.get(_whole(accessor, "componentType", place))
        width = _WIDTHS.get(str(accessor.get("type")))
        if kind is None or width is None:
            raise GlbError(f"malformed: {place} is of no type that glTF knows")
        dtype, count = np.dtype(kind), _whole(accessor, "count", place, least=1)
        self._left -= count * width
        if self._left < 0:
            raise GlbError(f"its accessors hold more than {MAX_NUMBERS} numbers; export the character alone")
        if "bufferView" in accessor:
            raw = self._view(accessor, dtype, count, width, place)
        else:  # section 3.6.2.3: zeros, unless it is sparse
            raw = np.zeros((count, width), dtype)
        if "sparse" in accessor:
            raw = self._with_sparse(raw.copy(), accessor["sparse"], place)
        with np.errstate(invalid="ignore"):  # a NaN that is meant to signal is refused below, as all are
            values: Array = raw.astype(np.float64)
        if accessor.get("normalized") is True and dtype.kind in "iu":
            values = np.maximum(values / np.iinfo(dtype).max, -1.0)
        if not np.isfinite(values).all():
            raise GlbError(f"malformed: {place} holds a number that is not finite")
        return values

    def _with_sparse(self, raw: NDArray[Any], sparse: object, place: str) -> NDArray[Any]:
        if not isinstance(sparse, dict) or not all(
            isinstance(sparse.get(k), dict) for k in ("indices", "values")
        ):
            raise GlbError(f"malformed: {place} is sparse without indices and values")
        count = _whole(sparse, "count", place, least=1)
        kind = _DTYPES.get(_whole(sparse["indices"], "componentType", place))
        if kind is None or np.dtype(kind).kind != "u":
            raise GlbError(f"malformed: the indices of sparse {place} are of no type that glTF allows")
        spots = self._view(sparse["indices"], np.dtype(kind), count, 1, place)[:, 0].astype(np.intp)
        if (spots >= len(raw)).any():
            raise GlbError(f"malformed: sparse {place} replaces what it does not hold")
        raw[spots] = self._view(sparse["values"], raw.dtype, count, raw.shape[1], place)
        return raw

    def _view(self, part: Json, dtype: np.dtype[Any], count: int, width: int, place: str) -> NDArray[Any]:
        """(count, width) stored numbers, as they lie in a buffer view."""
        view = _entry(self._json, "bufferViews", part.get("bufferView"))
        for name in view.get("extensions") or ():
            if "compression" in str(name):
                raise GlbError(f"{place} is compressed ({name}); export it without compression")
        data = self._buffer(_whole(view, "buffer", place))
        inside, start = _whole(part, "byteOffset", place, 0), _whole(view, "byteOffset", place, 0)
        length, size = _whole(view, "byteLength", place), dtype.itemsize * width
        stride = _whole(view, "byteStride", place, size)
        if stride < size:
            raise GlbError(f"malformed: the elements of {place} lie over each other")
        if inside + stride * (count - 1) + size > length or start + length > len(data):
            raise GlbError(f"malformed: {place} leaves its data")
        return np.ndarray((count, width), dtype, data, start + inside, (stride, dtype.itemsize))

    def _buffer(self, index: int) -> bytes:
        if index not in self._buffers:
            buffer = _entry(self._json, "buffers", index)
            uri = buffer.get("uri")
            if uri is None and index == 0:
                self._buffers[index] = self._binary
            elif isinstance(uri, str) and uri.startswith("data:") and _INLINE in uri[:200]:
                try:
                    self._buffers[index] = base64.b64decode(uri.partition(_INLINE)[2], validate=True)
                except (binascii.Error, ValueError):
                    raise GlbError(f"malformed: the data of buffer {index} cannot be read") from None
            else:
                raise GlbError("its data lie in another file; export it as one GLB")
        return self._buffers[index]


def _entry(json: Json, key: str, index: object) -> Json:
    found = entries(json, key)
    if type(index) is not int or not 0 <= index < len(found):
        raise GlbError(f"malformed: there is no entry {index!r} in {key!r}")
    return found[index]


def _whole(part: Json, key: str, place: str, default: int | None = None, least: int = 0) -> int:
    value = part.get(key, default)
    if type(value) is not int or not least <= value < 2**53:
        raise GlbError(f"malformed: the {key} of {place} is no whole number of {least} or more")
    return value
