"""Several folders of files are replaced together, and a run that was killed between two is finished."""

from __future__ import annotations

import json
import os
import shutil
from pathlib import Path

import pytest

from set_folders import NEW, OLD, contents, expect_whole, killed_at_random, old_set, only
from takemill.base.errors import FileError, InputError
from takemill.sets import set_folder_stage
from takemill.sets.set_folder import LIST, replace_folder, replace_folders, unfinished


def full(*_):
    raise OSError(28, "No space left on device")


@pytest.fixture
def pair(tmp_path):
    """Two old sets side by side, both with files of others."""
    place = old_set(tmp_path)
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
    exchange, rename, seen = set_folder_stage._swap_folders, os.rename, []

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
        monkeypatch.setattr(set_folder_stage, "_swap_folders", refuse_the_second(exchange))
    else:
        monkeypatch.setattr(set_folder_stage, "_swap_folders", lambda *_: False)
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
def test_killed_at_random_moments_several_sets_are_of_one_kind_after_the_next_run(pair):
    marks = []
    for _ in killed_at_random(24, 2, *pair):
        replace_folder(pair[0].parent / "other", OLD)
        marks.append(mark(pair[0]))
        assert marks[-1] == mark(pair[1])
    assert set(marks) == {"old", "new"}


def test_sets_that_another_process_changes_just_now_are_left_to_it(pair):
    """Its list stands, and it still holds the lock."""
    parent = pair[0].parent
    with set_folder_stage.staging_folder(parent) as folder:
        set_folder_stage.Stage.fill(folder, pair[0], NEW)
        (folder / "group.json").write_text(json.dumps([{"stage": folder.name}]))
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
