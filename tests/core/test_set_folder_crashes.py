"""Whatever call is the last one, the next run finds the old set or the new one, and nothing is lost.

A model, not a sample: each call that changes the disk is cut off in turn, by injection (`crashes.py`), for
packs that add, drop and rename clips, with the user's files, edited ones and some that are saved meanwhile.
"""

from __future__ import annotations

import atexit
import contextlib
import json
import os
import shutil
import tempfile
from collections.abc import Iterator
from functools import cache
from pathlib import Path

import pytest

import crashes
from crashes import CutError, Disk, Model
from set_folders import a_list, a_set, contents
from takemill.base.errors import FileError
from takemill.sets.set_folder import LIST, replace_folder, replace_folders, unfinished
from takemill.sets.set_list import is_sealed

pytestmark = [
    pytest.mark.once,
    pytest.mark.skipif(os.name != "posix", reason="folders that change places, and locks of files"),
]

OLD = a_set("old", "ferry.glb", "walk.glb", "single/run.glb", "report.html")
NEW = {name: data for name, data in OLD.items() if name in ("ferry.glb", "report.html")}
NEW |= {"single/dash.glb": OLD["single/run.glb"], "turn.glb": b"new turn" * 50, "report.html": b"new report"}
NEW |= {LIST: a_list("new", NEW)}
"""One clip added, one dropped, one renamed, one as it was."""

BESIDE = a_set("beside", "other.glb")
"""What any other run packs beside them."""

USERS = {"notes.txt": b"mine", "single/mine.txt": b"also mine", "deep/er/a.import": b"an engine's"}
EDITED = {"report.html": OLD["report.html"].replace(b"old", b"my "), "walk.glb": b"edited walk"}
SAVED = {"notes.txt": b"saved meanwhile", "turn.glb": b"of another program", "fresh.txt": b"fresh"}
HOW = ("kill", "fail", "interrupt", "interrupt after")
PLACES = {"one": ("ferry",), "group": ("ferry", "mate")}
CASES = [
    pytest.param(kind, swaps, how, marks=[pytest.mark.long] * (kind == "group" and how != "kill"))
    for kind in PLACES
    for swaps in (True, False)
    for how in HOW
]


@pytest.fixture(autouse=True)
def no_wait_for_the_disk(monkeypatch):
    """The model says what a sync is worth; to wait for a real one at each of the points shows nothing."""
    monkeypatch.setattr(os, "fsync", os.fstat)
    monkeypatch.setitem(crashes.REAL, "fsync", os.fstat)


@pytest.fixture
def tmp_path(tmp_path):
    """In memory where the system has a disk there: elsewhere so many small files take far longer."""
    memory = Path("/dev/shm")
    if not os.access(memory, os.W_OK):
        yield tmp_path
        return
    with tempfile.TemporaryDirectory(dir=memory) as place:
        yield Path(place)


def prepared(parent: Path, names: tuple[str, ...]) -> dict[Path, dict[str, bytes]]:
    """Folders with old sets and files of the user's; what is to become of them."""
    for name in names:
        shutil.copytree(_first_prepared(), parent / name, symlinks=True)
    return {parent / name: NEW for name in names}


@cache
def _first_prepared() -> Path:
    """One such folder, of which all others are copies."""
    place = Path(tempfile.mkdtemp()) / "ferry"
    atexit.register(shutil.rmtree, place.parent)
    replace_folder(place, OLD)
    for file, data in {**USERS, **EDITED}.items():
        (place / file).parent.mkdir(parents=True, exist_ok=True)
        (place / file).write_bytes(data)
    os.symlink("notes.txt", place / "link")
    (place / "empty").mkdir()
    return place


def save(place: Path) -> None:
    """As another program does: beside it, synced, and renamed."""
    for name, data in SAVED.items():
        beside = place / f"{name}.saving"
        handle = os.open(beside, os.O_WRONLY | os.O_CREAT | os.O_EXCL)
        os.write(handle, data)
        os.fsync(handle)
        os.close(handle)
        os.rename(beside, place / name)
    handle = os.open(place, os.O_RDONLY)
    os.fsync(handle)
    os.close(handle)


