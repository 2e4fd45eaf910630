"""Writing a file whole or not at all, and errors of the system in plain words."""

from __future__ import annotations

import contextlib
import os
import secrets
from collections.abc import Iterator
from pathlib import Path

from .errors import FileError


@contextlib.contextmanager
def naming(verb: str, path: str | Path, error: type[FileError] = FileError) -> Iterator[None]:
    """Turn the system's errors inside the block into one of ours: "cannot `verb` `path`: reason".

    Raises:
        FileError: (or the given kind of it) the system refused.
    """
    try:
        yield
    except OSError as problem:
        raise error(f"cannot {verb} {path}: {problem.strerror or problem}") from problem
    except ValueError as problem:  # a path with a NUL in it
        if isinstance(problem, UnicodeError) or "null" not in str(problem):
            raise
        raise error(f"cannot {verb} {str(path)!r}: no file can have this name") from problem


def read_bytes(path: str | Path, error: type[FileError] = FileError) -> bytes:
    """What a file holds.

    Raises:
        FileError: (or the given kind of it) it cannot be read.
    """
    with naming("read", path, error):
        return Path(path).read_bytes()


def write_whole(path: str | Path, data: bytes, error: type[FileError] = FileError) -> None:
    """Write a file beside its place and rename it: a reader sees the old one or the new one, nothing between.

    Raises:
        FileError: (or the given kind of it) it cannot be written; the old file is untouched.
    """
    path = Path(path)
    beside = path.parent / f".takemill-{secrets.token_hex(6)}.part"
    with naming("write", path, error):
        try:
            write_synced(beside, data)
            os.replace(beside, path)
        except BaseException:
            with contextlib.suppress(OSError):
                beside.unlink()
            raise


def write_synced(path: Path, data: bytes) -> None:
    """Write a new file and wait until the disk has it; OSError is left to the caller."""
    with open(path, "xb") as file:
        file.write(data)
        file.flush()
        os.fsync(file.fileno())
