"""Whatever goes wrong, the command line says it in one line, and its exit code is the right one."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

import small_takes
from takemill.base import plain
from takemill.base.errors import FileError
from takemill.shell import cli, commands
from takemill.shell.commands_takes import as_json


@pytest.fixture
def take(tmp_path):
    return small_takes.write(tmp_path)


@pytest.mark.parametrize(
    ("problem", "code", "line"),
    [
        (
            MemoryError("Unable to allocate 12.3 GiB for an array"),
            2,
            "out of memory: Unable to allocate 12.3 GiB",
        ),
        (MemoryError(), 2, "out of memory; these takes need about 0."),
        (RecursionError("maximum recursion depth"), 2, "nested too deeply"),
        (OSError(5, "Input/output error", "/disk/x"), 2, "the system refuses: /disk/x: Input/output error"),
        (FileError("take\x1b[31m.bvh: bad\nline"), 2, r"take\x1b[31m.bvh: bad line"),
        (KeyboardInterrupt(), 130, ""),
    ],
)
def test_what_is_left_comes_out_as_one_line(capsys, monkeypatch, take, problem, code, line):
    def fail(*_):
        raise problem

    monkeypatch.setattr(commands, "check", fail)
    assert cli.main(["check", str(take)]) == code
    out, err = capsys.readouterr()
    assert out == ""
    assert line in err
    assert err.count("\n") == bool(line)
    assert "Traceback" not in err


@pytest.mark.skipif(sys.platform != "linux", reason="RLIMIT_AS")
def test_out_of_memory_says_how_much_is_needed(take):
    """The kernel itself refuses: 100 MB for a take of 34 MB of text."""
    head, rows = take.read_text().split("MOTION\n")
    frames, time, *lines = rows.strip().split("\n")
    count = 34_000_000 // len("\n".join(lines)) + 1
    frames = f"Frames: {count * int(frames.split()[1])}"
    take.write_text("\n".join([f"{head}MOTION", frames, time, *(lines * count)]) + "\n")
    code = (
        "import resource, sys; from takemill.shell import commands, cli\n"
        "most = int(open('/proc/self/statm').read().split()[0]) * resource.getpagesize() + (100 << 20)\n"
        "resource.setrlimit(resource.RLIMIT_AS, (most, most))\n"
        f"sys.exit(cli.main(['check', {str(take)!r}]))"
    )
    env = os.environ | {"OPENBLAS_NUM_THREADS": "1"}
    done = subprocess.run([sys.executable, "-c", code], check=False, capture_output=True, text=True, env=env)
    assert done.returncode == 2, done.stderr
    assert done.stderr.count("\n") == 1
    assert done.stderr.startswith("takemill: out of memory")
    assert "these takes need about 0.9 GB" in done.stderr


@pytest.mark.skipif(os.name != "posix", reason="a device that is always full, and closed pipes")
def test_an_output_that_cannot_be_written_is_said_and_a_reader_that_leaves_is_none(take, tmp_path):
    command = f"{sys.executable} -m takemill"
    full = run(f"{command} recipe > /dev/full")
    assert full.returncode == 2
    assert full.stderr == "takemill: the system refuses: cannot write the output: No space left on device\n"
    pack = run(f"{command} pack {take} --out {tmp_path / 'set'} | true; exit ${{PIPESTATUS[0]}}")
    assert (pack.returncode, pack.stderr) == (0, "")
    verify = f"{command} verify {tmp_path / 'set'} | true; exit ${{PIPESTATUS[0]}}"
    assert (run(verify).returncode, run(verify).stderr) == (0, "")
    (tmp_path / "set" / "report.html").unlink()
    assert run(verify).returncode == 1
    assert run(f"{command} recipe >&-").returncode == 0
    assert run(f"{command} recipe 2>&- > /dev/null").returncode == 0


def run(command: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(["bash", "-c", command], check=False, capture_output=True, text=True)


def test_progress_goes_on_when_the_terminal_is_gone():
    class Gone:
        def isatty(self):
            return True

        def write(self, _):
            raise OSError(5, "Input/output error")

    line = cli.ProgressLine(Gone())
    line("reading", 0.1)
    line("reading", 0.2)
    line.clear()


ODD = "a\x1b[2Jb\u202ec\x9bd\x00e\udcfff"


def test_nothing_odd_reaches_a_terminal_a_page_or_a_program_raw():
    assert plain.printable(ODD) == r"a\x1b[2Jb\u202ec\x9bd\x00e\udcfff"
    assert plain.printable("Fähre, 渡し船\n") == "Fähre, 渡し船\n"
    assert as_json({"name": ODD}) == '{\n "name": "a\\u001b[2Jb\\u202ec\\u009bd\\u0000e\\udcfff"\n}'
    assert plain.html_text("<b>\x1b") == r"&lt;b&gt;\x1b"
    assert not any(map(plain.is_name, ("a\x1b[2J", "a\nb", "a\x9b", "a\udcff", "a\u2028b")))
    assert all(map(plain.is_name, ("Fähre", "渡し船", "a b", "क्\u200dष")))


def test_pages_have_one_way_to_show_text():
    core = Path(plain.__file__).parents[1]
    pages = [path for folder in ("pages", "sets", "files") for path in (core / folder).glob("*.py")]
    assert not [path.name for path in pages if "from html import" in path.read_text("utf-8")]
