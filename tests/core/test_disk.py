"""A file is written whole or not at all."""

from __future__ import annotations

import contextlib
import errno
import os
import threading
from pathlib import Path

import pytest

from crashes import CutError, Disk, Model
from takemill.base import disk, locks
from takemill.base.errors import BvhError, FileError


def test_writes_and_replaces(tmp_path):
    place = tmp_path / "a.txt"
    disk.write_whole(place, b"one")
    disk.write_whole(place, b"two")
    assert place.read_bytes() == disk.read_bytes(place) == b"two"
    assert os.listdir(tmp_path) == ["a.txt"]


def test_a_failed_write_leaves_the_old_file_and_nothing_beside(tmp_path, monkeypatch):
    place = tmp_path / "a.txt"
    place.write_bytes(b"old")

    def full(*_):
        raise OSError(28, "No space left on device")

    for function in ("fsync", "replace"):
        with monkeypatch.context() as patch:
            patch.setattr(disk.os, function, full)
            with pytest.raises(FileError, match=r"a\.txt: No space left"):
                disk.write_whole(place, b"new")
        assert place.read_bytes() == b"old"
        assert os.listdir(tmp_path) == ["a.txt"]


@pytest.mark.parametrize("part", ["missing/b.txt", "file.txt/b.txt", "folder", "nul\0.txt", "x" * 300])
def test_a_place_that_cannot_be_written_is_named(tmp_path, part):
    (tmp_path / "file.txt").write_text("in the way")
    (tmp_path / "folder").mkdir()
    before = sorted(os.listdir(tmp_path))
    with pytest.raises(BvhError, match="cannot write"):
        disk.write_whole(tmp_path / part, b"data", BvhError)
    assert sorted(os.listdir(tmp_path)) == before


def test_what_cannot_be_read_is_named(tmp_path):
    for part in ("missing", ".", "nul\0"):
        with pytest.raises(FileError, match="cannot read"):
            disk.read_bytes(tmp_path / part)


def test_a_link_is_followed_and_the_mode_of_the_file_kept(tmp_path):
    real, link = tmp_path / "deep" / "real.txt", tmp_path / "link.txt"
    real.parent.mkdir()
    real.write_bytes(b"old")
    real.chmod(0o600)
    link.symlink_to("deep/real.txt")
    disk.write_whole(link, b"new")
    assert link.is_symlink()
    assert real.read_bytes() == b"new"
    assert real.stat().st_mode & 0o777 == 0o600


def test_a_link_to_nothing_makes_the_file_it_leads_to(tmp_path):
    (tmp_path / "link.txt").symlink_to("real.txt")
    disk.write_whole(tmp_path / "link.txt", b"new")
    assert (tmp_path / "link.txt").is_symlink()
    assert (tmp_path / "real.txt").read_bytes() == b"new"


@pytest.mark.skipif(os.name != "posix", reason="pipes and devices with names")
def test_what_is_no_file_is_written_into(tmp_path):
    """A pipe, a device, and a program's own output."""
    pipe = tmp_path / "pipe"
    os.mkfifo(pipe)
    got: list[bytes] = []
    reader = threading.Thread(target=lambda: got.append(pipe.read_bytes()))
    reader.start()
    disk.write_whole(pipe, b"data" * 50000)
    reader.join()
    assert got == [b"data" * 50000]
    assert pipe.is_fifo()
    disk.write_whole("/dev/null", b"data")
    assert Path("/dev/null").is_char_device()
    with open(tmp_path / "out.txt", "wb") as out:
        disk.write_whole(f"/dev/fd/{out.fileno()}", b"data")
    assert (tmp_path / "out.txt").read_bytes() == b"data"
    assert sorted(os.listdir(tmp_path)) == ["out.txt", "pipe"]


def test_a_write_protected_file_is_not_replaced(tmp_path, monkeypatch):
    place = tmp_path / "a.txt"
    place.write_bytes(b"old")
    monkeypatch.setattr(disk.os, "access", lambda *_: False)  # to root, nothing is protected
    with pytest.raises(FileError, match="write-protected"):
        disk.write_whole(place, b"new")
    assert place.read_bytes() == b"old"


