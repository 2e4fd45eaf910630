"""The animations that a GLB brings along: their names, and the file without some of them, or renamed."""

from __future__ import annotations

from collections.abc import Collection, Mapping

from .glb_format import Document, entries, pack, parse


def animation_names(glb: bytes) -> tuple[str, ...]:
    """The names of a file's animations, in its order; "" for one without.

    Raises:
        GlbError: the GLB is malformed.
    """
    return tuple(str(one.get("name", "")) for one in entries(parse(glb).json, "animations"))


def without_animations(glb: bytes, names: Collection[str] | None = None) -> bytes:
    """The file without the animations of these names, or any; what they alone used stays in it, unused.

    Raises:
        GlbError: the GLB is malformed.
    """
    document = parse(glb)
    own = entries(document.json, "animations")
    kept = [one for one in own if names is not None and one.get("name") not in names]
    json = {key: value for key, value in document.json.items() if key != "animations"}
    return pack(Document(json | ({"animations": kept} if kept else {}), document.binary))


def renamed_animations(glb: bytes, names: Mapping[str, str]) -> bytes:
    """The file with other names, by the old ones, for some of its animations.

    Raises:
        GlbError: the GLB is malformed.
    """
    document = parse(glb)
    animations = [
        {**one, "name": names[str(one["name"])]} if one.get("name") in names else one
        for one in entries(document.json, "animations")
    ]
    return pack(Document({**document.json, "animations": animations}, document.binary))
