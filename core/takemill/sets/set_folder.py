"""Replacing folders of files whole or not at all, without touching the files that others put there.

The new files are written into a folder beside the old one, other people's files are linked into it, and
the two folders change places in one step of the system (Linux: renameat2 with RENAME_EXCHANGE; macOS:
renamex_np with RENAME_SWAP). Elsewhere two renames follow each other; if a run was killed between them, the
next one finishes its work.

Several folders are written first and then change places one after the other, which takes no more than the
renames. No system renames several folders in one step: before the first, a list of all is written beside
them, and a run that was killed on the way is finished by the next one from that list.
"""

from __future__ import annotations

import contextlib
import json
import os
from collections.abc import Collection, Iterator, Mapping, Sequence
from pathlib import Path, PurePosixPath

from ..base import locks
from ..base.disk import explain_errors, sync_entries, write_synced
from ..base.errors import FileError, InputError
from .mounts import mount_point_in
from .set_folder_stage import GROUP, LOCK, READY, Stage, is_torn, lock_of, remove, staging_folder
from .set_list import LIST, listed_names

__all__ = ["LIST", "expect_free", "replace_folder", "replace_folders", "unfinished"]

_NO_STAGE = (OSError, ValueError, TypeError, KeyError, AttributeError, RecursionError)
"""What comes of a staging folder that is not ours."""

_RECOVERY = f"{locks.PREFIX}{'0' * 12}{LOCK}"
"""Held by a run while it finishes what killed runs left."""


def expect_free(place: str | Path, names: Collection[str] = ()) -> Path:
    """The resolved `place`, which can be replaced by a folder that holds files of these names.

    Raises:
        FileError: it is a file, the working folder, a disk of its own, not writable, holds one of the names
            that Takemill did not write, or other things and no set so far: such a folder is not replaced.
    """
    with explain_errors("write", place):
        path = Path(place).resolve()
        if path.exists() and not path.is_dir():
            raise FileError(f"cannot write {place}: it is a file; name a folder")
        mount = mount_point_in(path)
        if mount is not None:
            raise FileError(
                f"cannot replace {place}: {'it' if mount == path else mount} is a disk of its own (a mount "
                "point), which cannot be moved; name a new folder inside it"
            )
        if Path.cwd().is_relative_to(path):
            raise FileError(f"cannot replace {place}, the folder you stand in; name one below it")
        _expect_free_names(path, names)
        if path.is_dir() and not listed_names(path) and any(path.iterdir()):
            raise FileError(
                f"cannot write {place}: the folder holds other things and no clip set yet; "
                "name a new or an empty one"
            )
        above = next(parent for parent in path.parents if parent.exists())
        if not above.is_dir():
            raise FileError(f"cannot write {place}: {above} is a file; name another folder")
        if not os.access(above, os.W_OK | os.X_OK):
            raise FileError(f"cannot write {place}: {above} is not writable")
        return path


def _expect_free_names(path: Path, names: Collection[str]) -> None:
    """Insist on names that are free, or that an older set has; what was changed there is kept beside."""
    ours = listed_names(path)
    for name in names:
        above = [path / one for one in PurePosixPath(name).parents if one.parts]
        wrong = [one for one in above if os.path.lexists(one) and not one.is_dir()]
        if (path / name).is_dir() or (name not in ours and os.path.lexists(path / name)):
            wrong.append(path / name)
        for one in wrong:
            kind = "folder" if one.is_dir() else "file"
            raise FileError(
                f"cannot write {path / name}: the {kind} there was not written by Takemill; "
                "move it or name another folder"
            )


def replace_folder(place: str | Path, files: Mapping[str, bytes]) -> tuple[str, ...]:
    """Make `place` a folder of these files, by relative name, one of which is the list.

    Files of an earlier set go; files that Takemill did not write, or that were changed since, stay. Whatever
    happens on the way, `place` is the whole old folder or the whole new one.

    Returns:
        What is to be said of files that were kept.

    Raises:
        FileError: it cannot be done; the old folder is untouched.
    """
    return replace_folders({place: files})