@pytest.mark.skipif(os.name != "posix", reason="locks of files")
def test_parts_of_dead_runs_go_with_the_next_one_and_those_of_live_runs_stay(tmp_path):
    dead, foreign = tmp_path / f".takemill-{'0' * 12}.part", tmp_path / ".takemill-mine.part"
    for path in (dead, foreign):
        path.write_bytes(b"half")
    with locks.created(tmp_path, ".part") as (live, _):
        disk.write_whole(tmp_path / "a.txt", b"whole")
        assert sorted(os.listdir(tmp_path)) == sorted([live.name, foreign.name, "a.txt"])
    disk.write_whole(tmp_path / "a.txt", b"again")
    assert sorted(os.listdir(tmp_path)) == sorted([foreign.name, "a.txt"])


@pytest.mark.skipif(os.name != "posix", reason="locks of files")
@pytest.mark.parametrize("how", ["kill", "fail", "interrupt", "interrupt after"])
def test_a_file_is_the_old_or_the_new_one_whatever_call_is_the_last(tmp_path, how):
    """By injection, at each call; and nothing is left by the next write."""
    seen = set()
    for stop in range(1, 100):
        place = tmp_path / "a.txt"
        place.write_bytes(b"old")
        cut = Disk(stop, how)
        with cut.watching(), contextlib.suppress(CutError, FileError, KeyboardInterrupt):
            disk.write_whole(place, b"new" * 10)
        if cut.count < stop:
            break
        seen.add(place.read_bytes())
        disk.write_whole(tmp_path / "b.txt", b"other")
        assert sorted(os.listdir(tmp_path)) == ["a.txt", "b.txt"]
    assert stop > 5
    assert seen == {b"old", b"new" * 10} if how != "fail" else b"old" in seen <= {b"old", b"new" * 10}


@pytest.mark.skipif(os.name != "posix", reason="the model of a POSIX disk")
def test_a_power_cut_leaves_the_old_file_or_the_whole_new_one(tmp_path):
    (tmp_path / "run").mkdir()
    (tmp_path / "run" / "a.txt").write_bytes(b"old")
    model = Model(tmp_path / "run")
    with Disk(model=model).watching():
        disk.write_whole(tmp_path / "run" / "a.txt", b"new" * 10)
    seen = []
    for number, (_, _, trees, data) in enumerate(model.states()):
        model.write(trees, data, tmp_path / str(number))
        seen.append((tmp_path / str(number) / "a.txt").read_bytes())
    assert set(seen) == {b"old", b"new" * 10}
    assert seen[-3:] == [b"new" * 10] * 3


class FakeFcntl:
    """macOS's module, in what we use of it."""

    F_FULLFSYNC = 51

    def __init__(self, refuses: int = 0):
        self.refuses, self.calls = refuses, []

    def fcntl(self, handle, command):
        assert handle >= 0
        self.calls.append(command)
        if self.refuses:
            raise OSError(self.refuses, "refused")


@pytest.mark.parametrize("refuses", [0, errno.ENOTSUP, errno.EINVAL])
def test_macos_empties_the_drives_own_memory_and_falls_back_where_a_file_system_refuses(
    tmp_path, monkeypatch, refuses
):
    fake, synced = FakeFcntl(refuses), []
    monkeypatch.setattr(disk, "fcntl", fake)
    monkeypatch.setattr(disk.os, "fsync", synced.append)
    disk.write_whole(tmp_path / "a.txt", b"one")
    disk.write_synced(tmp_path / "b.txt", b"two")
    assert fake.calls == [51, 51, 51]  # two files, and the folder of the first
    assert len(synced) == (3 if refuses else 0)


@pytest.mark.parametrize("module", [None, object()])
def test_other_systems_sync_by_fsync(tmp_path, monkeypatch, module):
    synced = []
    monkeypatch.setattr(disk, "fcntl", module)
    monkeypatch.setattr(disk.os, "fsync", synced.append)
    disk.write_synced(tmp_path / "a.txt", b"one")
    assert len(synced) == 1
