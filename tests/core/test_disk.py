"""A file is written whole or not at all."""

from __future__ import annotations

import os

import pytest

from takemill.base import disk
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