def replace_folders(sets: Mapping[str | Path, Mapping[str, bytes]]) -> tuple[str, ...]:
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
    said: list[str] = []
    try:
        with explain_errors("write", next(iter(todo))), contextlib.ExitStack() as held:
            parent.mkdir(parents=True, exist_ok=True)
            said += _recover(parent)
            stages = []
            for path, files in todo.items():
                expect_free(path, files)
                with explain_errors("write", path):
                    folder = held.enter_context(staging_folder(parent))
                    held.callback(_clear, folder, said)
                    stages.append(Stage.fill(folder, path, files))
            _change_places(stages)
    except BaseException:
        for folder in missing:
            with contextlib.suppress(OSError):
                folder.rmdir()
        raise
    return tuple(said)


def _change_places(stages: Sequence[Stage]) -> None:
    """All filled stages; the list of them stands only meanwhile, or until the next run has finished it."""
    group = stages[0].folder / GROUP
    if len(stages) > 1:
        with explain_errors("write", stages[0].place):
            listed = [{"stage": stage.folder.name} for stage in stages]
            write_synced(group, json.dumps(listed).encode())
            sync_entries(group.parent)
    changed: list[Stage] = []
    try:
        for stage in stages:
            with explain_errors("write", stage.place):
                changed.append(stage)
                stage.change_places()
    except BaseException:
        for stage in changed:
            if stage.holds(stage.digest) and not stage.holds(stage.digest, stage.folder / "set"):
                stage.change_back()
        raise
    finally:
        if len(stages) > 1 and not _is_mixed(stages):
            with contextlib.suppress(OSError):
                os.unlink(group)
                sync_entries(group.parent)


def _clear(folder: Path, said: list[str]) -> None:
    """Bring files of others to their place, then remove the staging folder; or leave it to the next run."""
    with contextlib.suppress(*_NO_STAGE):
        if is_torn(folder):
            os.unlink(folder / READY)
        elif (folder / READY).exists() and not any(
            folder.name in _names(one) for one in _groups(folder.parent)
        ):
            said += Stage.read(folder).settle()
        remove(folder)


def unfinished(folder: str | Path) -> bool:
    """Whether sets in `folder` are of two runs: one was killed while several changed places."""
    groups = list(_groups(Path(folder)))
    return any(not locks.is_held(lock_of(group[0].folder)) and _is_mixed(group) for group in groups)


def _is_mixed(group: Sequence[Stage]) -> bool:
    new = {stage.holds(stage.digest) for stage in group}
    return len(new) > 1 or any(not stage.place.exists() for stage in group if (stage.folder / "old").exists())


def _names(group: Sequence[Stage]) -> set[str]:
    return {stage.folder.name for stage in group}


def _groups(parent: Path) -> Iterator[tuple[Stage, ...]]:
    """Sets that a run listed and has not changed all of: it was killed, or is at work."""
    for folder in locks.hidden_in(parent):
        try:
            group = json.loads((folder / GROUP).read_bytes())
            stages = tuple(Stage.read(parent / Path(one["stage"]).name) for one in group)
        except _NO_STAGE:
            continue
        if stages and stages[0].folder == folder:
            yield stages


def _recover(parent: Path) -> list[str]:
    """Finish what dead runs have listed, bring files of others to their places, and remove what is left.

    Returns:
        What is to be said of files that were kept.
    """
    said: list[str] = []
    one_at_a_time = parent / _RECOVERY
    if not locks.hidden_in(parent) and not locks.hidden_in(parent, LOCK):
        return said
    with locks.taken_over_soon(one_at_a_time) as free:
        if not free:
            return said
        for group in _groups(parent):
            with contextlib.suppress(OSError), locks.taken_over(lock_of(group[0].folder)) as dead:
                if dead:
                    _finish(group)
        for folder in locks.hidden_in(parent):
            if folder.is_symlink() or not folder.is_dir():
                continue
            with contextlib.suppress(*_NO_STAGE), locks.taken_over(lock_of(folder)) as dead:
                if dead:
                    _clear(folder, said)
        locks.clear_parts(parent, LOCK)
    with contextlib.suppress(OSError):
        os.unlink(one_at_a_time)
    return said


def _finish(group: Sequence[Stage]) -> None:
    """Let the rest of what was listed change places: all new folders were whole by then."""
    for stage in group:
        if not stage.holds(stage.digest) and stage.holds(stage.digest, stage.folder / "set"):
            stage.change_places()
    os.unlink(group[0].folder / GROUP)
    sync_entries(group[0].folder)
