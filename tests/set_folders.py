"""Sets of small files in folders, among files of others, and processes that are killed on the way."""

from __future__ import annotations

import json
import os
import sys
from pathlib import Path

from takemill.sets import set_folder
from takemill.sets.set_folder import LIST, replace_folder


def a_set(mark: str, *names: str) -> dict[str, bytes]:
    files = {name: f"{mark} {name}".encode() * 50 for name in names}
    data = {"tool": {"name": "takemill"}, "mark": mark, "files": [{"name": name} for name in names]}
    return {**files, LIST: json.dumps(data).encode()}


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
from pathlib import Path
sys.path.insert(0, {core!r})
from takemill.sets import set_folder, set_folder_stage
OLD, NEW = {sets!r}
mode, limit, places = sys.argv[1], int(sys.argv[2]), sys.argv[3:]
if mode == "renames":
    set_folder_stage._exchanged = lambda *_: False
    mode = "steps"
if mode == "steps":  # die at the n-th call that changes the disk
    count = 0
    def watch(event, args):
        global count
        changes = ("os.rename", "os.link", "os.mkdir", "os.rmdir", "os.remove", "os.symlink", "ctypes.dlsym")
        if event in changes or (event == "open" and args[2] & (os.O_WRONLY | os.O_RDWR)):
            count += 1
            if count == limit:
                os.kill(os.getpid(), signal.SIGKILL)
    sys.addaudithook(watch)
    set_folder.replace_folders(dict.fromkeys(places, NEW))
    sys.exit(3)
print("started", flush=True)
while True:
    for files in (NEW, OLD):
        set_folder.replace_folders(dict.fromkeys(places, files))
"""


def driver(*arguments: object) -> list[str]:
    code = DRIVER.format(core=str(Path(set_folder.__file__).parents[2]), sets=(OLD, NEW))
    return [sys.executable, "-I", "-S", "-c", code, *map(str, arguments)]


def expect_whole(place: Path) -> None:
    """The old set or the new one, and all files of others."""
    found = contents(place)
    mark = json.loads(found[LIST])["mark"]
    assert found == {"old": OLD, "new": NEW}[mark] | FOREIGN | {"link": b"mine"}, mark
