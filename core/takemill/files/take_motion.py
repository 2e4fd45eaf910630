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
    path = file_of(address)
    if not _is_glb(path):
        return read_bvh(path, unit_m=intake.unit_m, up=intake.up or None)
    data, name = read_bytes(path), inside(address)
    known = take_names(data, str(path))
    if not name and len(known) > 1:
        raise FileError(
            f"{path}: it holds {len(known)} takes, {', '.join(map(repr, known))}; name one, as in "
            f"{path.name}:{known[0]}"
        )
    found = read_glb_takes(data, str(path), name)
    (motion,) = found.motions.values()
    layout = BvhLayout(
        BvhLayout.default(motion.skeleton).channels,
        intake.unit_m or UNIT_M,
        intake.up or UP,
        notes=found.notes,
    )
    return with_reference(placed_as(motion, layout.unit_m, layout.up)), layout


def takes_in(addresses: Sequence[str | Path]) -> list[str | Path]:
    """Where each take is: a file with several is named once for each of them, as `takes.glb:walk`.

    Raises:
        FileError: a file cannot be read.
    """
    out: list[str | Path] = []
    for address in addresses:
        path = file_of(address)
        names = take_names(read_bytes(path), str(path)) if not inside(address) and _is_glb(path) else ()
        out += [f"{path}:{name}" for name in names] if len(names) > 1 else [address]
    return out


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
