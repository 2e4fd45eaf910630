"""Files of others: what is linked, copied or moved, and what is said when it cannot be."""

from __future__ import annotations

import os

import pytest

from set_folders import FOREIGN, NEW, OLD, contents, old_set
from takemill.sets import set_folder_others
from takemill.sets.set_folder_others import Carried, carry_over, rescue
from takemill.sets.set_list import claim_of

CLAIMS = {name: claim_of(data) for name, data in NEW.items()}


@pytest.fixture
def folders(tmp_path):
    """A folder with an old set and files of others, and a new one beside it."""
    new = tmp_path / "new"
    new.mkdir()
    return old_set(tmp_path), new


def refused(*_, **__):
    raise OSError(95, "not supported here")


@pytest.mark.parametrize("links", [True, False])
def test_what_is_carried_over_is_the_same_file_or_a_copy_and_a_link_stays_one(folders, monkeypatch, links):
    old, new = folders
    if not links:
        monkeypatch.setattr(os, "link", refused)
    carried = carry_over(old, new, NEW)
    assert {k: v for k, v in contents(new).items() if "link" not in k} == FOREIGN
    assert os.path.samefile(old / "notes.txt", new / "notes.txt") is links
    for name, target in (("link", "notes.txt"), ("folder_link", "deep")):
        assert os.readlink(new / name) == target
    assert set(carried.files) == {*FOREIGN, "link", "folder_link"}
    assert not carried.said


def test_a_link_is_never_followed_where_the_system_would(folders, monkeypatch):
    """link() of macOS follows links unless it is told not to; that of Linux never does."""
    old, new = folders
    asked, link = [], os.link

    def noted(source, there, *, follow_symlinks=True):
        asked.append(follow_symlinks)
        link(source, there, follow_symlinks=follow_symlinks)

    monkeypatch.setattr(os, "link", noted)
    carried = carry_over(old, new, NEW)
    (old / "late").symlink_to("notes.txt")
    rescue(old, new, CLAIMS, carried)
    assert len(asked) == len(FOREIGN) + 3
    assert not any(asked)


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="this system has no named pipes")
def test_what_is_neither_file_nor_folder_is_named(folders, monkeypatch):
    old, new = folders
    os.mkfifo(old / "pipe")
    monkeypatch.setattr(os, "link", refused)
    with pytest.raises(OSError, match="pipe is neither a file nor a folder, and cannot be kept"):
        carry_over(old, new, NEW)


def test_what_was_saved_meanwhile_is_moved_over(folders):
    """It is no longer in the old folder; a name that is taken by now gets another, and that is said."""
    old, new = folders
    carried = carry_over(old, new, NEW)
    (old / "late.txt").write_bytes(b"late")
    (old / "notes.txt").unlink()
    (old / "notes.txt").write_bytes(b"saved anew")
    (new / "notes.txt").unlink()
    (new / "notes.txt").write_bytes(b"and here too")
    said, clean = rescue(old, new, CLAIMS, carried)
    assert clean
    assert (new / "late.txt").read_bytes() == b"late"
    assert not (old / "late.txt").exists()
    assert (new / "notes.txt").read_bytes() == b"and here too"
    (kept,) = new.glob("notes.txt*.kept*")
    assert kept.read_bytes() == b"saved anew"
    assert [line.split(": ")[-1] for line in said] == [
        f"{new / 'notes.txt'} was saved while the set was written; it is kept as {kept.name}"
    ]


def test_what_cannot_be_moved_stays_and_is_said(folders, monkeypatch):
    old, new = folders
    carried = carry_over(old, new, NEW)
    (old / "late.txt").write_bytes(b"late")
    monkeypatch.setattr(set_folder_others, "_move", refused)
    said, clean = rescue(old, new, CLAIMS, carried)
    assert not clean
    assert said == [
        f"{old / 'late.txt'} cannot be moved to {new / 'late.txt'}: not supported here; it stays there"
    ]
    assert (old / "late.txt").read_bytes() == b"late"


def test_what_vanishes_on_the_way_is_nobodys(folders, monkeypatch):
    """Its program has just renamed it."""
    old, new = folders
    (old / "late.txt").write_bytes(b"late")

    def gone(*_):
        raise FileNotFoundError(2, "gone")

    monkeypatch.setattr(set_folder_others, "_move", gone)
    said, clean = rescue(old, new, CLAIMS, Carried({}, {}, ()))
    assert clean
    assert not said
    assert OLD["ferry.glb"] == (old / "ferry.glb").read_bytes()
