"""Replacing a folder of files whole or not at all, without touching the files that others put there.

The new files are written into a folder beside the old one, other people's files are linked into it, and
the two folders change places in one step of the system (Linux: renameat2 with RENAME_EXCHANGE; macOS:
renamex_np with RENAME_SWAP). Elsewhere two renames follow each other; a run that was killed between them is
put right by the next.

A staging folder `.takemill-...` beside the place holds
    lock       held by the process that writes, so that others leave the folder alone
    set.json   the name of the place, and the names of the files that will be there
    set/       the new folder; after the change, the old one
    old/       the old folder, where folders cannot change places in one step
"""

from __future__ import annotations

import contextlib
import ctypes
import errno
import filecmp
import json
import os
import shutil
import sys
import tempfile
from collections.abc import Collection, Iterator, Mapping
from pathlib import Path, PurePosixPath
from typing import IO, Any

from .disk import naming, write_synced
from .errors import FileError

LIST = "clips.json"
"""The file that lists, under "files", what Takemill wrote into its folder."""

_STAGE = ".takemill-"
_AT_FDCWD, _SWAP = -100, 2
_NO_SWAP = (errno.ENOSYS, errno.EINVAL, errno.ENOTSUP, errno.EOPNOTSUPP)


def listed(folder: Path) -> set[str]:
    """The files of `folder`, by relative name, that Takemill wrote; empty when it wrote none."""
    try:
        data = json.loads((folder / LIST).read_bytes())
        if data["tool"]["name"] != "takemill":
            return set()
        names = {str(file["name"]) for file in data["files"]}
    except (OSError, ValueError, TypeError, KeyError, RecursionError):
        return set()
    return {LIST} | {name for name in names if _is_inside(name)}


def _is_inside(name: str) -> bool:
    path = PurePosixPath(name)
    return bool(path.parts) and not path.is_absolute() and ".." not in path.parts


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
    path = expect_free(place, files)
    missing = [parent for parent in path.parents if not parent.exists()]
    try:
        with naming("write", place):
            path.parent.mkdir(parents=True, exist_ok=True)
            _clear_leftovers(path)
            with _stage(path, list(files)) as stage:
                _fill(stage / "set", files, path)
                _change_places(stage, path)
    except BaseException:
        for parent in missing:
            with contextlib.suppress(OSError):
                parent.rmdir()
        raise


@contextlib.contextmanager
def _stage(path: Path, names: list[str]) -> Iterator[Path]:
    """A locked staging folder beside `path`; it is cleared at the end, come what may."""
    stage = Path(tempfile.mkdtemp(prefix=_STAGE, dir=path.parent))
    try:
        with open(stage / "lock", "wb") as lock:
            _try_lock(lock)
            try:
                write_synced(stage / "set.json", json.dumps({"place": path.name, "files": names}).encode())
                (stage / "set").mkdir()
                yield stage
            finally:
                _clear(stage, path, names)
    finally:
        _remove(stage)


def _remove(stage: Path) -> None:
    """Take a cleared staging folder away, its lock closed: Windows keeps open files."""
    with contextlib.suppress(OSError):
        (stage / "lock").unlink()
        stage.rmdir()


def _fill(folder: Path, files: Mapping[str, bytes], old: Path) -> None:
    if old.exists():
        _carry_over(old, folder, listed(old))
        shutil.copystat(old, folder)
    for name in sorted(files, key=lambda name: (name == LIST, name)):
        (folder / name).parent.mkdir(parents=True, exist_ok=True)
        write_synced(folder / name, files[name])


def _carry_over(old: Path, new: Path, ours: Collection[str]) -> None:
    """Link (or copy, where files cannot be linked) what others put into `old`."""
    for relative, is_folder in _entries(old):
        source, there = old / relative, new / relative
        if is_folder:
            if not any(source.iterdir()):  # folders with files come with the files
                there.mkdir(parents=True)
        elif relative.as_posix() not in ours:
            there.parent.mkdir(parents=True, exist_ok=True)
            try:
                os.link(source, there, follow_symlinks=False)
            except (OSError, NotImplementedError):
                shutil.copy2(source, there, follow_symlinks=False)


