"""A folder of files is replaced whole or not at all; what others put there stays."""

from __future__ import annotations

import hashlib
import json
import os
import random
import re
import shutil
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from takemill import set_folder, set_folder_stage
from takemill.errors import FileError, InputError
from takemill.set_folder import LIST, expect_free, replace_folder, replace_folders, unfinished


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


@pytest.fixture
def place(tmp_path):
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


def only(folder: Path, *names: str) -> bool:
    return sorted(os.listdir(folder)) == sorted(names)


def test_a_new_place_is_made_with_its_parents(tmp_path):
    folder = tmp_path / "a" / "b"
    replace_folder(folder, NEW)
    assert contents(folder) == NEW
    assert only(tmp_path / "a", "b")


def test_the_old_set_goes_and_the_files_of_others_stay(place):
    inode = (place / "notes.txt").stat().st_ino
    replace_folder(place, NEW)
    assert contents(place) == NEW | FOREIGN | {"link": b"mine"}
    assert os.readlink(place / "link") == "notes.txt"
    assert os.readlink(place / "folder_link") == "deep"
    assert (place / "empty").is_dir()
    assert (place / "notes.txt").stat().st_ino == inode
    assert only(place.parent, "ferry")
    replace_folder(place, OLD)
    assert contents(place) == OLD | FOREIGN | {"link": b"mine"}
    assert not (place / "extra").exists()


def test_systems_that_cannot_swap_folders_rename_twice(place, monkeypatch):
    monkeypatch.setattr(set_folder_stage, "_exchanged", lambda *_: False)
    replace_folder(place, NEW)
    assert contents(place) == NEW | FOREIGN | {"link": b"mine"}
    assert only(place.parent, "ferry")


def test_disks_that_cannot_link_get_copies(place, monkeypatch):
    def refuse(*_, **__):
        raise OSError(1, "Operation not permitted")

    monkeypatch.setattr(os, "link", refuse)
    replace_folder(place, NEW)
    assert contents(place) == NEW | FOREIGN | {"link": b"mine"}
    assert only(place.parent, "ferry")


def test_a_file_of_another_hand_is_never_overwritten(place):
    (place / "turn.glb").write_bytes(b"not Takemill's")
    before = contents(place)
    with pytest.raises(FileError, match=r"turn\.glb: the file there was not written by Takemill; move it"):
        replace_folder(place, a_set("new", "turn.glb"))
    assert contents(place) == before


@pytest.mark.parametrize(
    "text", [b"", b"[]", b"{}", b'{"tool": {"name": "other"}, "files": []}', b"\xff", b"[" * 9999]
)
def test_a_list_that_is_not_ours_is_left_alone(tmp_path, text):
    (tmp_path / LIST).write_bytes(text)
    with pytest.raises(FileError, match="not written by Takemill"):
        replace_folder(tmp_path, NEW)
    assert contents(tmp_path) == {LIST: text}


def test_a_list_cannot_reach_out_of_its_folder(tmp_path):
    (tmp_path / "precious.txt").write_bytes(b"precious")
    folder = tmp_path / "ferry"
    replace_folder(folder, a_set("old", "a.glb"))
    data = {
        "tool": {"name": "takemill"},
        "files": [{"name": n} for n in ("../precious.txt", "/etc", "a.glb")],
    }
    (folder / LIST).write_text(json.dumps(data))
    replace_folder(folder, NEW)
    assert (tmp_path / "precious.txt").read_bytes() == b"precious"
    assert contents(folder) == NEW


def test_places_that_cannot_be_written_are_named(tmp_path, monkeypatch):
    (tmp_path / "file").write_bytes(b"in the way")
    for bad in ("file", "file/below", "nul\0", "x" * 300):
        for act in (lambda path: expect_free(path), lambda path: replace_folder(path, NEW)):
            with pytest.raises(FileError, match="cannot write"):
                act(tmp_path / bad)
    folder = tmp_path / "here"
    folder.mkdir()
    monkeypatch.chdir(folder)
    with pytest.raises(FileError, match="the folder you stand in"):
        expect_free(".")
    assert only(tmp_path, "file", "here")


def full(*_):
    raise OSError(28, "No space left on device")


@pytest.mark.parametrize(
    ("step", "new_place"),
    [
        ("write_synced", False),
        ("_carry_over", False),
        ("_exchanged", False),
        ("write_synced", True),
        ("os.rename", True),
    ],
)
def test_a_failure_on_the_way_leaves_the_old_folder(place, monkeypatch, step, new_place):
    folder = place.parent / "x" / "y" if new_place else place
    before = contents(place)
    monkeypatch.setattr(f"takemill.set_folder_stage.{step}", full)
    with pytest.raises(FileError, match="No space left on device"):
        replace_folder(folder, NEW)
    assert contents(place) == before
    assert only(place.parent, "ferry")


