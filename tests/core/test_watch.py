"""A watched folder: what is saved there, however it is saved, and what is shown of it, to whom."""

from __future__ import annotations

import http.client
import json
import os
import shutil
import signal
import subprocess
import sys
from concurrent.futures import Executor, Future
from contextlib import contextmanager
from pathlib import Path

import pytest

import small_shoots
import small_takes
from need import need
from takemill.base.errors import InputError
from takemill.shoot.shoot_file import read_shoot
from takemill.watch import watcher
from takemill.watch.file_changes import wake_ups
from takemill.watch.loopback import Board, served
from takemill.watch.session import Session, TakeVerdict, UnreadTake
from takemill.watch.watcher import Shown, Watcher


class AtOnce(Executor):
    """Does what it is handed while it is handed it."""

    def submit(self, fn, /, *args, **kwargs):
        done: Future = Future()
        done.set_result(fn(*args, **kwargs))
        return done


@contextmanager
def at_once():
    yield AtOnce()


class Set:
    """A folder that is watched, and a clock."""

    def __init__(self, folder: Path, shoot: Path | None = None) -> None:
        folder.mkdir(exist_ok=True)
        self.folder, self.now = folder, 0.0
        self.watcher = Watcher(folder, read_shoot(shoot) if shoot else None, at_once, 1)

    def wait(self, seconds: float) -> None:
        for _ in range(round(seconds / 0.5)):
            self.now += 0.5
            self.watcher.step(self.now)

    @property
    def verdicts(self) -> dict[str, tuple[str, str]]:
        return {one.name: (one.verdict, one.reason) for one in self.watcher.shown.session.verdicts}


@pytest.fixture(scope="module")
def take(tmp_path_factory) -> bytes:
    return small_takes.write(tmp_path_factory.mktemp("take"), motion=small_shoots.short_idle()).read_bytes()


KEPT = ("keep", "nothing was found")


