"""What a binary FBX says of its clips: their names, when they begin and end, and the frame rate.

Source: "FBX binary file format specification", Blender's developers (code.blender.org, 2013); there is no
public one by the format's owner. Names of properties and the numbers of time modes are those that its free
SDK prints (FbxTime::EMode).
"""

from __future__ import annotations

import struct
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

from ..base.errors import FileError

_MAGIC = b"Kaydara FBX Binary  \x00\x1a\x00"
_TICKS_S = 46_186_158_000  # FBX's unit of time in a second
_WIDE = 7500  # from this version on, the numbers of a node's head have 64 bits
_CUSTOM = 14  # the time mode whose rate stands beside it
_RATES = {
    1: 120.0, 2: 100.0, 3: 60.0, 4: 50.0, 5: 48.0, 6: 30.0, 7: 30.0, 8: 30 / 1.001, 9: 30 / 1.001, 10: 25.0,
    11: 24.0, 12: 1000.0, 13: 24 / 1.001, 15: 96.0, 16: 72.0, 17: 60 / 1.001,
}  # fmt: skip
_PLAIN = {"Y": "<h", "C": "<?", "I": "<i", "F": "<f", "D": "<d", "L": "<q"}
_ARRAYS = "fdlibc"
_CREATED = (b"FBXHeaderExtension", b"CreationTimeStamp")
_MOMENT = {
    b"Year": 1970, b"Month": 1, b"Day": 1, b"Hour": 0, b"Minute": 0, b"Second": 0, b"Millisecond": 0,
}  # fmt: skip


@dataclass(frozen=True)
class FbxFacts:
    """What a file says of time.

    Attributes:
        rate: frames per second.
        clips: by name, when each begins and ends, seconds.
    """

    rate: float
    clips: dict[str, tuple[float, float]]


@dataclass(frozen=True)
class _Node:
    """A node's name, its plain properties with where each stands, and where its children lie."""

    name: bytes
    values: tuple[Any, ...]
    places: tuple[int, ...]
    inside: tuple[int, int]


def read_fbx(data: bytes, source: str) -> FbxFacts:
    """What a file says of time.

    Raises:
        FileError: it is no whole binary FBX.
    """
    try:
        reader = _Reader(data)
        said = dict(reader.properties(b"GlobalSettings"))
        mode = int(said.get(b"TimeMode", 0))
        rate = float(said[b"CustomFrameRate"]) if mode == _CUSTOM else _RATES[mode]
        clips = {}
        for objects in reader.called(b"Objects", reader.top):
            for node in reader.called(b"AnimationStack", objects.inside):
                times = dict(reader.properties_of(node))
                ends = (times.get(key, 0) / _TICKS_S for key in (b"LocalStart", b"LocalStop"))
                clips[node.values[1].partition(b"\0")[0].decode()] = (next(ends), next(ends))
        return FbxFacts(rate, clips)
    except (struct.error, KeyError, IndexError, TypeError, ValueError, AttributeError) as problem:
        raise FileError(f"{source}: no whole binary FBX ({type(problem).__name__}: {problem})") from problem


def without_time(data: bytes) -> bytes:
    """The file without the moment at which it was written: the same clips make the same bytes.

    Raises:
        FileError: it is no whole binary FBX.
    """
    out = bytearray(data)
    try:
        reader = _Reader(data)
        inside = reader.top
        for name in _CREATED:
            inside = next(reader.called(name, inside)).inside
        for node in reader.nodes(inside):
            if node.name in _MOMENT:
                struct.pack_into("<i", out, node.places[0], _MOMENT[node.name])
    except (struct.error, StopIteration, ValueError, IndexError) as problem:
        raise FileError(f"no whole binary FBX ({type(problem).__name__}: {problem})") from problem
    return bytes(out)


class _Reader:
    """The nodes of a file."""

    def __init__(self, data: bytes) -> None:
        if data[: len(_MAGIC)] != _MAGIC:
            raise ValueError("it does not begin as one")
        (version,) = struct.unpack_from("<I", data, len(_MAGIC))
        self._data, self._head = data, struct.Struct("<QQQB" if version >= _WIDE else "<IIIB")
        self.top = (len(_MAGIC) + 4, len(data))

    def called(self, name: bytes, inside: tuple[int, int]) -> Iterator[_Node]:
        """The nodes of a name between two places."""
        return (node for node in self.nodes(inside) if node.name == name)

    def properties(self, name: bytes) -> Iterator[tuple[bytes, Any]]:
        """The names and values of what a node at the top has in its Properties70."""
        for node in self.called(name, self.top):
            yield from self.properties_of(node)

    def properties_of(self, node: _Node) -> Iterator[tuple[bytes, Any]]:
        """The same of any node; of several values the first."""
        for table in self.called(b"Properties70", node.inside):
            for one in self.called(b"P", table.inside):
                if len(one.values) > 4:
                    yield one.values[0], one.values[4]

    def nodes(self, inside: tuple[int, int]) -> Iterator[_Node]:
        """All nodes between two places."""
        place, stop = inside
        while place + self._head.size <= stop:
            end, count, size, length = self._head.unpack_from(self._data, place)
            if not end:
                return
            begin = place + self._head.size
            if not begin + length + size <= end <= stop:
                raise ValueError("a node leaves its parent")
            name = self._data[begin : begin + length]
            values, places = self._values(begin + length, count, begin + length + size)
            yield _Node(name, values, places, (begin + length + size, end))
            place = end

    def _values(self, place: int, count: int, stop: int) -> tuple[tuple[Any, ...], tuple[int, ...]]:
        values, places = list[Any](), list[int]()
        while len(values) < count:
            kind, place = chr(self._data[place]), place + 1
            places.append(place)
            if kind in _PLAIN:
                values += struct.unpack_from(_PLAIN[kind], self._data, place)
                place += struct.calcsize(_PLAIN[kind])
            elif kind in "SR":
                (length,) = struct.unpack_from("<I", self._data, place)
                values.append(self._data[place + 4 : place + 4 + length])
                place += 4 + length
            elif kind in _ARRAYS:
                values.append(None)
                place += 12 + struct.unpack_from("<III", self._data, place)[2]
            else:
                raise ValueError(f"a property of the kind {kind!r}")
            if place > stop:
                raise ValueError("a property leaves its node")
        return tuple(values), tuple(places)