def which(place: Path) -> str:
    """The set whose list lies there, every file of which is as it states."""
    found = contents(place)
    said = json.loads(found[LIST])
    assert is_sealed(said)
    wanted = {"old": OLD, "new": NEW}[said["mark"]]
    return said["mark"] if all(found.get(name) == data for name, data in wanted.items()) else "torn"


def expect_all(place: Path, saved: bool = False) -> str:
    """The old set or the new one, all of the user's bytes, and nothing else."""
    found = contents(place)
    said = json.loads(found[LIST])
    assert is_sealed(said)
    wanted = {"old": OLD, "new": NEW}[said["mark"]]
    bad = [name for name, data in wanted.items() if found.get(name) != data and name not in (*EDITED, *SAVED)]
    assert not bad, (said["mark"], bad)
    rest = sorted(data for name, data in found.items() if found[name] != wanted.get(name) and name != "link")
    mine = sorted((USERS | (SAVED if saved else {})).values()) + sorted(EDITED.values())
    assert set(rest) - {USERS["notes.txt"]} == set(mine) - {USERS["notes.txt"]}, said["mark"]
    assert len(rest) <= len(mine) + saved
    assert os.readlink(place / "link") == "notes.txt"
    assert (place / "empty").is_dir()
    return str(said["mark"])


def expect_clean(parent: Path, *names: str) -> None:
    assert sorted(os.listdir(parent)) == sorted(names)


def cut(todo: dict, disk: Disk) -> bool:
    """Replace folders until the disk stops; whether it went through."""
    with disk.watching(), contextlib.suppress(CutError, FileError, KeyboardInterrupt):
        replace_folders(todo)
        return True
    return False


def each_cut(tmp_path: Path, kind: str, how: str, swaps: bool = True) -> Iterator[tuple[Path, dict, bool]]:
    """Folders that were being replaced when one call after the other was cut off, and whether it went on."""
    for stop in range(1, 1000):
        parent, disk = tmp_path / str(stop), Disk(stop, how, swaps=swaps)
        todo = prepared(parent, PLACES[kind])
        went_on = cut(todo, disk)
        if disk.count < stop:
            assert went_on
            assert stop > 60
            shutil.rmtree(parent)
            return
        yield parent, todo, went_on
        shutil.rmtree(parent)
    raise AssertionError("it does not end")


@pytest.mark.parametrize(("kind", "swaps", "how"), CASES)
def test_cut_off_at_each_call_the_next_run_finds_the_old_set_or_the_new_one(tmp_path, how, swaps, kind):
    seen = set()
    for parent, todo, went_on in each_cut(tmp_path, kind, how, swaps):
        expect_next_run(parent, todo, swaps)
        seen.add(expect_all(next(iter(todo))))
        assert not went_on or expect_all(next(iter(todo))) == "new"
    assert seen == {"old", "new"}


def expect_next_run(parent: Path, todo: dict, swaps: bool = True, saved: bool = False) -> None:
    """Any run beside it puts all right; the old recipe can be packed again, and the new one."""
    before = [place.exists() and json.loads((place / LIST).read_bytes())["mark"] for place in todo]
    assert all(before) or not swaps
    assert unfinished(parent) == (len(set(before)) > 1 or not all(before)) or len(todo) == 1
    replace_folder(parent / "other", BESIDE)
    shutil.rmtree(parent / "other")
    expect_clean(parent, *(place.name for place in todo))
    assert len({expect_all(place, saved) for place in todo}) == 1
    assert not unfinished(parent)


