"""SHA-256 of files, found again without reading them where size and time of change are as they were."""

from __future__ import annotations

import hashlib
import json
import os
import time
from collections.abc import Mapping
from pathlib import Path

from ..base.disk import explain_errors, write_whole
from .store import FOLDER

# A file that was changed again within the tick of its disk's clock looks unchanged: what was changed this
# short a time before it was read is read again. FAT's tick is the longest of those in use, 2 s.
_TICK_NS = 2_000_000_000
_CHUNK = 1 << 20  # bytes read at once: no gain beyond it on the machine it was tried on


class FileDigests:
    """Digests of files, kept below a build's output."""

    def __init__(self, out_dir: Path) -> None:
        self._place = out_dir / FOLDER / "digests.json"
        self._known = self._read()
        self._used: dict[str, tuple[int, int, int, str]] = {}

    def of(self, path: Path) -> str:
        """The digest of a file.

        Raises:
            FileError: it cannot be read.
        """
        with explain_errors("read", path):
            status = os.stat(path)
            key, seen = str(path.absolute()), (status.st_size, status.st_mtime_ns)
            known = self._used.get(key) or self._known.get(key)
            if known is None or known[:2] != seen or known[2] < status.st_mtime_ns + _TICK_NS:
                known = (*seen, time.time_ns(), digest_of_path(path))
            self._used[key] = known
            return known[3]

    def holds(self, folder: Path, files: Mapping[str, str]) -> bool:
        """Whether a folder has all these files, with these digests."""
        try:
            return all(
                os.path.isfile(folder / name) and self.of(folder / name) == digest
                for name, digest in files.items()
            )
        except OSError:
            return False

    def save(self) -> None:
        """Keep what was found for the next build.

        Raises:
            FileError: the disk refuses.
        """
        write_whole(self._place, json.dumps(self._used, sort_keys=True).encode())

    def _read(self) -> dict[str, tuple[int, int, int, str]]:
        try:
            found = json.loads(self._place.read_bytes())
            return {
                str(path): (int(size), int(changed), int(read), str(digest))
                for path, (size, changed, read, digest) in found.items()
            }
        except (OSError, ValueError, TypeError, AttributeError):
            return {}


def digest_of_path(path: Path) -> str:
    """The digest of a file, read now.

    Raises:
        FileError: it cannot be read.
    """
    out = hashlib.sha256()
    with explain_errors("read", path), path.open("rb") as file:
        while piece := file.read(_CHUNK):
            out.update(piece)
    return out.hexdigest()
