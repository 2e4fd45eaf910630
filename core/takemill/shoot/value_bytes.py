"""Values as bytes and back: what stages pass on is kept on disk, and equal values have equal bytes.

A value is texts, numbers, arrays, tuples, lists, mappings and the engine's own dataclasses. Equal parts are
written once, so that clips of one skeleton share it when they are read too. What is read makes no other
objects than these: unlike a pickle, a file cannot have anything else done.
"""

from __future__ import annotations

import hashlib
import importlib
import json
import struct
from collections.abc import Mapping
from dataclasses import fields, is_dataclass
from types import MappingProxyType
from typing import Any

import numpy as np

from ..base.checks import Array
from ..base.errors import FileError

_PACKAGE = __name__.partition(".")[0] + "."  # of whose classes values may be
_HEAD = struct.Struct("<Q")  # how long the JSON in front of the arrays is
_PLAIN = (str, int, float, bool, type(None))
_DTYPES = ("b", "i", "u", "f")  # kinds of arrays: truth values, whole numbers, floats
_GROUPS: Mapping[str, type] = {"()": tuple, "[]": list, "{}": frozenset}
_NOT_READ = (ValueError, TypeError, KeyError, IndexError, AttributeError, ImportError, struct.error)


def dump_value(value: Any) -> bytes:
    """The bytes of a value; `load_value` reads an equal one from them.

    Raises:
        TypeError: it holds something that is none of the known kinds.
    """
    writer = _Writer()
    top = writer.place_of(value)
    text = json.dumps([top, writer.nodes], separators=(",", ":"), ensure_ascii=True).encode()
    return b"".join([_HEAD.pack(len(text)), text, *writer.arrays])


def digest_of_value(value: Any) -> str:
    """SHA-256 of a value's bytes, in hexadecimal."""
    return hashlib.sha256(dump_value(value)).hexdigest()


def load_value(data: bytes) -> Any:
    """The value of which `dump_value` made these bytes.

    Raises:
        FileError: they are none.
    """
    try:
        (size,) = _HEAD.unpack_from(data)
        top, nodes = json.loads(data[_HEAD.size : _HEAD.size + size])
        return _Reader(nodes, memoryview(data)[_HEAD.size + size :]).value_of(top)
    except _NOT_READ as problem:
        raise FileError(f"these bytes hold no value: {problem}") from problem


class _Writer:
    """Nodes of JSON, each part once, and the arrays behind them."""

    def __init__(self) -> None:
        self.nodes: list[Any] = []
        self.arrays: list[bytes] = []
        self._places: dict[str, int] = {}
        self._offset = 0

    def place_of(self, value: Any) -> int:
        """The number of a value's node."""
        node = self._node(value)
        key = json.dumps(node)
        if key not in self._places:
            self._places[key] = len(self.nodes)
            self.nodes.append(node)
        return self._places[key]

    def _node(self, value: Any) -> list[Any]:
        if type(value) in _PLAIN:
            return ["=", value]
        if type(value) in (tuple, list):
            return ["()" if type(value) is tuple else "[]", *map(self.place_of, value)]
        if type(value) is frozenset:
            return ["{}", *sorted(map(self.place_of, sorted(value)))]
        if isinstance(value, Mapping):
            mark = ":~" if isinstance(value, MappingProxyType) else ":"
            return [mark, *([self.place_of(key), self.place_of(one)] for key, one in value.items())]
        if isinstance(value, np.ndarray | np.generic):
            return ["#", self._array(np.asarray(value)), isinstance(value, np.generic)]
        kind = type(value)
        if is_dataclass(kind) and kind.__module__.startswith(_PACKAGE):
            held = [self.place_of(getattr(value, field.name)) for field in fields(kind)]
            return ["@", f"{kind.__module__}:{kind.__qualname__}", *held]
        raise TypeError(f"a value of {kind.__module__}.{kind.__qualname__} cannot be kept")

    def _array(self, array: Array) -> list[Any]:
        if array.dtype.kind not in _DTYPES:
            raise TypeError(f"an array of {array.dtype} cannot be kept")
        data = np.ascontiguousarray(array, array.dtype.newbyteorder("<")).tobytes()
        shown = [array.dtype.newbyteorder("<").str, list(array.shape), hashlib.sha256(data).hexdigest()]
        key = f"#{json.dumps(shown)}"
        if key not in self._places:
            self._places[key] = self._offset
            self.arrays.append(data)
            self._offset += len(data)
        return [*shown, self._places[key]]


class _Reader:
    """Values of nodes; a part that stands in several places is one object."""

    def __init__(self, nodes: list[Any], data: memoryview) -> None:
        self._nodes, self._data = nodes, data
        self._known: dict[int, Any] = {}

    def value_of(self, place: int) -> Any:
        """The value of a node."""
        if place not in self._known:
            self._known[place] = self._read(*self._nodes[place])
        return self._known[place]

    def _read(self, kind: str, *held: Any) -> Any:
        if kind == "=":
            return held[0]
        if kind in _GROUPS:
            return _GROUPS[kind](map(self.value_of, held))
        if kind in (":", ":~"):
            found = {self.value_of(key): self.value_of(one) for key, one in held}
            return MappingProxyType(found) if kind == ":~" else found
        if kind == "#":
            (dtype, shape, _, offset), is_number = held
            count = int(np.prod(shape, dtype=np.int64))
            array = np.frombuffer(self._data, np.dtype(dtype), count, offset).reshape(shape)
            return array[()] if is_number else array
        module, _, name = held[0].partition(":")
        if kind != "@" or not module.startswith(_PACKAGE):
            raise ValueError(f"an unknown kind of value: {kind} {module}")
        cls = getattr(importlib.import_module(module), name)
        if not is_dataclass(cls) or not isinstance(cls, type):
            raise ValueError(f"{name} is no dataclass")
        out = object.__new__(cls)  # as it was, without a second look at its arrays
        for field, one in zip(fields(cls), held[1:], strict=True):
            object.__setattr__(out, field.name, self.value_of(one))
        return out
