"""Takes in files that Blender's module reads, by the add-on in a process of its own.

No Blender is imported here: where its module is missing, the file is refused with what to install.
"""

from __future__ import annotations

import importlib.util
import json
import os
import subprocess
import sys
import tempfile
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import Any

import numpy as np

from ..base.errors import FileError
from ..body.motion import Motion
from ..body.skeleton import Skeleton

BY_BLENDER = (".fbx", ".usd", ".usda", ".usdc", ".usdz", ".gltf", ".blend")
"""The ends of names of files that are read so."""

UNIT_M, UP = 1.0, "Z"
"""What is read is in, whatever the file is in: Blender's importers turn and scale it."""

_INSTALL = (
    'in a checkout, python -m pip install ".[blender]" (Python 3.11 or 3.13) installs it; or export the take '
    "as BVH or as an animated GLB"
)


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
    for module, what in (("bpy", "Blender's module"), ("takemill_addon", "the Blender add-on")):
        if importlib.util.find_spec(module) is None:
            kind = path.suffix.lower()
            raise FileError(f"{path}: {kind} files are read by {what}, which is not installed; {_INSTALL}")
    with tempfile.TemporaryDirectory() as folder:
        out = Path(folder) / "takes.npz"
        command = [sys.executable, "-m", "takemill_addon.read_takes", str(path.absolute()), str(out)]
        done = subprocess.run(command, env=_environment(), capture_output=True, check=False)
        if not out.exists():
            last = [*done.stderr.decode(errors="replace").strip().splitlines(), "no reason given"][-2:][0]
            raise FileError(f"{path}: Blender's module fails on it ({last}); export it as BVH or as a GLB")
        with np.load(out, allow_pickle=False) as archive:
            said = json.loads(str(archive["said"]))
            if said["error"]:
                raise FileError(said["error"])
            return tuple(_take(one, archive, f"{k}_") for k, one in enumerate(said["takes"]))


def _environment() -> dict[str, str]:
    """The user's, in which both packages are found wherever they were found here."""
    found = [importlib.util.find_spec(name) for name in ("takemill", "takemill_addon")]
    places = [str(Path(one.origin).parents[1]) for one in found if one and one.origin]
    return {**os.environ, "PYTHONPATH": os.pathsep.join([*places, os.environ.get("PYTHONPATH", "")])}


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
