"""A binary FBX of one clip, laid out by hand: its head, and no mesh."""

from __future__ import annotations

import struct

MAGIC = b"Kaydara FBX Binary  \x00\x1a\x00"


def value(one) -> bytes:
    if isinstance(one, bytes):
        return b"S" + struct.pack("<I", len(one)) + one
    return b"D" + struct.pack("<d", one) if isinstance(one, float) else b"L" + struct.pack("<q", one)


def node(place: int, wide: bool, name: bytes, values=(), children=()) -> bytes:
    head = struct.Struct("<QQQB" if wide else "<IIIB")
    data = b"".join(one if isinstance(one, Raw) else value(one) for one in values)
    begin = place + head.size + len(name) + len(data)
    inside = b""
    for child in children:
        inside += node(begin + len(inside), wide, *child)
    if children:
        inside += bytes(head.size)
    return head.pack(begin + len(inside), len(values), len(data), len(name)) + name + data + inside


class Raw(bytes):
    """A property with its kind."""


def number(one: int) -> Raw:
    return Raw(b"I" + struct.pack("<i", one))


def prop(name: bytes, one) -> tuple:
    return (b"P", (name, b"", b"", b"", one))


def file_of(wide: bool, mode: int, rate: float, hour: int = 0) -> bytes:
    stack = (
        b"AnimationStack",
        (77, b"walk\x00\x01AnimStack", b""),
        [(b"Properties70", (), [prop(b"LocalStop", 46_186_158_000 * 3 // 2), prop(b"Note", b"x")])],
    )
    curve = (b"AnimationCurve", (Raw(b"f" + struct.pack("<III", 2, 0, 8) + bytes(8)),))
    moment = [(b"Version", (number(1000),)), (b"Year", (number(2031),)), (b"Hour", (number(hour),))]
    settings = [prop(b"TimeMode", number(mode)), prop(b"CustomFrameRate", rate)]
    out = MAGIC + struct.pack("<I", 7700 if wide else 7400)
    for top in (
        (b"FBXHeaderExtension", (), [(b"CreationTimeStamp", (), moment)]),
        (b"GlobalSettings", (), [(b"Properties70", (), settings)]),
        (b"Objects", (), [curve, stack]),
    ):
        out += node(len(out), wide, *top)
    return out + bytes(25 if wide else 13) + b"foot"
