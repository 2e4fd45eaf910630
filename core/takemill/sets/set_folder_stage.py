"""A staging folder beside the place of a set: a new folder is filled there and takes the old one's place.

`.takemill-...` holds
    lock        held by the process that writes, so that others leave the folder alone
    set.json    the name of the place, and the names of the files that will be there
    set/        the new folder; after the change, the old one
    old/        the old folder, where folders cannot change places in one step
    group.json  while several sets change places: all of them, in the staging folder of the first
"""

from __future__ import annotations

import contextlib
import ctypes
import errno
import filecmp
import hashlib
import json
import os
import shutil
import sys
import tempfile
from collections.abc import Collection, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path, PurePosixPath
from typing import IO, Any

from ..base.disk import write_synced

LIST = "clips.json"
"""The file that lists, under "files", what Takemill wrote into its folder."""

GROUP = "group.json"
STAGES = ".takemill-*"
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


@dataclass(frozen=True)
class Stage:
    """A staging folder.

    Attributes:
        folder: of its own.
        place: where the set will be, beside it.
        names: the files of the new set.
    """

    folder: Path
    place: Path
    names: tuple[str, ...]

    @classmethod
    def read(cls, folder: Path) -> Stage:
        """What another run left behind; whatever is no such thing is an OSError, ValueError or the like."""
        info = json.loads((folder / "set.json").read_bytes())
        return cls(folder, folder.parent / PurePosixPath(info["place"]).name, tuple(info["files"]))

    def fill(self, files: Mapping[str, bytes]) -> None:
        """Write the new files, and carry over what others put into the old folder."""
        new = self.folder / "set"
        if self.place.exists():
            _carry_over(self.place, new, listed(self.place))
            shutil.copystat(self.place, new)
        for name in sorted(files, key=lambda name: (name == LIST, name)):
            (new / name).parent.mkdir(parents=True, exist_ok=True)
            write_synced(new / name, files[name])

    def change_places(self) -> None:
        """Put the new folder where the old one is, in one step where the system can."""
        new, old = self.folder / "set", self.folder / "old"
        if not self.place.exists():
            os.rename(new, self.place)
        elif not _exchanged(new, self.place):
            os.rename(self.place, old)
            try:
                os.rename(new, self.place)
            except OSError:
                os.rename(old, self.place)
                raise
        sync_entries(self.place.parent)

    def change_back(self) -> None:
        """Undo `change_places`."""
        new, old = self.folder / "set", self.folder / "old"
        if new.exists():
            _exchanged(new, self.place)
            return
        os.rename(self.place, new)
        if old.exists():
            os.rename(old, self.place)

    def holds(self, digest: str, folder: Path | None = None) -> bool:
        """Whether the place (or another folder) holds the set whose list has this digest."""
        try:
            data = ((folder or self.place) / LIST).read_bytes()
        except OSError:
            return False
        return hashlib.sha256(data).hexdigest() == digest

    def clear(self) -> None:
        """Remove all but the lock, and never the only copy of a file that Takemill did not write."""
        old = self.folder / "old"
        if old.is_dir() and not self.place.exists():  # killed between two renames
            with contextlib.suppress(OSError):
                os.rename(old, self.place)
        for folder in (self.folder / "set", old):
            ours = listed(folder) | set(self.names)
            for relative, is_folder in reversed(list(_entries(folder))):
                source, there = folder / relative, self.place / relative
                with contextlib.suppress(OSError):
                    if is_folder:
                        source.rmdir()
                    elif relative.as_posix() in ours or _same(source, there):
                        source.unlink()
                    elif not os.path.lexists(there):
                        os.rename(source, there)
            with contextlib.suppress(OSError):
                folder.rmdir()
        for name in (GROUP, "set.json"):
            with contextlib.suppress(OSError):
                (self.folder / name).unlink()

    def remove(self) -> None:
        """Take the cleared folder away, its lock closed: Windows keeps open files."""
        with contextlib.suppress(OSError):
            (self.folder / "lock").unlink(missing_ok=True)
            self.folder.rmdir()


@contextlib.contextmanager
def staged(place: Path, names: Collection[str]) -> Iterator[Stage]:
    """A new locked staging folder beside `place`; it is cleared at the end, come what may."""
    stage = Stage(Path(tempfile.mkdtemp(prefix=STAGES[:-1], dir=place.parent)), place, tuple(names))
    try:
        with open(stage.folder / "lock", "wb") as lock:
            _try_lock(lock)
            try:
                info = {"place": place.name, "files": list(names)}
                write_synced(stage.folder / "set.json", json.dumps(info).encode())
                (stage.folder / "set").mkdir()
                yield stage
            finally:
                stage.clear()
    finally:
        stage.remove()


def sync_entries(folder: Path) -> None:
    """Wait until the disk has what a folder lists, for a power cut."""
    if os.name == "posix":
        handle = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)


@contextlib.contextmanager
def held(folder: Path) -> Iterator[bool]:
    """Hold the lock of a staging folder; False when a process still writes it."""
    with open(folder / "lock", "r+b") as lock:
        yield _try_lock(lock)


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
