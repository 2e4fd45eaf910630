"""Sets of small files in folders, among files of others, and processes that are killed on the way."""

from __future__ import annotations

import hashlib
import json
import os
import random
import signal
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

from takemill.sets import set_folder
from takemill.sets.set_folder import LIST, replace_folder
from takemill.sets.set_list import add_seal


def a_set(mark: str, *names: str) -> dict[str, bytes]:
    files = {name: f"{mark} {name}".encode() * 50 for name in names}
    return {**files, LIST: a_list(mark, files)}


def a_list(mark: str, files: dict[str, bytes]) -> bytes:
    """As Takemill writes it: it states what the files hold, and bears its own digest."""
    stated = [
        {"name": name, "bytes": len(data), "sha256": hashlib.sha256(data).hexdigest()}
        for name, data in files.items()
    ]
    return json.dumps(add_seal({"tool": {"name": "takemill"}, "mark": mark, "files": stated})).encode()


OLD = a_set("old", "ferry.glb", "report.html", "single/walk.glb")
NEW = a_set("new", "ferry.glb", "report.html", "single/turn.glb", "extra/x.glb")
FOREIGN = {"notes.txt": b"mine", "single/mine.txt": b"also mine", "deep/er/a.import": b"an engine's"}


def contents(folder: Path) -> dict[str, bytes]:
    return {
        path.relative_to(folder).as_posix(): path.read_bytes()
        for path in sorted(folder.rglob("*"))
        if path.is_file()
    }


def only(folder: Path, *names: str) -> bool:
    return sorted(os.listdir(folder)) == sorted(names)


def old_set(tmp_path: Path) -> Path:
    """A folder with an old set and files of others."""
    folder = tmp_path / "out" / "ferry"
    replace_folder(folder, OLD)
    for name, data in FOREIGN.items():
        (folder / name).parent.mkdir(parents=True, exist_ok=True)
        (folder / name).write_bytes(data)
    (folder / "empty").mkdir()
    os.symlink("notes.txt", folder / "link")
    os.symlink("deep", folder / "folder_link")
    return folder


DRIVER = """
import os, signal, sys
sys.path.insert(0, {core!r})
from takemill.sets import set_folder
OLD, NEW = {sets!r}
last, places = int(sys.argv[1]), sys.argv[2:]
calls = 0

def count(event, arguments):
    global calls
    if event == "open" or event.startswith(("os.", "ctypes.call")):
        calls += 1
        if calls == last:
            os.kill(os.getpid(), signal.SIGKILL)

sys.addaudithook(count)
for files in (NEW, OLD):
    set_folder.replace_folders(dict.fromkeys(places, files))
print(calls)
"""


def _driven(last: int, *places: object) -> subprocess.CompletedProcess[str]:
    code = DRIVER.format(core=str(Path(set_folder.__file__).parents[2]), sets=(OLD, NEW))
    command = [sys.executable, "-I", "-S", "-c", code, str(last), *map(str, places)]
    return subprocess.run(command, capture_output=True, text=True, check=False)


def killed_at_random(count: int, seed: int, *places: object) -> Iterator[int]:
    """Replace sets by the new ones and by the old ones again; be killed before a random call to the system.

    Counted in calls and not in time, so that a busy machine changes nothing. The system kills the process
    (SIGKILL). Gives the number of each call.
    """
    done = _driven(0, *places)
    calls, rng = int(done.stdout), random.Random(seed)
    assert calls > 40, "it counts what the driver does"
    for last in sorted(rng.sample(range(1, calls), count)):
        assert _driven(last, *places).returncode == -signal.SIGKILL
        yield last


def expect_whole(place: Path) -> None:
    """The old set or the new one, and all files of others."""
    found = contents(place)
    mark = json.loads(found[LIST])["mark"]
    assert found == {"old": OLD, "new": NEW}[mark] | FOREIGN | {"link": b"mine"}, mark
