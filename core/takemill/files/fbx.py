"""Finished clips as FBX files: a GLB of them is handed to Blender, which plays and exports it.

Frames lie where the GLB has them; between them FBX has straight lines of Euler angles.
"""

from __future__ import annotations

import json
import tempfile
from collections.abc import Mapping, Sequence
from pathlib import Path

from ..base.disk import explain_errors
from ..base.errors import FileError
from .blender_module import Blender, find_blender
from .fbx_format import without_time

_WAY_OUT = 'leave FBX out: fbx = "none"'


def find_exporter() -> Blender:
    """What writes FBX files.

    Raises:
        FileError: it is not installed.
    """
    return find_blender("FBX files are written", _WAY_OUT)


def write_fbx(
    glb: bytes, source: str, files: Mapping[str, Sequence[str]], blender: Blender
) -> dict[str, bytes]:
    """FBX files of a GLB's clips, each with rig and mesh; by name, what they hold.

    Args:
        glb: rig, mesh and clips of Takemill's.
        source: names it in messages.
        files: by name of a file, the clips that it holds, which are of one rate.
        blender: that writes them.

    Raises:
        FileError: Blender fails, or cannot hold something of the GLB.
    """
    with explain_errors("write", source), tempfile.TemporaryDirectory() as folder:
        place = Path(folder)
        (place / "set.glb").write_bytes(glb)
        wishes = {"source": source, "files": list(map(list, files.values()))}
        (place / "wishes.json").write_text(json.dumps(wishes), encoding="utf-8")
        last = blender.run("write_fbx", str(place))
        if not (place / "done.json").exists():
            raise FileError(
                f"{source}: Blender fails to write it as FBX ({last or 'no reason given'}); {_WAY_OUT}"
            )
        if said := json.loads((place / "done.json").read_text(encoding="utf-8")):
            raise FileError(f"{said}; or {_WAY_OUT}")
        return {
            name: without_time((place / f"{number}.fbx").read_bytes()) for number, name in enumerate(files)
        }
