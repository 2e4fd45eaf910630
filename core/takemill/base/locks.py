"""Files that a run holds while it works, so that others know a live run's files from those of a dead one.

The system lets go of a lock when its process ends, however that ends: what is not held belongs to nobody.
"""

from __future__ import annotations

import contextlib
import errno
import os
import re
import secrets
import sys
import time
from collections.abc import Iterator
from pathlib import Path

PREFIX = ".takemill-"
_TOKEN = re.compile(re.escape(PREFIX) + r"[0-9a-f]{12}(?P<ending>\.\w+)?")
# What a lock file is opened with, where the system has these.
_FLAGS = os.O_RDWR | os.O_CREAT | getattr(os, "O_CLOEXEC", 0) | getattr(os, "O_BINARY", 0)
_HELD_ELSEWHERE = (errno.EWOULDBLOCK, errno.EAGAIN, errno.EACCES, errno.EDEADLK)
_MAX_TRIES = 20  # of new names: one is removed only by a run that clears up at that very moment (by eye)
_MAX_WAITS, _WAIT_S = 100, 0.05  # a run finishes what others left in far less than these five seconds


def hidden_in(folder: Path, ending: str = "") -> list[Path]:
    """What runs have put into `folder` under hidden names with this ending, by name."""
    try:
        names = sorted(os.listdir(folder))
    except OSError:
        return []
    found = ((name, _TOKEN.fullmatch(name)) for name in names)
    return [folder / name for name, match in found if match and (match["ending"] or "") == ending]


@contextlib.contextmanager
def created(folder: Path, ending: str) -> Iterator[tuple[Path, int]]:
    """A new empty hidden file in `folder` and its handle, held until the end; it is not taken away then."""
    for _ in range(_MAX_TRIES):
        path = folder / f"{PREFIX}{secrets.token_hex(6)}{ending}"
        handle = os.open(path, _FLAGS | os.O_EXCL, 0o666)
        try:
            if _lock(handle) is not False and _is_still(path, handle):
                yield path, handle
                return
        finally:
            with contextlib.suppress(OSError):  # closed by the caller, where the system asks for it
                os.close(handle)
    raise OSError(errno.EBUSY, "other runs take the new files away", str(folder))


@contextlib.contextmanager
def taken_over(path: Path) -> Iterator[bool]:
    """Hold a file (made where there is none); False when a live run holds it, or the disk knows no locks."""
    handle = os.open(path, _FLAGS, 0o666)
    try:
        yield bool(_lock(handle)) and _is_still(path, handle)
    finally:
        os.close(handle)


@contextlib.contextmanager
def taken_over_soon(path: Path) -> Iterator[bool]:
    """As `taken_over`, waiting a while for another run to let go."""
    for attempt in range(_MAX_WAITS):
        with taken_over(path) as free:
            if free or attempt == _MAX_WAITS - 1:
                yield free
                return
        time.sleep(_WAIT_S)


def is_held(path: Path) -> bool:
    """Whether a live run holds a file; nothing is written."""
    try:
        handle = os.open(path, os.O_RDONLY)
    except OSError:
        return False
    try:
        return _lock(handle) is False
    finally:
        os.close(handle)


def clear_parts(folder: Path, ending: str) -> None:
    """Take away the hidden files with this ending that no live run holds."""
    for path in hidden_in(folder, ending):
        with contextlib.suppress(OSError), taken_over(path) as free:
            if free:
                os.unlink(path)


def _is_still(path: Path, handle: int) -> bool:
    """Whether a path leads to the file that is open: nobody took it away before it was locked."""
    try:
        return os.path.samestat(os.stat(path), os.fstat(handle))
    except FileNotFoundError:
        return False


def _lock(handle: int) -> bool | None:
    """Hold an open file; False when another process does, None where the disk knows no locks."""
    try:
        if sys.platform == "win32":
            import msvcrt

            msvcrt.locking(handle, msvcrt.LK_NBLCK, 1)
        else:
            import fcntl

            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError as problem:
        return False if problem.errno in _HELD_ELSEWHERE else None
    return True
