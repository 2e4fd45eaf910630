"""Writing a file whole or not at all, and errors of the system in plain words."""

from __future__ import annotations

import contextlib
import os
import stat
import sys
from collections.abc import Iterable, Iterator
from pathlib import Path

from . import locks
from .errors import FileError
from .systems import reason_of

try:
    import fcntl
except ImportError:  # Windows
    fcntl = None  # type: ignore[assignment]

_PART = ".part"
_OPEN_FILES = ("/dev/std", "/dev/fd/", "/proc/")  # a program's own open files, whatever they lead to


@contextlib.contextmanager
def explain_errors(verb: str, path: str | Path, error: type[FileError] = FileError) -> Iterator[None]:
    """Turn the system's errors inside the block into one of ours: "cannot `verb` `path`: reason".

    Raises:
        FileError: (or the given kind of it) the system refused.
    """
    try:
        yield
    except OSError as problem:
        raise error(f"cannot {verb} {path}: {reason_of(problem, str(path), sys.platform)}") from problem
    except ValueError as problem:  # a path with a NUL in it
        if isinstance(problem, UnicodeError) or "null" not in str(problem):
            raise
        raise error(f"cannot {verb} {str(path)!r}: no file can have this name") from problem


def read_bytes(path: str | Path, error: type[FileError] = FileError) -> bytes:
    """What a file holds.

    Raises:
        FileError: (or the given kind of it) it cannot be read.
    """
    with explain_errors("read", path, error):
        return Path(path).read_bytes()


def write_whole(path: str | Path, data: bytes, error: type[FileError] = FileError) -> None:
    """Write a file beside its place and rename it: a reader sees the old one or the new one, nothing between.

    A link is followed, the file's mode stays, and what is no file (a device, a pipe) is written into.

    Raises:
        FileError: (or the given kind of it) it cannot be written; the old file is untouched.
    """
    with explain_errors("write", path, error):
        old = _status(path)
        if (old and not stat.S_ISREG(old.st_mode)) or os.fspath(path).startswith(_OPEN_FILES):
            _write_into(path, data)
            return
        place = Path(os.path.realpath(path))
        if old and not os.access(place, os.W_OK):
            raise error(
                f"cannot write {path}: it is write-protected; take the protection off, or name another"
            )
        locks.clear_parts(place.parent, _PART)
        with locks.created(place.parent, _PART) as (part, handle):
            try:
                if old:
                    _keep_rights(part, old)
                _write_some(handle, data)
                wait_for_disk(handle)
                if os.name == "nt":  # where what is open cannot be renamed
                    os.close(handle)
                os.replace(part, place)
            except BaseException:
                with contextlib.suppress(OSError):
                    os.unlink(part)
                raise
        sync_entries(place.parent)


def write_synced(path: Path, data: bytes | Iterable[bytes]) -> None:
    """Write a new file, whole or in pieces, and wait until the disk has it; OSError is left to the caller."""
    flags = os.O_WRONLY | os.O_CREAT | os.O_EXCL | getattr(os, "O_CLOEXEC", 0) | getattr(os, "O_BINARY", 0)
    handle = os.open(path, flags, 0o666)
    try:
        for piece in (data,) if isinstance(data, bytes) else data:
            _write_some(handle, piece)
        wait_for_disk(handle)
    except BaseException:
        with contextlib.suppress(OSError):
            os.unlink(path)
        raise
    finally:
        os.close(handle)


def sync_entries(folder: Path) -> None:
    """Wait until the disk has what a folder lists, for a power cut."""
    if os.name == "posix":
        handle = os.open(folder, os.O_RDONLY)
        try:
            wait_for_disk(handle)
        finally:
            os.close(handle)


def wait_for_disk(handle: int) -> None:
    """Wait until the disk itself has what was written to an open file or folder.

    fsync of macOS stops at the drive's own memory; F_FULLFSYNC goes on, and file systems that lack it refuse
    (Apple, fsync(2) and fcntl(2); from memory).
    """
    full = getattr(fcntl, "F_FULLFSYNC", None)
    if full is not None:
        with contextlib.suppress(OSError):
            fcntl.fcntl(handle, full)
            return
    os.fsync(handle)


def _status(path: str | Path) -> os.stat_result | None:
    try:
        return os.stat(path)
    except FileNotFoundError:
        return None


def _keep_rights(part: Path, old: os.stat_result) -> None:
    """The mode and, where that is allowed, the owner of the file that goes."""
    if hasattr(os, "chown"):
        with contextlib.suppress(OSError):
            os.chown(part, old.st_uid, old.st_gid)
    os.chmod(part, stat.S_IMODE(old.st_mode))


def _write_into(path: str | Path, data: bytes) -> None:
    """What stands there is kept, and given the data."""
    handle = os.open(path, os.O_WRONLY | getattr(os, "O_BINARY", 0))
    try:
        _write_some(handle, data)
    finally:
        os.close(handle)


def _write_some(handle: int, data: bytes) -> None:
    left = memoryview(data)
    while left:
        left = left[os.write(handle, left) :]