@pytest.mark.parametrize("kind", ["one", pytest.param("group", marks=pytest.mark.long)])
@pytest.mark.parametrize("how", ["kill", pytest.param("fail", marks=pytest.mark.long)])
def test_the_old_recipe_and_the_new_one_can_be_packed_after_each_cut(tmp_path, how, kind):
    for files in (OLD, NEW):
        for parent, todo, _ in each_cut(tmp_path, kind, how):
            replace_folders(dict.fromkeys(todo, files))
            expect_clean(parent, *PLACES[kind])
            assert {expect_all(place) for place in todo} == {"old" if files is OLD else "new"}
            assert all(which(place) != "torn" for place in todo)


def moments(tmp_path: Path) -> int:
    """How many calls a pack makes, one of which another program saves before."""
    disk = Disk()
    cut(prepared(tmp_path / "count", ("ferry",)), disk)
    return disk.count


def saving(place: Path, at: int):
    def hook(count: int, _: str) -> None:
        if count == at and place.exists():
            save(place)

    return hook


def test_what_is_saved_before_any_call_is_there_in_the_end(tmp_path):
    for at in range(1, moments(tmp_path) + 1):
        parent = tmp_path / str(at)
        todo = prepared(parent, ("ferry",))
        went_through = cut(todo, Disk(hook=saving(parent / "ferry", at)))
        expect_clean(parent, "ferry")
        found = expect_all(parent / "ferry", saved=True)
        assert found == ("new" if went_through else "old")
        assert went_through or at < 5  # it was saved under a name that the new set wants, and that was seen
        shutil.rmtree(parent)


def cut_while_saving(tmp_path: Path, at: int, stops) -> None:
    for stop in stops:
        parent = tmp_path / f"{at}-{stop}"
        todo = prepared(parent, ("ferry",))
        cut(todo, Disk(stop, hook=saving(parent / "ferry", at)))
        expect_next_run(parent, todo, saved=True)
        shutil.rmtree(parent)


def test_what_is_saved_before_the_change_of_places_survives_each_cut(tmp_path):
    calls: list[str] = []
    cut(prepared(tmp_path / "count", ("ferry",)), Disk(hook=lambda _, name: calls.append(name)))
    at = calls.index("exchange") + 1
    cut_while_saving(tmp_path, at, range(at, len(calls) + 1))


@pytest.mark.long
def test_what_is_saved_before_any_call_survives_each_cut(tmp_path):
    count = moments(tmp_path)
    for at in range(1, count + 1):
        cut_while_saving(tmp_path, at, range(at, count + 1))


@pytest.mark.parametrize("saved", [False, True], ids=["alone", "saved meanwhile"])
@pytest.mark.parametrize("kind", PLACES)
def test_a_power_cut_leaves_the_old_set_or_the_new_one(tmp_path, kind, saved):
    """What was not synced is forgotten, at each point; states that are alike are tried once."""
    parent = tmp_path / "run"
    todo = prepared(parent, PLACES[kind])
    model, synced = Model(parent), []
    disk = Disk(model=model)

    def hook(_: int, name: str) -> None:
        if saved and name == "exchange" and not synced:
            for place in todo:
                save(place)
            synced.append(len(model.events))

    disk.hook = hook
    assert cut(todo, disk)
    tried, seen = set(), set()
    for stop, policy, trees, data in model.states():
        state = repr((sorted((k, sorted(v.items())) for k, v in trees.items()), sorted(data.items())))
        if state in tried or stop < min(synced, default=0):
            continue
        tried.add(state)
        again = tmp_path / f"{stop}-{policy}"
        model.write(trees, data, again)
        places = {again / place.name: NEW for place in todo}
        replace_folder(again / "other", BESIDE)
        shutil.rmtree(again / "other")
        expect_clean(again, *PLACES[kind])
        marks = {expect_all(place, saved) for place in places}
        assert len(marks) == 1
        seen |= marks
        shutil.rmtree(again)
    assert len(tried) > 20
    assert seen == ({"new"} if saved and kind == "group" else {"old", "new"})  # which is listed by then
