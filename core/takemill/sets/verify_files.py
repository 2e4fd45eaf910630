"""What a set's folder holds, read without trust: only plain files inside it are opened."""

from __future__ import annotations

import os
import stat
import struct
from collections.abc import Iterator, Mapping
from pathlib import Path, PurePosixPath
from typing import Any

from ..base import disk, large_json, strict_json
from ..base.errors import FileError
from ..files.fbx_format import read_fbx
from .set_folder_others import KEPT
from .set_list import LIST, claim_of, is_inside, is_sealed

_MAX_FBX_OFF_S = 2e-6  # seconds are rounded to a microsecond in the list
_MAX_RATE_OFF = 1e-6  # Blender keeps a rate as a fraction of single precision

MAX_LIST_BYTES = 20_000_000
"""Of a list: one of 500 clips has three million."""


def read_list(folder: Path) -> Any:
    """The list of clips, as JSON of numbers that can be worked with.

    Raises:
        FileError: it is missing, no plain file, too long, or no such JSON.
    """
    data = read_listed(folder, LIST)
    if len(data) > MAX_LIST_BYTES:
        raise FileError(f"{folder / LIST}: {len(data)} bytes; a list of clips has at most {MAX_LIST_BYTES}")
    try:
        return strict_json.loads(data)
    except ValueError as problem:
        raise FileError(f"{folder / LIST}: not JSON: {problem}") from problem


def read_listed(folder: Path, name: str) -> bytes:
    """A listed file, if it is a plain one inside the folder; nothing else is opened.

    Raises:
        FileError: it is missing, lies elsewhere or behind a link, is a pipe or a device, or cannot be read.
    """
    if not is_inside(name):
        raise FileError(f"{name!r} lies outside the set's folder, and is not opened; pack the set again")
    path = folder / name
    for one in (*reversed([folder / above for above in PurePosixPath(name).parents[:-1]]), path):
        with disk.explain_errors("read", one):
            kind = os.lstat(one).st_mode
        if stat.S_ISLNK(kind):
            raise FileError(f"{one} is a link, and is not followed; pack the set again")
    if not stat.S_ISREG(kind):
        raise FileError(f"{path} is no plain file (a folder, a pipe or a device), and is not opened")
    return disk.read_bytes(path)


def file_problems(folder: Path, said: Mapping[str, Any]) -> Iterator[str]:
    """Whether the list and its files are as they were written."""
    if not is_sealed(said):
        yield f"{LIST}: it was changed after it was written; pack the set again"
    listed = {file["name"] for file in said["files"]}
    for clip in said["clips"]:
        for file in (clip["file"], clip["fbx"]):
            if file is not None and file not in listed:
                yield f"clip {clip['name']!r}: its file {file} is not among the set's files"
    for file in said["files"]:
        try:
            data = read_listed(folder, file["name"])
        except FileError as problem:
            yield str(problem)
            continue
        if claim_of(data) != (file["bytes"], file["sha256"]):
            yield f"{file['name']}: it was changed after it was written"


def fbx_problems(folder: Path, said: Mapping[str, Any]) -> Iterator[str]:
    """Whether FBX files hold the clips that the list says, as long and at the same rates."""
    held: dict[str, list[Mapping[str, Any]]] = {}
    for clip in said["clips"]:
        if clip["fbx"] is not None:
            held.setdefault(clip["fbx"], []).append(clip)
    for file, clips in held.items():
        try:
            found = read_fbx(read_listed(folder, file), file)
        except FileError as problem:
            yield str(problem)
            continue
        for name in sorted(found.clips.keys() ^ {clip["name"] for clip in clips}):
            yield f"{file}: the list and the file do not both have a clip {name!r}"
        for clip in clips:
            begin, end = found.clips.get(clip["name"], (0.0, clip["duration_s"]))
            if abs(end - begin - clip["duration_s"]) > _MAX_FBX_OFF_S:
                said_s = f"{end - begin:.6f} s, the list says {clip['duration_s']:.6f}"
                yield f"{file}: {clip['name']!r} plays {said_s}"
            if abs(found.rate / clip["rate"] - 1) > _MAX_RATE_OFF:
                yield f"{file}: {found.rate:g} frames per second, the list says {clip['rate']:g}"


def find_strays(folder: Path, said: Mapping[str, Any]) -> tuple[list[str], list[str]]:
    """Files that an engine or a reader may take for the set's: with clips of Takemill's, and others.

    Returns:
        What is wrong, and what is only to be known.
    """
    wrong, known = [], []
    listed = {file["name"] for file in said["files"]}
    for above, folders, names in os.walk(folder):
        folders[:] = sorted(one for one in folders if not one.startswith("."))
        for name in sorted(names):
            path = Path(above, name)
            there = path.relative_to(folder).as_posix()
            if there in listed:
                continue
            if KEPT in path.suffix:
                known.append(f"{there}: changed by somebody after an earlier pack, and kept")
            elif path.suffix.casefold() == ".glb" and (clips := _clips_in(path)):
                wrong.append(
                    f"{there}: it holds {len(clips)} clips of Takemill's (such as {clips[0]!r}) and is not "
                    "of the set; move it out of the folder"
                )
            elif path.suffix.casefold() == ".glb":
                known.append(f"{there}: a GLB that is not of the set")
    return wrong, known


def _clips_in(path: Path) -> list[str]:
    """The names of the animations that carry what Takemill writes about a clip."""
    try:
        if not stat.S_ISREG(os.lstat(path).st_mode):
            return []
        with open(path, "rb") as file:
            magic, _, _, size, _ = struct.unpack("<4sIIII", file.read(20))
            if magic != b"glTF" or size > large_json.MAX_JSON_BYTES:
                return []
            data = large_json.loads(file.read(size))
        return [str(one["name"]) for one in data["animations"] if is_clip(one.get("extras"))]
    except (OSError, ValueError, TypeError, KeyError, AttributeError, RecursionError, struct.error):
        return []


def is_clip(extras: Any) -> bool:
    """Whether an animation's extras are what Takemill writes; a character may bring animations of its own."""
    return isinstance(extras, dict) and extras.keys() >= {"name", "source", "keys"}