LIMITED = """
import resource, sys
sys.path.insert(0, {core!r})
resource.setrlimit(resource.RLIMIT_FSIZE, (20000, 20000))
from takemill import errors, set_folder
try:
    set_folder.replace_folder({place!r}, {files!r})
except errors.FileError as problem:
    print(problem)
"""


@pytest.mark.skipif(os.name != "posix", reason="RLIMIT_FSIZE")
def test_a_disk_that_takes_no_more_leaves_the_old_folder(place):
    """The kernel itself refuses, in the middle of a file."""
    before = contents(place)
    core, files = str(Path(set_folder.__file__).parents[1]), NEW | {"ferry.glb": b"x" * 50000}
    code = LIMITED.format(core=core, place=str(place), files=files)
    done = subprocess.run([sys.executable, "-c", code], check=True, capture_output=True, text=True)
    assert re.fullmatch(r"cannot write .*: File too large\n", done.stdout), done
    assert contents(place) == before
    assert only(place.parent, "ferry")


DRIVER = """
import os, signal, sys
from pathlib import Path
sys.path.insert(0, {core!r})
from takemill import set_folder, set_folder_stage
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
    code = DRIVER.format(core=str(Path(set_folder.__file__).parents[1]), sets=(OLD, NEW))
    return [sys.executable, "-I", "-S", "-c", code, *map(str, arguments)]


def expect_whole(place: Path) -> None:
    """The old set or the new one, and all files of others."""
    found = contents(place)
    mark = json.loads(found[LIST])["mark"]
    assert found == {"old": OLD, "new": NEW}[mark] | FOREIGN | {"link": b"mine"}, mark


@pytest.mark.skipif(os.name != "posix", reason="SIGKILL")
@pytest.mark.parametrize("mode", ["steps", "renames"])
def test_killed_at_every_step_it_is_the_old_set_or_the_new_one(place, mode):
    """It dies before each call that touches the disk in turn; the next run must find all in order."""
    for limit in range(1, 300):
        code = subprocess.run(driver(mode, limit, place), check=False).returncode
        if code == 3:
            break
        assert code == -signal.SIGKILL
        if mode == "steps":  # two renames have a moment with no folder; the next run puts that right
            expect_whole(place)
        replace_folder(place, NEW if limit % 2 else OLD)
        expect_whole(place)
        replace_folder(place, OLD)
        assert len([name for name in os.listdir(place.parent) if name != "ferry"]) <= limit
    assert limit > 30


@pytest.mark.skipif(os.name != "posix", reason="SIGKILL")
def test_killed_at_200_random_moments_it_is_the_old_set_or_the_new_one(place):
    random_s = random.Random(1907)
    marks = []
    for _ in range(200):
        with subprocess.Popen(driver("loop", 0, place), stdout=subprocess.PIPE) as process:
            assert process.stdout is not None
            process.stdout.readline()
            time.sleep(random_s.uniform(0, 0.02))
            process.kill()
        expect_whole(place)
        marks.append(json.loads((place / LIST).read_bytes())["mark"])
    assert set(marks) == {"old", "new"}


def test_a_folder_that_another_process_writes_is_left_alone(place):
    with set_folder_stage.staged(place, ["a"]) as stage:
        (stage.folder / "set" / "a").write_bytes(b"half")
        replace_folder(place, NEW)
        assert (stage.folder / "set" / "a").exists()
    assert contents(place) == NEW | FOREIGN | {"link": b"mine"}
    assert only(place.parent, "ferry")


# Several sets ------------------------------------------------------------------------------------


@pytest.fixture
def pair(place):
    """Two old sets side by side, both with files of others."""
    other = place.parent / "mate"
    shutil.copytree(place, other, symlinks=True)
    return place, other


def mark(place: Path) -> str:
    """Which whole set a place holds; "" for none, as between two renames."""
    if not place.exists():
        return ""
    expect_whole(place)
    return json.loads((place / LIST).read_bytes())["mark"]


def test_several_sets_are_replaced_together(pair):
    new = pair[0].parent / "third"
    replace_folders(dict.fromkeys((*pair, new), NEW))
    assert [mark(one) for one in pair] == ["new", "new"]
    assert contents(new) == NEW
    assert only(new.parent, "ferry", "mate", "third")


@pytest.mark.parametrize("swaps", [True, False])
@pytest.mark.parametrize("first_time", [False, True])
def test_a_failure_between_two_sets_leaves_all_old_ones(pair, monkeypatch, swaps, first_time):
    """The system refuses the second change of places."""
    exchange, rename, seen = set_folder_stage._exchanged, os.rename, []

    def refuse_the_second(act):
        def do(one, other):
            if Path(one).name == "set" and ".takemill" not in str(other):
                seen.append(other)
                if len(seen) == 2:
                    full()
            return act(one, other)

        return do

    places = [pair[0].parent / "x" / name for name in "ab"] if first_time else pair
    if swaps and not first_time:
        monkeypatch.setattr(set_folder_stage, "_exchanged", refuse_the_second(exchange))
    else:
        monkeypatch.setattr(set_folder_stage, "_exchanged", lambda *_: False)
        monkeypatch.setattr(set_folder_stage.os, "rename", refuse_the_second(rename))
    with pytest.raises(FileError, match=r"(mate|b): No space left on device"):
        replace_folders(dict.fromkeys(places, NEW))
    assert len(seen) >= 2
    assert [mark(one) for one in pair] == ["old", "old"]
    assert only(pair[0].parent, "ferry", "mate")
    assert not unfinished(pair[0].parent)


def test_sets_in_two_folders_are_not_written_together(pair, tmp_path):
    with pytest.raises(InputError, match="side by side"):
        replace_folders({pair[0]: NEW, tmp_path / "else": NEW})
    assert mark(pair[0]) == "old"


@pytest.mark.skipif(os.name != "posix", reason="SIGKILL")
@pytest.mark.parametrize("mode", ["steps", "renames"])
def test_killed_between_two_sets_the_next_run_finishes_them(pair, mode):
    """It dies before each call that touches the disk in turn; any next run beside them makes all of one kind.

    The first thirty calls are those of the first set alone.
    """
    parent, torn, listed = pair[0].parent, 0, False
    for limit in range(30, 400):
        code = subprocess.run(driver(mode, limit, *pair), check=False).returncode
        if code == 3:
            break
        assert code == -signal.SIGKILL
        marks = [mark(one) for one in pair]
        listed |= any(parent.glob(".takemill-*/group.json"))
        torn += marks[0] != marks[1]
        assert unfinished(parent) == (marks[0] != marks[1]), (limit, marks)
        replace_folder(parent / "other", OLD)
        replaced = [mark(one) for one in pair]
        assert replaced[0] == replaced[1], (limit, marks)
        assert replaced[0] in ("old", "new")
        assert replaced[0] == "new" if listed else marks == replaced
        assert not unfinished(parent)
        replace_folders(dict.fromkeys(pair, OLD))
        assert [mark(one) for one in pair] == ["old", "old"]
    assert limit > 60
    assert 0 < torn < 4 * len(pair)


@pytest.mark.skipif(os.name != "posix", reason="SIGKILL")
def test_killed_at_random_moments_several_sets_are_of_one_kind_after_the_next_run(pair):
    random_s, marks = random.Random(2), []
    for _ in range(60):
        with subprocess.Popen(driver("loop", 0, *pair), stdout=subprocess.PIPE) as process:
            assert process.stdout is not None
            process.stdout.readline()
            time.sleep(random_s.uniform(0, 0.03))
            process.kill()
        replace_folder(pair[0].parent / "other", OLD)
        marks.append(mark(pair[0]))
        assert marks[-1] == mark(pair[1])
    assert set(marks) == {"old", "new"}


def test_sets_that_another_process_changes_just_now_are_left_to_it(pair):
    """Its list stands, and it still holds the lock."""
    parent = pair[0].parent
    with set_folder_stage.staged(pair[0], list(NEW)) as stage:
        stage.fill(NEW)
        digest = hashlib.sha256(NEW[LIST]).hexdigest()
        (stage.folder / "group.json").write_text(json.dumps([{"stage": stage.folder.name, "list": digest}]))
        assert not unfinished(parent)
        replace_folder(parent / "other", OLD)
        assert mark(pair[0]) == "old"


@pytest.mark.parametrize("text", ["", "[]", "{}", '[{"stage": "../ferry", "list": "x"}]', "[1]", "[" * 9999])
def test_a_list_of_sets_that_is_none_is_left_alone(pair, text):
    stage = pair[0].parent / ".takemill-x"
    stage.mkdir()
    (stage / "group.json").write_text(text)
    assert not unfinished(pair[0].parent)
    replace_folders(dict.fromkeys(pair, NEW))
    assert [mark(one) for one in pair] == ["new", "new"]
