"""Where a take is: a file, or one of the animations in a file, written as `takes.glb:walk`."""

from __future__ import annotations

import re
from pathlib import Path

SEVERAL = (".glb", ".gltf", ".fbx", ".usd", ".usda", ".usdc", ".usdz", ".blend")
"""The ends of names of files that may hold several takes."""

_ADDRESS = re.compile(rf"(.*(?:{'|'.join(map(re.escape, SEVERAL))})):(.+)", re.IGNORECASE | re.DOTALL)


def file_of(address: str | Path) -> Path:
    """The file that a take is in."""
    return Path(_parts(address)[0])


def inside(address: str | Path) -> str:
    """The name of the take in its file, where the address says it; else ""."""
    return _parts(address)[1]


def name_of(address: str | Path) -> str:
    """What the take is called: as in its file where the address says it, else as the file."""
    place, name = _parts(address)
    return name or Path(place).stem


def _parts(address: str | Path) -> tuple[str, str]:
    text = str(address)
    match = _ADDRESS.fullmatch(text)
    return (match[1], match[2]) if match and not Path(text).exists() else (text, "")