def _entries(folder: Path) -> Iterator[tuple[Path, bool]]:
    """Relative path of everything below a folder, what is deeper later, and whether it is a folder itself."""
    for above, folders, names in os.walk(folder):
        for name in (*folders, *names):
            path = Path(above, name)
            yield path.relative_to(folder), name in folders and not path.is_symlink()


def _change_places(stage: Path, path: Path) -> None:
    if not path.exists():
        os.rename(stage / "set", path)
    elif not _exchanged(stage / "set", path):
        os.rename(path, stage / "old")
        try:
            os.rename(stage / "set", path)
        except OSError:
            os.rename(stage / "old", path)
            raise
    if os.name == "posix":  # the folder's new entry, for a power cut
        handle = os.open(path.parent, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)


def _exchanged(one: Path, other: Path) -> bool:
    """Whether the system swapped two paths in one step; False when it cannot do that here."""
    names = os.fsencode(one), os.fsencode(other)
    library: Any = ctypes.CDLL(None, use_errno=True) if os.name == "posix" else None
    if sys.platform == "darwin" and hasattr(library, "renamex_np"):
        failed = library.renamex_np(*names, _SWAP)
    elif sys.platform.startswith("linux") and hasattr(library, "renameat2"):
        failed = library.renameat2(_AT_FDCWD, names[0], _AT_FDCWD, names[1], _SWAP)
    else:
        return False
    if not failed:
        return True
    number = ctypes.get_errno()
    if number in _NO_SWAP:
        return False
    raise OSError(number, os.strerror(number), str(other))


def _clear_leftovers(path: Path) -> None:
    """Put right and remove what killed runs left beside `path`."""
    for stage in sorted(path.parent.glob(f"{_STAGE}*")):
        try:
            info = json.loads((stage / "set.json").read_bytes())
            if info["place"] != path.name:
                continue
            with open(stage / "lock", "r+b") as lock:
                if not _try_lock(lock):
                    continue
                if (stage / "old").is_dir() and not path.exists():
                    os.rename(stage / "old", path)
                _clear(stage, path, info["files"])
            _remove(stage)
        except (OSError, ValueError, TypeError, KeyError):
            continue  # not ours, or still in use: it is no more than clutter


def _clear(stage: Path, path: Path, new_names: Collection[str]) -> None:
    """Remove what a staging folder holds, but never the only copy of a file that Takemill did not write."""
    for folder in (stage / "set", stage / "old"):
        ours = listed(folder) | set(new_names)
        for relative, is_folder in reversed(list(_entries(folder))):
            source, there = folder / relative, path / relative
            with contextlib.suppress(OSError):
                if is_folder:
                    source.rmdir()
                elif relative.as_posix() in ours or _same(source, there):
                    source.unlink()
                elif not os.path.lexists(there):
                    os.rename(source, there)
        with contextlib.suppress(OSError):
            folder.rmdir()
    with contextlib.suppress(OSError):
        (stage / "set.json").unlink()


def _same(one: Path, other: Path) -> bool:
    if os.path.islink(one) or os.path.islink(other):
        return os.path.islink(one) and os.path.islink(other) and os.readlink(one) == os.readlink(other)
    return other.exists() and (os.path.samefile(one, other) or filecmp.cmp(one, other, shallow=False))


def _try_lock(lock: IO[bytes]) -> bool:
    """Hold a file until it is closed, or the process ends; False when another process holds it."""
    try:
        if sys.platform == "win32":
            import msvcrt

            msvcrt.locking(lock.fileno(), msvcrt.LK_NBLCK, 1)
        else:
            import fcntl

            fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError:
        return False
    return True
