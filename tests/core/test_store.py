"""The store of a build: entries by key, whole or not there."""

from __future__ import annotations

import os

import numpy as np
import pytest

from takemill.base.errors import FileError
from takemill.shoot.file_digests import FileDigests
from takemill.shoot.store import Store

KEY, OTHER = "ab" + 62 * "0", "cd" + 62 * "0"


def entry(store):
    (path,) = (path for path in store.folder.rglob("*") if path.is_file())
    return path


def test_what_is_put_is_got_by_any_who_look(tmp_path):
    Store(tmp_path).put("made", KEY, {"a": (1, np.arange(3))})
    again = Store(tmp_path).get("made", KEY)
    assert again["a"][1].tolist() == [0, 1, 2]
    assert Store(tmp_path).get("made", OTHER) is None
    assert Store(tmp_path).get("set", KEY) is None


def test_a_flipped_bit_anywhere_makes_it_no_entry(tmp_path):
    store = Store(tmp_path)
    store.put("made", KEY, ["a", 1.5])
    whole = entry(store).read_bytes()
    for place in range(len(whole)):
        entry(store).write_bytes(whole[:place] + bytes([whole[place] ^ 16]) + whole[place + 1 :])
        assert store.get("made", KEY) is None, place
    for place in range(len(whole)):
        entry(store).write_bytes(whole[:place])
        assert store.get("made", KEY) is None, place
    entry(store).write_bytes(whole)
    assert store.get("made", KEY) == ["a", 1.5]


def test_what_nothing_stands_on_goes(tmp_path):
    store = Store(tmp_path)
    for kind, key in (("made", KEY), ("made", OTHER), ("set", KEY)):
        store.put(kind, key, 1)
    store.forget_others({("made", KEY)})
    assert [store.get(*one) for one in (("made", KEY), ("made", OTHER), ("set", KEY))] == [1, None, None]


def test_a_disk_that_refuses_is_told(tmp_path):
    (tmp_path / ".takemill").write_text("")
    with pytest.raises(FileError, match="cannot write"):
        Store(tmp_path).put("made", KEY, 1)


def test_a_file_is_read_again_when_its_size_or_time_changed_or_it_is_young(tmp_path):
    (tmp_path / ".takemill").mkdir()
    file = tmp_path / "a"
    file.write_bytes(b"one")
    os.utime(file, ns=(0, 10**18))
    digests = FileDigests(tmp_path)
    first = digests.of(file)
    digests.save()
    file.write_bytes(b"two")
    os.utime(file, ns=(0, 10**18))
    assert FileDigests(tmp_path).of(file) == first, "as old and as long as before: not read"
    os.utime(file, ns=(0, 10**18 + 1))
    second = FileDigests(tmp_path).of(file)
    assert second != first
    file.write_bytes(b"six")  # now: its time says nothing yet
    young = FileDigests(tmp_path)
    third = young.of(file)
    young.save()
    status = os.stat(file)
    file.write_bytes(b"ten")
    os.utime(file, ns=(status.st_atime_ns, status.st_mtime_ns))
    assert FileDigests(tmp_path).of(file) != third


def test_a_folder_holds_files_or_not(tmp_path):
    (tmp_path / ".takemill").mkdir()
    (tmp_path / "a").write_bytes(b"one")
    digests = FileDigests(tmp_path)
    known = {"a": digests.of(tmp_path / "a")}
    assert digests.holds(tmp_path, known)
    assert not digests.holds(tmp_path, {"b": known["a"]})
    assert not digests.holds(tmp_path, {"a": "0"})
    with pytest.raises(FileError, match="cannot read"):
        digests.of(tmp_path / "b")
