"""A staging folder beside the place of a set: a new folder is filled there and takes the old one's place.

`.takemill-0123456789ab` holds
    set/        the new folder; after the change, the old one
    old/        the old folder, where folders cannot change places in one step
    ready.json  stands while set/ or old/ can hold the only copy of something: what was made, of what
    group.json  while several sets change places: all of them, in the staging folder of the first
and `.takemill-0123456789ab.lock` beside it is held by the process that works there. Without ready.json, all
that is in the folder can go: it is not finished yet, or nothing in it is needed any more.
"""

from __future__ import annotations

import contextlib
import ctypes
import errno
import json
import os
import shutil
import sys
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path, PurePosixPath
from typing import Any

from ..base import locks
from ..base.disk import sync_entries, write_synced
from .set_folder_others import (
    Carried,
    Identity,
    carry_over,
    entries,
    has_files_of_others,
    remove_tree,
    rescue,
)
from .set_list import LIST, Claim, claim_of, read_plain

GROUP = "group.json"
READY = "ready.json"
LOCK = ".lock"
_OURS = {"set", "old", GROUP, READY}
# AT_FDCWD of Linux (fcntl.h); RENAME_EXCHANGE of Linux (renameat2(2)), RENAME_SWAP of macOS (renamex_np(2)).
_AT_FDCWD, _SWAP = -100, 2
_NO_SWAP = (errno.ENOSYS, errno.EINVAL, errno.ENOTSUP, errno.EOPNOTSUPP)


@dataclass(frozen=True)
class Stage:
    """A staging folder whose new folder is whole.

    Attributes:
        folder: of its own.
        place: where the set will be, beside it.
        new: what the new set's list states, the list itself too.
        carried: what was put into the new folder of what others have in the old one.
    """

    folder: Path
    place: Path
    new: Mapping[str, Claim]
    carried: Carried

    @classmethod
    def fill(cls, folder: Path, place: Path, files: Mapping[str, bytes]) -> Stage:
        """Write the new files, and carry over what others put into the old folder.

        Raises:
            OSError: the disk refuses, or something of others can be neither linked nor copied.
        """
        new, carried = folder / "set", Carried({}, {}, ())
        os.mkdir(new)
        if place.exists():
            carried = carry_over(place, new, files)
        for name in sorted(files):
            (new / name).parent.mkdir(parents=True, exist_ok=True)
            write_synced(new / name, files[name])
        below = [new / one for one, is_folder in entries(new) if is_folder]
        for one in (*reversed(below), new):
            sync_entries(one)
            with contextlib.suppress(FileNotFoundError):
                shutil.copystat(place / one.relative_to(new), one)
        stage = cls(folder, place, {name: claim_of(data) for name, data in files.items()}, carried)
        write_synced(folder / READY, json.dumps(stage._describe()).encode())
        sync_entries(folder)
        sync_entries(folder.parent)
        return stage

    def _describe(self) -> dict[str, Any]:
        """What ready.json holds."""
        carried = {"moved": self.carried.moved, "files": self.carried.files, "said": self.carried.said}
        return {"place": self.place.name, "new": self.new, "carried": carried}

    @classmethod
    def read(cls, folder: Path) -> Stage:
        """What another run left behind; whatever is no such thing is an OSError, ValueError or the like."""
        described = json.loads((folder / READY).read_bytes())
        place = folder.parent / PurePosixPath(described["place"]).name
        new = {str(name): (int(size), str(digest)) for name, (size, digest) in described["new"].items()}
        moved = {str(old): str(name) for old, name in described["carried"]["moved"].items()}
        files: dict[str, Identity] = {
            str(name): [int(one) for one in found] for name, found in described["carried"]["files"].items()
        }
        return cls(folder, place, new, Carried(moved, files, tuple(map(str, described["carried"]["said"]))))

    @property
    def digest(self) -> str:
        """Of the new set's list."""
        return self.new[LIST][1]

    def change_places(self) -> None:
        """Put the new folder where the old one is, in one step where the system can."""
        new, old = self.folder / "set", self.folder / "old"
        if not self.place.exists():
            os.rename(new, self.place)
        elif not _swap_folders(new, self.place):
            os.rename(self.place, old)
            try:
                os.rename(new, self.place)
            except OSError:
                os.rename(old, self.place)
                raise
        self._sync()

    def change_back(self) -> None:
        """Undo `change_places`."""
        new, old = self.folder / "set", self.folder / "old"
        if new.exists() and not _swap_folders(new, self.place):
            raise OSError(errno.ENOTSUP, "folders cannot change places here", str(self.place))
        if not new.exists():
            os.rename(self.place, new)
            if old.exists():
                os.rename(old, self.place)
        self._sync()

    def _sync(self) -> None:
        sync_entries(self.place.parent)
        sync_entries(self.folder)

    def holds(self, digest: str, folder: Path | None = None) -> bool:
        """Whether the place (or another folder) holds the set whose list has this digest."""
        data = read_plain((folder or self.place) / LIST)
        return data is not None and claim_of(data)[1] == digest

    def settle(self) -> list[str]:
        """Bring the files of others to the place, so that the rest of this folder can be removed.

        Returns:
            What is to be said: files that were kept under another name, or could not be moved.
        """
        new, old = self.folder / "set", self.folder / "old"
        if not self.place.exists():  # killed between two renames; or somebody moved the set away
            for folder in (old, new):
                if folder.exists() and (folder == old or has_files_of_others(folder, self.new)):
                    os.rename(folder, self.place)
                    self._sync()
                    break
        said, clean = list(self.carried.said) if self.holds(self.digest) else [], True
        for folder in (new, old):
            if folder.exists() and self.place.exists():
                described, all_moved = rescue(folder, self.place, self.new, self.carried)
                said += described
                clean &= all_moved
        if clean:
            sync_entries(self.folder)
            os.unlink(self.folder / READY)
            sync_entries(self.folder)
        return said


def remove(folder: Path) -> None:
    """Remove a staging folder in which nothing is needed any more; errors leave it to the next run."""
    with contextlib.suppress(OSError):
        names = set(os.listdir(folder))
        if READY in names or not names <= _OURS:
            return
        for name in sorted(names):
            if name == GROUP:
                os.unlink(folder / name)
            else:
                remove_tree(folder / name)
        os.rmdir(folder)


def is_torn(folder: Path) -> bool:
    """Whether ready.json was cut off while it was written: nothing has changed places yet."""
    try:
        json.loads((folder / READY).read_bytes())
    except (ValueError, RecursionError):
        return True
    except OSError:
        return False
    return False


@contextlib.contextmanager
def staging_folder(parent: Path) -> Iterator[Path]:
    """A new staging folder in `parent`, held until the end; what is in it then is left there."""
    with locks.created(parent, LOCK) as (lock, handle):
        folder = lock.with_suffix("")
        try:
            os.mkdir(folder)
            yield folder
        finally:
            if not folder.exists():
                if os.name == "nt":
                    os.close(handle)
                with contextlib.suppress(OSError):
                    os.unlink(lock)


def lock_of(folder: Path) -> Path:
    """The lock of a staging folder."""
    return folder.with_name(folder.name + LOCK)


def _swap_folders(one: Path, other: Path) -> bool:
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
