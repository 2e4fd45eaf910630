"""Which files of a folder are saved whole: those whose size and time of change have stayed for a while."""

from __future__ import annotations

import os
from dataclasses import dataclass, replace
from pathlib import Path

from ..files.take_address import SEVERAL

ENDINGS = (".bvh", *SEVERAL)
"""The ends of names of files that may be takes."""

STILL_S = 1.0  # a recorder that writes on does so more often (an estimate)
MAX_PAUSE_S = 4.0  # what cannot be read is called so only then: its writer may pause, and 5 s are promised

_State = tuple[int, int, int]  # size, time of change and number of a file: others, and it was changed


@dataclass(frozen=True)
class _Seen:
    """A file as it was found last; `since` when, by the caller's clock, and whether it was given out."""

    state: _State
    since: float
    given: bool = False


@dataclass(frozen=True)
class Look:
    """What one look at the folder found.

    Attributes:
        saved: files that became whole, those that were saved last first.
        gone: files that were there before.
        trouble: why the folder cannot be read; "" where it can: then nothing is gone.
    """

    saved: tuple[Path, ...] = ()
    gone: tuple[Path, ...] = ()
    trouble: str = ""


class SavedFiles:
    """The files of one folder, looked at again and again; its folders are not looked into."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self._seen: dict[Path, _Seen] = {}

    def look(self, now_s: float) -> Look:
        """What changed since the look before; `now_s` by any clock that never goes back."""
        try:
            found = _files(self.folder)
        except OSError as problem:
            return Look(trouble=f"{self.folder} cannot be read: {problem.strerror or problem}")
        gone = tuple(path for path in self._seen if path not in found)
        for path in gone:
            del self._seen[path]
        saved = []
        for path, state in found.items():
            seen = self._seen.get(path)
            if seen is None or seen.state != state:
                self._seen[path] = seen = _Seen(state, now_s)
            if not seen.given and now_s - seen.since >= STILL_S:
                self._seen[path] = replace(seen, given=True)
                saved.append(path)
        saved.sort(key=self.saved_at, reverse=True)
        return Look(tuple(saved), gone)

    @property
    def open(self) -> tuple[Path, ...]:
        """The files that are being saved."""
        return tuple(path for path, seen in self._seen.items() if not seen.given)

    def saved_at(self, path: Path) -> tuple[int, str]:
        """By what files are put into the order in which they were saved: the disk's time, then the name."""
        return self._seen[path].state[1], path.name

    def paused_s(self, path: Path, now_s: float) -> float:
        """For how long a file has not changed."""
        return now_s - self._seen[path].since

    def is_given(self, path: Path) -> bool:
        """Whether a file is still as it was when it was given out."""
        return path in self._seen and self._seen[path].given


def _files(folder: Path) -> dict[Path, _State]:
    """The files of a folder that may be takes; one that goes meanwhile is none."""
    found = {}
    with os.scandir(folder) as entries:
        for entry in entries:
            if entry.name.startswith(".") or not entry.name.lower().endswith(ENDINGS):
                continue
            try:
                status = os.stat(entry.path)
                if entry.is_file():
                    found[Path(entry.path)] = (status.st_size, status.st_mtime_ns, status.st_ino)
            except OSError:
                continue
    return found
