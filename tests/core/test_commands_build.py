"""`takemill build`: what it prints and its exit codes."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time
from importlib.util import find_spec

import pytest

import small_shoots
from need import need
from takemill.shell import build_progress, cli
from takemill.shoot.run_jobs import Step


@pytest.fixture
def shoot(tmp_path):
    return small_shoots.write_shoot(tmp_path, count=2)


def run(shoot, *more):
    return cli.main(["build", str(shoot), "--out", str(shoot.parent / "out"), *map(str, more)])


def test_it_says_what_it_would_make_makes_it_and_says_what_it_made(shoot, capsys):
    assert run(shoot, "--dry-run") == 0
    out = capsys.readouterr().out
    assert "courier: a: it is new\n" in out
    assert out.endswith("2 of 2 takes would be made, for courier, tall\n")
    assert not (shoot.parent / "out").exists()
    assert run(shoot, "--workers", 1, "--json") == 0
    *steps, said = map(json.loads, capsys.readouterr().out.splitlines())
    assert [(one["event"], one["job"]) for one in steps] == [
        ("begins", "a"), ("done", "a"), ("begins", "b"), ("done", "b")
    ]  # fmt: skip
    assert (said["event"], said["missing"], said["kept"], len(said["made"])) == ("built", [], 0, 4)
    assert run(shoot, "--dry-run") == 0
    assert capsys.readouterr().out == "nothing to do: all is as it would be made\n"
    assert run(shoot, "--dry-run", "--json") == 0
    assert json.loads(capsys.readouterr().out)["to_make"] == []
    (shoot.parent / "takes/a.bvh").write_text("HIERARCHY\n")
    assert run(shoot, "--workers", 1) == 1
    out, err = capsys.readouterr()
    assert err.startswith("1 of 1: a: missing: a: ")
    assert "missing: a: " in out
    assert "left over: courier/a: no take makes it; delete it" in out
    assert out.endswith(f"0 sets made, 2 as they were; 2 clips in 2 sets in {shoot.parent / 'out'}\n")


@pytest.mark.parametrize("more", [("--workers", "0"), ("--workers", "9999"), ("--memory", "0")])
def test_numbers_that_make_no_sense_are_refused(shoot, capsys, more):
    assert run(shoot, *more) == 2
    assert more[0] in capsys.readouterr().err


def test_settings_that_no_result_looks_at_are_told(shoot, capsys):
    shoot.write_text('takes = ["takes/*.bvh"]\n[settings.fit]\nplant_feet = false\n')
    assert run(shoot, "--dry-run") == 0
    assert "[fit] of the recipe: not used" in capsys.readouterr().out
    shoot.write_text(small_shoots.SHOOT + "[settings.springs]\nfind = true\n")
    assert run(shoot, "--dry-run") == 0
    assert "[springs] are those of the take's own skeleton" in capsys.readouterr().out


def test_ctrl_c_ends_at_once_and_the_next_build_goes_on(shoot, tmp_path):
    command = [
        sys.executable,
        "-m",
        "takemill",
        "build",
        str(shoot),
        "--out",
        str(tmp_path / "out"),
        "--json",
    ]
    process = subprocess.Popen(command, stdout=subprocess.PIPE, text=True)
    assert json.loads(process.stdout.readline())["event"] == "begins"
    time.sleep(1)
    process.send_signal(signal.SIGINT)
    begun = time.monotonic()
    assert process.wait(20) == 130
    assert time.monotonic() - begun < 10
    process.stdout.close()
    small_shoots.build(shoot)
    again = tmp_path / "undisturbed"
    small_shoots.build_shoot(shoot, again, small_shoots.HERE)
    assert small_shoots.results(tmp_path / "out") == small_shoots.results(again)


class Terminal:
    """A stream that says it is a terminal."""

    def __init__(self) -> None:
        self.text = ""

    def isatty(self):
        return True

    def write(self, text):
        self.text += text

    def flush(self):
        pass


def test_a_terminal_shows_the_takes_under_way(monkeypatch):
    need(find_spec("rich"), "bars on a terminal: pip install .[progress]")
    monkeypatch.setenv("TERM", "xterm")
    monkeypatch.setenv("COLUMNS", "100")
    stream = Terminal()
    with build_progress.shown(stream, False) as on_step:
        on_step(Step("begins", "jab_[03]", 0, 2))
        on_step(Step("missing", "jab_[03]", 1, 2, "it is broken"))
    assert "jab_[03]" in stream.text
    assert "1/2" in stream.text
    assert "1 of 2: jab_[03]: missing: it is broken" in stream.text


def test_without_the_library_there_are_lines(monkeypatch):
    monkeypatch.setitem(sys.modules, "rich", None)
    stream = Terminal()
    with build_progress.shown(stream, False) as on_step:
        on_step(Step("begins", "a", 0, 2))
        on_step(Step("done", "a", 1, 2))
    assert stream.text == "1 of 2: a\n"


def test_a_cluster_that_does_not_answer_is_told(shoot, capsys, monkeypatch):
    monkeypatch.setitem(sys.modules, "distributed", None)
    assert run(shoot, "--scheduler", "tcp://127.0.0.1:9") == 2
    assert 'pip install ".[farm]"' in capsys.readouterr().err
    assert os.listdir(shoot.parent) != []
    assert not (shoot.parent / "out").exists()


def test_a_dry_run_that_should_go_on_is_refused(shoot, capsys):
    assert run(shoot, "--watch", "--dry-run") == 2
    assert "leave one of the two out" in capsys.readouterr().err


def test_a_watched_build_makes_what_changed_as_it_is_saved(shoot, capsys, monkeypatch):
    """By the same build; its own results wake it up as well, and count for nothing."""
    other = shoot.parent.parent / f"{shoot.parent.name}_more"
    other.mkdir()
    shoot.write_text(shoot.read_text().replace("[", f'["{other}/**/*.bvh", ', 1))
    small_shoots.write_takes(other, 1)
    (other / "takes/a.bvh").rename(other / "takes/z.bvh")
    (other / "takes/a.toml").unlink()
    third = shoot.parent.parent / f"{shoot.parent.name}_third"
    small_shoots.write_takes(third, 1)
    (third / "takes/a.bvh").rename(third / "takes/y.bvh")
    (third / "takes/a.toml").unlink()
    asked = []

    def wakes(folders, quiet_s, _stop, _poll, recursive):
        asked.append((folders, quiet_s, recursive))
        yield frozenset()
        if len(asked) > 1:
            return
        yield frozenset()
        yield frozenset({shoot.parent / "out/courier/a/clips.json", shoot.parent / ".half.bvh"})
        recipe = shoot.parent / "takes/b.toml"
        recipe.write_text("rate = [")
        yield frozenset({recipe})
        recipe.write_text(small_shoots.IDLE.format("b_rest", 1.4))
        yield frozenset({recipe})
        shoot.write_text(shoot.read_text().replace("[", f'["{third}/**/*.bvh", ', 1))
        yield frozenset({shoot})
        raise AssertionError("a folder that the shoot file has gained is not watched")

    monkeypatch.setattr("takemill.shell.commands_build.wake_ups", wakes)
    monkeypatch.setattr(
        "takemill.shoot.build_shoot.local_processes", lambda _: small_shoots.HERE.open_executor()
    )
    assert run(shoot, "--watch", "--workers", 1) == 0
    out, err = capsys.readouterr()
    assert asked == [
        ([shoot.parent, other], 1.0, True),
        ([shoot.parent, third, other], 1.0, True),
    ]
    made = [line.partition(" sets made")[0] for line in out.splitlines() if " sets made" in line]
    assert made == ["6", "2", "2"]
    assert "b.toml" in err
    assert "going on when something is saved" in err
