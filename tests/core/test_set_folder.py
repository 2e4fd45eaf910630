"""A folder of files is replaced whole or not at all; what others put there stays."""

from __future__ import annotations

import json
import os
import re
import subprocess
import sys
from pathlib import Path

import pytest

from set_folders import (
    FOREIGN,
    NEW,
    OLD,
    a_list,
    a_set,
    contents,
    expect_whole,
    killed_at_random,
    old_set,
    only,
)
from takemill.base.errors import FileError
from takemill.sets import mounts, set_folder, set_folder_stage
from takemill.sets.set_folder import LIST, expect_free, replace_folder


@pytest.fixture
def place(tmp_path):
    """A folder with an old set and files of others."""
    return old_set(tmp_path)


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


def test_folders_named_from_where_the_program_runs_change_places(tmp_path, monkeypatch):
    """Where the system can do it at all; a refusal is an error."""
    for name in ("one", "other"):
        (tmp_path / name).mkdir()
        (tmp_path / name / name).write_bytes(b"")
    monkeypatch.chdir(tmp_path)
    swapped = set_folder_stage._swap_folders(Path("one"), Path("other"))
    assert contents(tmp_path) == (
        {"one/other": b"", "other/one": b""} if swapped else {"one/one": b"", "other/other": b""}
    )


def test_systems_that_cannot_swap_folders_rename_twice(place, monkeypatch):
    monkeypatch.setattr(set_folder_stage, "_swap_folders", lambda *_: False)
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
    old = a_set("old", "a.glb")
    replace_folder(folder, old)
    reaching = {"../precious.txt": b"precious", "/etc": b"", "a.glb": old["a.glb"]}
    (folder / LIST).write_bytes(a_list("old", reaching))
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


def full(*_, **__):
    raise OSError(28, "No space left on device")


@pytest.mark.parametrize(
    ("step", "new_place"),
    [
        ("write_synced", False),
        ("carry_over", False),
        ("_swap_folders", False),
        ("write_synced", True),
        ("os.rename", True),
    ],
)
def test_a_failure_on_the_way_leaves_the_old_folder(place, monkeypatch, step, new_place):
    folder = place.parent / "x" / "y" if new_place else place
    before = contents(place)
    monkeypatch.setattr(f"takemill.sets.set_folder_stage.{step}", full)
    with pytest.raises(FileError, match="No space left on device"):
        replace_folder(folder, NEW)
    assert contents(place) == before
    assert only(place.parent, "ferry")


LIMITED = """
import resource, sys
sys.path.insert(0, {core!r})
resource.setrlimit(resource.RLIMIT_FSIZE, (20000, 20000))
from takemill.base import errors
from takemill.sets import set_folder
try:
    set_folder.replace_folder({place!r}, {files!r})
except errors.FileError as problem:
    print(problem)
"""


@pytest.mark.skipif(os.name != "posix", reason="RLIMIT_FSIZE")
def test_a_disk_that_takes_no_more_leaves_the_old_folder(place):
    """The kernel itself refuses, in the middle of a file."""
    before = contents(place)
    core, files = str(Path(set_folder.__file__).parents[2]), NEW | {"ferry.glb": b"x" * 50000}
    code = LIMITED.format(core=core, place=str(place), files=files)
    done = subprocess.run([sys.executable, "-c", code], check=True, capture_output=True, text=True)
    assert re.fullmatch(r"cannot write .*: File too large\n", done.stdout), done
    assert contents(place) == before
    assert only(place.parent, "ferry")


@pytest.mark.skipif(os.name != "posix", reason="SIGKILL")
def test_killed_at_random_moments_it_is_the_old_set_or_the_new_one(place):
    """By the system itself, which the model of `test_set_folder_crashes.py` only plays."""
    marks = []
    for _ in killed_at_random(24, 1907, place):
        expect_whole(place)
        marks.append(json.loads((place / LIST).read_bytes())["mark"])
    assert set(marks) == {"old", "new"}


def test_what_dead_runs_left_goes_with_the_next_run(place):
    """Whatever its age; what looks like it and is not stays."""
    token = "0123456789ab"
    bare, killed, lock = (
        place.parent / f".takemill-{name}" for name in (token, token[::-1], f"{'a' * 12}.lock")
    )
    foreign = [place.parent / f".takemill-{name}" for name in ("mine", "b" * 12)]
    for folder in (bare, killed, *foreign):
        folder.mkdir()
    (killed / "set").mkdir()
    (killed / "set" / "ferry.glb").write_bytes(b"half a fi")
    (killed / "ready.json").write_bytes(b'{"place": "fer')
    lock.touch()
    for folder in foreign:
        (folder / "mine.txt").touch()
    replace_folder(place, NEW)
    assert only(place.parent, "ferry", *(one.name for one in foreign))
    assert all((folder / "mine.txt").exists() for folder in foreign)


def test_a_folder_that_another_process_writes_is_left_alone(place):
    with set_folder_stage.staging_folder(place.parent) as folder:
        (folder / "set").mkdir()
        (folder / "set" / "a").write_bytes(b"half")
        replace_folder(place, NEW)
        assert (folder / "set" / "a").exists()
    assert contents(place) == NEW | FOREIGN | {"link": b"mine"}
    replace_folder(place, OLD)
    assert only(place.parent, "ferry")