def test_a_take_is_judged_within_five_seconds_of_its_last_byte_however_it_is_written(tmp_path, take):
    place = Set(tmp_path / "takes")
    path = place.folder / "slow.bvh"
    for end in range(0, len(take), len(take) // 7):  # slowly: never still for long
        path.write_bytes(take[: end + len(take) // 7])
        place.wait(0.5)
        assert place.verdicts == {}
        assert place.watcher.shown.under_way == ("slow.bvh",)
    place.wait(2)
    assert place.verdicts == {"slow": KEPT}
    halves = place.folder / "halves.bvh"  # in two parts: the first is no take yet, and nobody says so
    halves.write_bytes(take[:5000])
    place.wait(3)
    assert (place.verdicts, place.watcher.shown.under_way) == ({"slow": KEPT}, ("halves.bvh",))
    halves.write_bytes(take)
    place.wait(2)
    assert place.verdicts == {"slow": KEPT, "halves": KEPT}
    hidden = place.folder / ".renamed.bvh.part"
    hidden.write_bytes(take)
    place.wait(2)
    hidden.rename(place.folder / "renamed.bvh")
    place.wait(2)
    assert place.verdicts["renamed"] == KEPT
    (place.folder / "slow.bvh").unlink()
    place.wait(0.5)
    assert set(place.verdicts) == {"halves", "renamed"}


def test_what_is_no_take_is_said_and_judged_again_when_it_changes(tmp_path, take):
    place = Set(tmp_path / "takes")
    bad = place.folder / "bad.bvh"
    bad.write_bytes(take[:5000])
    place.wait(5)
    verdict, reason = place.verdicts["bad"]
    assert verdict == "shoot again"
    assert reason.startswith("it cannot be read: bad.bvh, line ")
    (place.folder / "notes.txt").write_text("no take")
    (place.folder / "folder.bvh").mkdir()
    bad.write_bytes(take)
    place.wait(2)
    assert place.verdicts == {"bad": KEPT}
    small_takes.write(place.folder, "odd.bvh", small_takes.longer_arms().slice(0, 90))
    small_takes.write(place.folder, "ok.bvh", small_shoots.short_idle())
    for number, name in enumerate(("bad", "odd", "ok")):
        os.utime(place.folder / f"{name}.bvh", (1000 + number, 1000 + number))
    place.wait(4)
    assert list(place.verdicts) == ["bad", "odd", "ok"], "in the order in which they were saved"
    assert place.verdicts["odd"][1].startswith("another skeleton than bad: ")
    shutil.move(place.folder, tmp_path / "away")
    place.wait(0.5)
    assert "cannot be read" in place.watcher.shown.trouble
    assert len(place.verdicts) == 3
    shutil.move(tmp_path / "away", place.folder)
    place.wait(0.5)
    assert (place.watcher.shown.trouble, len(place.verdicts)) == ("", 3)


def test_of_200_takes_the_one_saved_last_is_judged_first(tmp_path, monkeypatch):
    judged: list[str] = []

    def judge(path, shoot):
        assert shoot is None
        judged.append(Path(path).stem)
        return (UnreadTake(Path(path).stem, "x"),)

    monkeypatch.setattr(watcher, "judge_file", judge)
    place = Set(tmp_path / "takes")
    for number in range(200):
        path = place.folder / f"take_{number:03}.bvh"
        path.write_bytes(b"")
        os.utime(path, (1000 + number, 1000 + number))
    place.wait(20)
    (place.folder / "now.bvh").write_bytes(b"")
    place.wait(2)
    assert judged[:2] == ["take_199", "take_198"]
    assert "now" in judged[-3:], "it does not wait for those before it"
    place.wait(100)
    assert len(place.verdicts) == 201


def test_a_shoot_file_says_how_takes_are_read_and_what_is_to_be_shot(tmp_path):
    shoot = small_shoots.write_shoot(tmp_path, '[shots]\na_rest = "idle"\nb = "strike"\njump = ""\n')
    place = Set(tmp_path / "takes", shoot)
    place.wait(6)
    assert place.verdicts == dict.fromkeys("abc", KEPT)
    lacking = place.watcher.shown.session.lacking
    assert [(one.name, one.why) for one in lacking] == [("b", "b holds no strike"), ("jump", "")]
    (tmp_path / "takes/c.toml").write_text("rate = fast")
    (tmp_path / "takes/c.bvh").touch()
    place.wait(5)
    assert "c.toml" in place.verdicts["c"][1]
    shoot.write_text(small_shoots.SHOOT + '[shots]\na = "dance"\n')
    with pytest.raises(InputError.__base__, match=r"\[shots\] a: expected a kind, one of idle"):
        read_shoot(shoot)


def ask(address: str, path: str, host: str = "", verb: str = "GET"):
    own = address.split("/")[2]
    connection = http.client.HTTPConnection(own, timeout=20)
    connection.putrequest(verb, path, skip_host=True)
    connection.putheader("Host", host or own)
    connection.endheaders()
    answer = connection.getresponse()
    body = answer.read().decode()
    connection.close()
    return answer, body


def test_the_page_is_for_this_machine_and_its_own_name_alone():
    shown = Shown("<takes>", Session((TakeVerdict("<b>", "look", ("<i> froze",), 3.0),)))
    board = Board(shown)
    with served(board, 0) as address:
        assert address.startswith("http://127.0.0.1:")
        port = address.rstrip("/").rpartition(":")[2]
        answer, page = ask(address, "/")
        assert answer.status == 200
        assert "&lt;b&gt;" in page
        assert "<i>" not in page
        assert "default-src 'none'" in answer.headers["Content-Security-Policy"]
        assert ask(address, "/", f"localhost:{port}")[0].status == 200
        for host in ("evil.example", f"evil.example:{port}", "127.0.0.1", f"127.0.0.1:{int(port) + 1}"):
            answer, body = ask(address, "/news", host)
            assert answer.status == 421, "DNS rebinding: a page elsewhere whose name leads here"
            assert "froze" not in body
        version = ask(address, "/news")[0].headers["X-Version"]
        assert ask(address, f"/news?since={version}")[0].status == 204
        board.show(Shown("takes", Session()))
        answer, body = ask(address, f"/news?since={version}")
        assert (answer.status, "Waiting" in body) == (200, True)
        assert ask(address, "/watch.js")[0].status == 200
        assert ask(address, "/../etc/passwd")[0].status == 404
        assert ask(address, "/", verb="HEAD")[1] == ""
        assert ask(address, "/", verb="POST")[0].status == 501
        with pytest.raises(InputError, match="name another"), served(board, int(port)):
            pass


def test_watching_without_its_library_says_the_way_out(tmp_path, monkeypatch):
    monkeypatch.setitem(sys.modules, "watchfiles", None)
    with pytest.raises(InputError, match=r'pip install "\.\[watch\]"'):
        next(wake_ups([tmp_path], 0.1, None))


@pytest.mark.once
def test_the_command_says_a_verdict_as_a_take_is_saved_and_ends_by_ctrl_c(tmp_path, take):
    import importlib.util

    need(importlib.util.find_spec("watchfiles"), "watchfiles (PyPI)")
    command = [sys.executable, "-m", "takemill", "watch", str(tmp_path), "--json", "--port", "0"]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as process:
        lines = map(json.loads, process.stdout)
        assert next(lines)["page"].startswith("http://127.0.0.1:")
        (tmp_path / "a.bvh").write_bytes(take)
        said = next(lines)
        assert (said["event"], said["name"], said["verdict"]) == ("take", "a", "keep")
        process.send_signal(signal.SIGINT)
        assert process.wait(60) == 130
