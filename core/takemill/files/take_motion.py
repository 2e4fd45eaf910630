"""A take's motion from a file of any kind that is understood, told by what is in it and not by its name."""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from pathlib import Path

from ..base.disk import read_bytes
from ..base.errors import FileError
from ..body.intake import IntakeSettings
from ..body.motion import Motion
from ..body.reference_pose import with_reference
from .blender_takes import BY_BLENDER, takes_by_blender
from .blender_takes import UP as BLENDER_UP
from .bvh import BvhLayout, read_bvh
from .glb_take import UNIT_M, UP, placed_as, read_glb_takes, take_names
from .take_address import file_of, inside, name_of

_GLB = b"glTF"


def read_motion(address: str | Path, intake: IntakeSettings) -> tuple[Motion, BvhLayout]:
    """One take, with the reference pose that is found, and how a BVH file of the same kind stores it.

    Raises:
        FileError: the file cannot be read, is malformed, holds several takes, or none of that name.
        InputError: a setting is not usable.
    """
    path, name = file_of(address), inside(address)
    if (known := _names_in(path)) is None:
        return read_bvh(path, unit_m=intake.unit_m, up=intake.up or None)
    if not name and len(known) > 1:
        raise FileError(
            f"{path}: it holds {len(known)} takes, {', '.join(map(repr, known))}; name one, as in "
            f"{path.name}:{known[0]}"
        )
    if _is_by_blender(path):
        taken = next((one for one in takes_by_blender(path) if name in ("", one.name)), None)
        if taken is None:
            raise FileError(f"{path}: it holds no take {name!r}; it has {', '.join(map(repr, known))}")
        motion, notes, read_up = taken.motion, taken.notes, BLENDER_UP
    else:
        found = read_glb_takes(read_bytes(path), str(path), name)
        (motion,), notes, read_up = found.motions.values(), found.notes, UP
    channels = BvhLayout.default(motion.skeleton).channels
    layout = BvhLayout(channels, intake.unit_m or UNIT_M, intake.up or read_up, notes=notes)
    return with_reference(placed_as(motion, layout.unit_m, layout.up, read_up)), layout


def takes_in(addresses: Sequence[str | Path]) -> list[str | Path]:
    """Where each take is: a file with several is named once for each of them, as `takes.glb:walk`.

    Raises:
        FileError: a file cannot be read.
    """
    out: list[str | Path] = []
    for address in addresses:
        path = file_of(address)
        names = () if inside(address) else _names_in(path) or ()
        out += [f"{path}:{name}" for name in names] if len(names) > 1 else [address]
    return out


def _names_in(path: Path) -> tuple[str, ...] | None:
    """The names of the takes in a file that may hold several; None for any other."""
    if _is_by_blender(path):
        return tuple(one.name for one in takes_by_blender(path))
    return take_names(read_bytes(path), str(path)) if _is_glb(path) else None


def _is_by_blender(path: Path) -> bool:
    return path.suffix.lower() in BY_BLENDER


def digest_of_file(address: str | Path) -> str:
    """SHA-256 in hexadecimal of the file that a take is in, and of its name there."""
    digest = hashlib.sha256(read_bytes(file_of(address)))
    if inside(address):
        digest.update(name_of(address).encode())
    return digest.hexdigest()


def _is_glb(path: Path) -> bool:
    try:
        with path.open("rb") as file:
            return file.read(len(_GLB)) == _GLB
    except OSError:  # said better by who reads all of it
        return False
