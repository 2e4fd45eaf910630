"""What a build keeps below its output: values in files that are named by what they were made from.

An entry is never changed: another take, setting, character or version has another name. Each bears its own
digest, so that one whose bytes were changed is no entry. An entry of nothing but its name says no more than
that it was made.
"""

from __future__ import annotations

import contextlib
import hashlib
import os
from collections.abc import Collection
from pathlib import Path
from typing import Any

from ..base.disk import explain_errors, write_whole
from ..base.errors import FileError
from .value_bytes import dump_value, load_value

FOLDER = ".takemill"
"""The folder of a build's own files, below its output."""

_MARK = b"takemill store 1\n"


class Store:
    """Entries by kind and key; any number of processes may read and write at once."""

    def __init__(self, out_dir: str | Path) -> None:
        self.folder = Path(out_dir) / FOLDER / "store"

    def put(self, kind: str, key: str, value: Any) -> None:
        """Keep a value under its key.

        Raises:
            FileError: the disk refuses.
        """
        data = dump_value(value)
        place = self._place(kind, key)
        with explain_errors("write", place):
            place.parent.mkdir(parents=True, exist_ok=True)
        write_whole(place, _MARK + hashlib.sha256(data).digest() + data)

    def get(self, kind: str, key: str) -> Any | None:
        """What is kept under a key; None where nothing is, or where its bytes are not what was written."""
        try:
            data = self._place(kind, key).read_bytes()
            seal = len(_MARK) + 32
            if data[: len(_MARK)] != _MARK or hashlib.sha256(data[seal:]).digest() != data[len(_MARK) : seal]:
                return None
            return load_value(data[seal:])
        except (OSError, FileError):
            return None

    def has(self, kind: str, key: str) -> bool:
        """Whether there is an entry; it may be damaged, which is seen when it is read."""
        return self._place(kind, key).is_file()

    def forget_others(self, used: Collection[tuple[str, str]]) -> None:
        """Take away all entries but these, which need (kind, key) each; what cannot go stays."""
        keep = {self._place(*one) for one in used}
        for path in self.folder.glob("*/*/*"):
            if path not in keep:
                with contextlib.suppress(OSError):
                    os.unlink(path)

    def _place(self, kind: str, key: str) -> Path:
        return self.folder / kind / key[:2] / key[2:]
