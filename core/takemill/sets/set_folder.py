"""Replacing folders of files whole or not at all, without touching the files that others put there.

The new files are written into a folder beside the old one, other people's files are linked into it, and
the two folders change places in one step of the system (Linux: renameat2 with RENAME_EXCHANGE; macOS:
renamex_np with RENAME_SWAP). Elsewhere two renames follow each other; a run that was killed between them is
put right by the next.

Several folders are written first and then change places one after the other, which takes no more than the
renames. No system renames several folders in one step: before the first, a list of all is written beside
them, and a run that was killed on the way is finished by the next one from that list.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
import os
import time
from collections.abc import Collection, Iterator, Mapping
from pathlib import Path

from ..base.disk import naming, write_synced
from ..base.errors import FileError, InputError
from .set_folder_stage import GROUP, LIST, STAGES, Stage, held, listed, staged, sync_entries

__all__ = ["LIST", "expect_free", "listed", "replace_folder", "replace_folders", "unfinished"]

_NO_STAGE = (OSError, ValueError, TypeError, KeyError, AttributeError, RecursionError)
"""What comes of a staging folder that is not ours, or half made: it is no more than clutter."""

_BEGUN_S = 60.0  # between the making of a staging folder and its first file lie milliseconds


def expect_free(place: str | Path, names: Collection[str] = ()) -> Path:
    """The resolved `place`, which can be replaced by a folder that holds files of these names.

    Raises:
        FileError: it is a file, the working folder, not writable, holds one of the names from another hand,
            or other things and no set so far: a project's folder is not for swapping.
    """
    with naming("write", place):
        path = Path(place).resolve()
        if path.exists() and not path.is_dir():
            raise FileError(f"cannot write {place}: it is a file; name a folder")
        if Path.cwd().is_relative_to(path):
            raise FileError(f"cannot replace {place}, the folder you stand in; name one below it")
        ours = listed(path)
        for name in names:
            if name not in ours and os.path.lexists(path / name):
                raise FileError(
                    f"cannot write {path / name}: the file there was not written by Takemill; "
                    "move it or name another folder"
                )
        if path.is_dir() and not ours and any(path.iterdir()):
            raise FileError(
                f"cannot write {place}: the folder holds other things and no clip set yet; "
                "name a new or an empty one"
            )
        above = next(parent for parent in path.parents if parent.exists())
        if not os.access(above, os.W_OK | os.X_OK):
            raise FileError(f"cannot write {place}: {above} is not writable")
        return path


def replace_folder(place: str | Path, files: Mapping[str, bytes]) -> None:
    """Make `place` a folder of these files, by relative name, one of which is the list.

    Files of an earlier set go; files that Takemill did not write stay. Whatever happens on the way, `place`
    is the whole old folder or the whole new one.

    Raises:
        FileError: it cannot be done; the old folder is untouched.
    """
    replace_folders({place: files})


def replace_folders(sets: Mapping[str | Path, Mapping[str, bytes]]) -> None:
    """As `replace_folder`, for several folders side by side: all are replaced, or none.

    Raises:
        FileError: it cannot be done; all old folders are untouched.
        InputError: they do not lie side by side.
    """
    todo = {expect_free(place, files): files for place, files in sets.items()}
    parents = {path.parent for path in todo}
    if len(parents) > 1:
        raise InputError("sets that are written together lie side by side in one folder")
    (parent,) = parents
    missing = [folder for folder in (parent, *parent.parents) if not folder.exists()]
    try:
        with naming("write", next(iter(todo))):
            parent.mkdir(parents=True, exist_ok=True)
            _finish_groups(parent)
        with contextlib.ExitStack() as stack:
            stages = {}
            for path, files in todo.items():
                with naming("write", path):
                    _clear_leftovers(path)
                    stage = stack.enter_context(staged(path, files))
                    stage.fill(files)
                    stages[stage] = hashlib.sha256(files[LIST]).hexdigest()
            _change_places(stages)
    except BaseException:
        for folder in missing:
            with contextlib.suppress(OSError):
                folder.rmdir()
        raise


def _change_places(stages: Mapping[Stage, str]) -> None:
    """All filled stages; the list of them stands only meanwhile."""
    first = next(iter(stages))
    if len(stages) > 1:
        group = [{"stage": stage.folder.name, "list": digest} for stage, digest in stages.items()]
        with naming("write", first.place):
            write_synced(first.folder / GROUP, json.dumps(group).encode())
            sync_entries(first.folder)
    try:
        for stage in stages:
            with naming("write", stage.place):
                stage.change_places()
    except BaseException:
        for stage, digest in stages.items() if len(stages) > 1 else ():
            if stage.holds(digest):
                with contextlib.suppress(OSError):
                    stage.change_back()
        raise
    finally:
        (first.folder / GROUP).unlink(missing_ok=True)


def unfinished(folder: str | Path) -> bool:
    """Whether sets in `folder` are of two runs: one was killed while several changed places."""
    found = False
    for group in _groups(Path(folder)):
        first = next(iter(group)).folder
        try:
            with held(first) as free:
                found |= free and _mixed(group)
        except OSError:  # a disk that cannot be written, and so no process that does
            found |= _mixed(group)
    return found


def _mixed(group: Mapping[Stage, str]) -> bool:
    new = {stage.holds(digest) for stage, digest in group.items()}
    return len(new) > 1 or any(not stage.place.exists() for stage in group if (stage.folder / "old").exists())


def _groups(parent: Path) -> Iterator[dict[Stage, str]]:
    """Sets that a run listed and did not come to strike out, or that it changes just now."""
    for path in sorted(parent.glob(f"{STAGES}/{GROUP}")):
        try:
            group = json.loads(path.read_bytes())
            stages = {Stage.read(parent / Path(one["stage"]).name): str(one["list"]) for one in group}
        except _NO_STAGE:
            continue
        if next((stage.folder for stage in stages), None) == path.parent:
            yield stages


def _finish_groups(parent: Path) -> None:
    """Let the rest of what was listed change places: all new folders were whole by then."""
    for group in _groups(parent):
        first = next(iter(group)).folder
        try:
            with held(first) as free:
                if not free:
                    continue
                for stage, digest in group.items():
                    if not stage.holds(digest) and stage.holds(digest, stage.folder / "set"):
                        stage.change_places()
                (first / GROUP).unlink()
        except OSError:
            continue


def _is_empty(folder: Path) -> bool:
    """Whether a staging folder holds at most its lock, and a run that just begins would be past that."""
    old = time.time() - folder.stat().st_mtime > _BEGUN_S
    return old and folder.is_dir() and {one.name for one in folder.iterdir()} <= {"lock"}


def _clear_leftovers(path: Path) -> None:
    """Put right and remove what killed runs left beside `path`."""
    for folder in sorted(path.parent.glob(STAGES)):
        try:
            if _is_empty(folder):
                Stage(folder, path, ()).remove()
                continue
            stage = Stage.read(folder)
            if stage.place != path:
                continue
            with held(folder) as free:
                if not free:
                    continue
                stage.clear()
            stage.remove()
        except _NO_STAGE:
            continue
