"""Sets of small files in folders, among files of others, and processes that are killed on the way."""

from __future__ import annotations

import hashlib
import json
import os
import sys
from pathlib import Path

from takemill.sets import set_folder
from takemill.sets.set_folder import LIST, replace_folder
from takemill.sets.set_list import sealed


def a_set(mark: str, *names: str) -> dict[str, bytes]:
    files = {name: f"{mark} {name}".encode() * 50 for name in names}
    return {**files, LIST: a_list(mark, files)}


def a_list(mark: str, files: dict[str, bytes]) -> bytes:
    """As Takemill writes it: it states what the files hold, and bears its own digest."""
    stated = [
        {"name": name, "bytes": len(data), "sha256": hashlib.sha256(data).hexdigest()}
        for name, data in files.items()
    ]
    return json.dumps(sealed({"tool": {"name": "takemill"}, "mark": mark, "files": stated})).encode()


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
import sys
sys.path.insert(0, {core!r})
from takemill.sets import set_folder
OLD, NEW = {sets!r}
places = sys.argv[1:]
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
