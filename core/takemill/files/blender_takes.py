"""Takes in files that Blender's module reads, by the add-on in a process of its own."""

from __future__ import annotations

import json
import tempfile
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import Any

import numpy as np

from ..base.errors import FileError
from ..body.motion import Motion
from ..body.skeleton import Skeleton
from .blender_module import find_blender

BY_BLENDER = (".fbx", ".usd", ".usda", ".usdc", ".usdz", ".gltf", ".blend")
"""The ends of names of files that are read so."""

UNIT_M, UP = 1.0, "Z"
"""What is read is in, whatever the file is in: Blender's importers turn and scale it."""

_WAY_OUT = "export the take as BVH or as an animated GLB"


@dataclass(frozen=True)
class BlenderTake:
    """A take, and what was left out of it, a sentence each."""

    name: str
    motion: Motion
    notes: tuple[str, ...]


def takes_by_blender(path: Path) -> tuple[BlenderTake, ...]:
    """The takes in a file, by their names in it; Z-up metres.

    Raises:
        FileError: Blender's module is not installed or fails, or no take of one body is in the file.
    """
    try:
        status = path.stat()
    except OSError as problem:
        raise FileError(f"cannot read {path}: {problem.strerror}") from problem
    return _takes(path, status.st_mtime_ns, status.st_size)


@lru_cache(maxsize=4)  # one verb asks for names and for takes
def _takes(path: Path, _changed_ns: int, _size: int) -> tuple[BlenderTake, ...]:
    blender = find_blender(f"{path}: {path.suffix.lower()} files are read", _WAY_OUT)
    with tempfile.TemporaryDirectory() as folder:
        out = Path(folder) / "takes.npz"
        last = blender.run("read_takes", str(path.absolute()), str(out))
        if not out.exists():
            raise FileError(f"{path}: Blender's module fails on it ({last or 'no reason given'}); {_WAY_OUT}")
        with np.load(out, allow_pickle=False) as archive:
            said = json.loads(str(archive["said"]))
            if said["error"]:
                raise FileError(said["error"])
            return tuple(_take(one, archive, f"{k}_") for k, one in enumerate(said["takes"]))


def _take(said: dict[str, Any], archive: Any, prefix: str) -> BlenderTake:
    skeleton = Skeleton(
        tuple(said["names"]),
        tuple(said["parents"]),
        archive[f"{prefix}rest_translation"],
        archive[f"{prefix}rest_rotation"],
        tuple(said["tip_joints"]),
        archive[f"{prefix}tip_offsets"],
    )
    tracks = {joint: archive[f"{prefix}track_{joint}"] for joint in said["tracks"]}
    motion = Motion(skeleton, said["rate"], archive[f"{prefix}rotations"], tracks.pop(0), tracks)
    return BlenderTake(said["name"], motion, tuple(said["notes"]))
