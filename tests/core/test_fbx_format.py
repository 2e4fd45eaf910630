"""The head of a binary FBX, from bytes that a small writer of its own lays out."""

from __future__ import annotations

import contextlib

import pytest

from small_fbx import MAGIC, file_of
from takemill.base.errors import FileError
from takemill.files.fbx_format import read_fbx, without_time


@pytest.mark.parametrize("wide", [False, True])
@pytest.mark.parametrize(("mode", "rate"), [(9, 30 / 1.001), (6, 30.0), (14, 36.5)])
def test_rate_and_clips_are_read(wide, mode, rate):
    """Time modes as FBX's own SDK numbers them; 14 has its rate beside it. From memory, no source."""
    found = read_fbx(file_of(wide, mode, rate if mode == 14 else -1.0), "a.fbx")
    assert found.rate == rate
    assert found.clips == {"walk": (0.0, 1.5)}


def test_the_moment_of_writing_is_taken_out_and_nothing_else():
    early, late = file_of(False, 6, 30.0, hour=3), file_of(False, 6, 30.0, hour=21)
    cleared = without_time(late)
    assert without_time(early) == cleared
    changed = [place for place, (a, b) in enumerate(zip(late, cleared, strict=True)) if a != b]
    assert len(changed) == 2  # a byte of the year, one of the hour
    assert read_fbx(cleared, "a.fbx") == read_fbx(late, "a.fbx")


def test_a_file_that_is_cut_off_or_damaged_is_refused_or_read():
    whole = file_of(True, 9, 30.0)
    for length in range(0, len(whole), 7):
        with pytest.raises(FileError, match="no whole binary FBX"):
            read_fbx(whole[: min(length, len(whole) - 700)], "a.fbx")
    for place in range(len(MAGIC), len(whole), 3):
        damaged = bytearray(whole)
        damaged[place] ^= 0xFF
        for verb in (lambda data: read_fbx(data, "a.fbx"), without_time):
            with contextlib.suppress(FileError):
                verb(bytes(damaged))