def test_what_was_changed_since_is_kept_beside_and_said(place):
    """Whether the new set takes its name, or a later one may."""
    for name in ("ferry.glb", "single/walk.glb"):
        (place / name).write_bytes(b"edited")
    (place / "ferry.glb.kept").write_bytes(b"of the last time")
    said = replace_folder(place, NEW)
    mine = {
        "ferry.glb.kept-2": b"edited",
        "single/walk.glb.kept": b"edited",
        "ferry.glb.kept": b"of the last time",
    }
    assert contents(place) == NEW | FOREIGN | mine | {"link": b"mine"}
    assert len(said) == 2
    assert "ferry.glb was changed after it was packed; it is kept as ferry.glb.kept-2" in said[0]
    assert "walk.glb was changed after it was packed; it is kept as walk.glb.kept" in said[1]
    replace_folder(place, OLD)


@pytest.mark.parametrize("seal", [False, True])
def test_a_list_from_elsewhere_gets_nothing_deleted(tmp_path, seal):
    """It states the bytes of a user's file and is no list of ours; or is one and states other bytes."""
    thesis = b"years of work"
    text = a_list("x", {"thesis.docx": b"other bytes" if seal else thesis})
    text = text if seal else text.replace(b'"mark": "x"', b'"mark": "y"')
    (tmp_path / "thesis.docx").write_bytes(thesis)
    (tmp_path / LIST).write_bytes(text)
    said = replace_folder(tmp_path, NEW)
    kept = {"thesis.docx.kept": thesis} if seal else {"thesis.docx": thesis, f"{LIST}.kept": text}
    assert contents(tmp_path) == NEW | kept
    assert len(said) == 1


def test_what_is_no_file_is_not_opened_and_stays(place):
    """A listed name that is a pipe by now."""
    (place / "single" / "walk.glb").unlink()
    os.mkfifo(place / "single" / "walk.glb")
    replace_folder(place, NEW)
    assert (place / "single" / "walk.glb.kept").is_fifo()


def test_a_folder_with_rights_of_its_own_keeps_them(place):
    (place / "deep").chmod(0o700)
    replace_folder(place, NEW)
    assert (place / "deep").stat().st_mode & 0o777 == 0o700


def saved_meanwhile(place, monkeypatch, save):
    """Replace a folder while another program saves into it: after all is carried over, before the change."""
    change = set_folder_stage.Stage.change_places

    def save_and_change(stage):
        save()
        change(stage)

    monkeypatch.setattr(set_folder_stage.Stage, "change_places", save_and_change)
    return replace_folder(place, NEW)


def save_over(path, data):
    """As programs save: beside it, and renamed."""
    path.with_name("saving").write_bytes(data)
    os.replace(path.with_name("saving"), path)


@pytest.mark.parametrize("links", [True, False])
def test_what_another_program_saves_during_a_pack_is_where_it_was_saved(place, monkeypatch, links):
    if not links:
        monkeypatch.setattr(os, "link", full)

    def save():
        save_over(place / "notes.txt", b"newer")
        (place / "deep" / "er" / "a.import").write_bytes(b"in place")
        (place / "fresh").mkdir()
        (place / "fresh" / "new.txt").write_bytes(b"new")

    assert saved_meanwhile(place, monkeypatch, save) == ()
    mine = {"notes.txt": b"newer", "deep/er/a.import": b"in place", "fresh/new.txt": b"new", "link": b"newer"}
    assert contents(place) == NEW | FOREIGN | mine
    assert only(place.parent, "ferry")


def test_what_is_saved_under_a_new_file_s_name_is_kept_beside_and_said(place, monkeypatch):
    def save():
        save_over(place / "ferry.glb", b"edited")
        (place / "single" / "turn.glb").write_bytes(b"theirs")

    said = saved_meanwhile(place, monkeypatch, save)
    mine = {"ferry.glb.kept": b"edited", "single/turn.glb.kept": b"theirs", "link": b"mine"}
    assert contents(place) == NEW | FOREIGN | mine
    assert sorted(one.rsplit(" ", 1)[1] for one in said) == ["ferry.glb.kept", "turn.glb.kept"]


def test_a_disk_of_its_own_is_refused_before_any_work(place, monkeypatch):
    """The place itself, and one that hangs below it."""
    text = "36 35 98:0 / {} rw,noatime master:1 - ext3 /dev/root rw\n"
    table = place.parent / "mountinfo"
    monkeypatch.setattr(mounts, "_MOUNTS", table)
    for mount in (place, place / "deep"):
        table.write_text(text.format(str(mount).replace(" ", "\\040")))
        with pytest.raises(
            FileError, match=r"a mount point\), which cannot be moved; name a new folder inside it"
        ):
            expect_free(place)
    table.write_text(text.format(place.parent))
    expect_free(place)
    with pytest.raises(FileError, match="a mount point"):
        expect_free("/proc")
    assert mounts.mount_points(text.format("/a\\040b\\134")) == ["/a b\\"]
