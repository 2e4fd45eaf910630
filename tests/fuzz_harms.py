"""Small harms to good files: bytes, words of the format, numbers, values of JSON."""

from __future__ import annotations

import copy
import json
import random
import re
from collections.abc import Iterator
from typing import Any

from takemill.base.errors import TakemillError
from takemill.files.glb_format import Document, pack, parse

NUMBERS = (
    "2 3 0.25 -45.5 90 60 0.02 12 0 -0 1 -1 nan inf -inf 1e308 -1e308 1e999 1e-320 2147483648 -2147483649 "
    'true null [] {} "" 1_000 1,5 . - + 1e 1.5.2 0x10 \u0661 ' + "9" * 40
).split()
_BVH_WORDS = "HIERARCHY ROOT JOINT OFFSET CHANNELS MOTION Frames: { } Xposition Yrotation Zrotation 6 Hips"
_RECIPE_WORDS = """[[clip]] [repair] [body] [root_motion] [[variant]] name from to loop root_motion take rate
files = [ ] { } # " true "root" "12f" "a/b" 1979-05-27 stretches events naming {kind} neutral mirror of
speed"""
WORDS = {
    "bvh": (*_BVH_WORDS.split(), "End Site", "Frame Time:", "\n", "\t", "\r\n", "\0", "\ufeff"),
    "recipe": (*_RECIPE_WORDS.split(), "\n", "'" * 3),
}
_VALUES: tuple[Any, ...] = (
    *(None, True, False, 0, 1, -1, 2, 255, 5126, 2**31, 2**63, -(2**63), 10**40, 0.5, 1e308, -1e308, 1e-300),
    *("", "x", "SCALAR", "VEC4", "rotation", "LINEAR", "CUBICSPLINE", "a" * 300, "\N{FERRY}", "../x"),
    *([], {}, [[]], [0], [1e308] * 4, {"a": 1}, [None], list(range(20))),
)


def harmed(data: bytes, words: tuple[str, ...], rng: random.Random) -> bytes:
    """The bytes after one to six small harms."""
    out = bytearray(data)
    for _ in range(rng.choice((1, 1, 1, 2, 3, 6))):
        a = rng.randrange(len(out) + 1)
        b = min(a + rng.choice((1, 1, 2, 4, 8, 40, 200)), len(out))
        harm = rng.randrange(9)
        if harm == 0:
            out[a:b] = bytes(rng.randrange(256) for _ in range(b - a))
        elif harm == 1:
            del out[a:b]
        elif harm == 2:
            out[a:a] = out[a:b] * rng.choice((1, 2, 50))
        elif harm == 3 and len(out) > b - a:
            piece = out[a:b]
            del out[a:b]
            place = rng.randrange(len(out) + 1)
            out[place:place] = piece
        elif harm == 4:
            out[a:a] = rng.choice(words).encode()
        elif harm == 5:
            del out[a:]
        elif harm == 6 and a < len(out):
            out[a] ^= 1 << rng.randrange(8)
        else:
            spots = [m.span() for m in re.finditer(rb"-?\d[\d.]*", bytes(out[max(a - 60, 0) : a + 60]))]
            if spots:
                start, stop = (max(a - 60, 0) + k for k in rng.choice(spots))
                out[start:stop] = rng.choice(NUMBERS).encode()
    return bytes(out)


def harmed_json(value: Any, rng: random.Random) -> Any:
    """A JSON value with one to four of its parts exchanged, taken away or put elsewhere; the same object."""
    for _ in range(rng.choice((1, 1, 2, 4))):
        places = list(_places(value))
        holder, key = rng.choice(places)
        harm = rng.randrange(4)
        if harm == 0:
            holder[key] = copy.deepcopy(rng.choice(_VALUES))
        elif harm == 1:
            del holder[key]
        elif harm == 2:
            other, there = rng.choice(places)
            try:  # a copy: a value inside itself is no JSON
                holder[key] = json.loads(json.dumps(other[there]))
            except (KeyError, IndexError):
                continue
        elif isinstance(holder[key], int | float) and not isinstance(holder[key], bool):
            holder[key] += rng.choice((-1, 1, 1000, 0.5))
    return value


def _places(value: Any) -> Iterator[tuple[Any, Any]]:
    parts = value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else ()
    for key, part in list(parts):
        yield value, key
        yield from _places(part)


def harmed_glb(data: bytes, rng: random.Random) -> bytes:
    """A GLB with parts of its JSON exchanged; one that is none any more, with its bytes harmed."""
    try:
        document = parse(data)
        return pack(Document(harmed_json(document.json, rng), document.binary))
    except (TakemillError, IndexError):
        return harmed(data, ("JSON", "BIN\0", "glTF"), rng)


def harmed_text(data: bytes, rng: random.Random) -> bytes:
    """A JSON text with parts exchanged; one that is none any more, with its bytes harmed."""
    try:
        return json.dumps(harmed_json(json.loads(data), rng)).encode()
    except (ValueError, RecursionError, IndexError):
        return harmed(data, ("[", "{", '"', ":", ",", "NaN"), rng)
