"""Nothing that is packed depends on clock, folder, locale, threads, the order of hashes or the Python."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

import rigs
import small_takes
from need import need

RECIPE = 'files = "{files}"\n' + "".join(
    f'[[clip]]\nname = "{name}"\nfrom = {start}\nto = {stop}\nloop = {loop}\nroot_motion = "{root_motion}"\n'
    for name, start, stop, loop, root_motion in (
        ("gehen über die Fähre", 3.5, 8, "true", "root"),
        ("stand", 0, 1.9, "true", "in_place"),
        ("set off", 1.5, 4, "false", "keep"),
    )
)
PLACES = (
    (
        "here",
        {"LANG": "C", "TZ": "UTC", "PYTHONHASHSEED": "1", "PYTHONUTF8": "0", "OPENBLAS_NUM_THREADS": "1"},
    ),
    (
        "là bas/x y",
        {
            "LC_ALL": "tr_TR.UTF-8",
            "TZ": "Asia/Kathmandu",
            "PYTHONHASHSEED": "2",
            "PYTHONUTF8": "1",
            "OPENBLAS_NUM_THREADS": "4",
        },
    ),
)


def packed(python: str, folder: Path, place: dict[str, str], files: str, character: bool) -> dict[str, bytes]:
    """The files of a set, packed by an interpreter in a folder."""
    folder.mkdir(parents=True)
    small_takes.write(folder)
    (folder / "r.toml").write_text(RECIPE.format(files=files), encoding="utf-8")
    (folder / "walker.glb").write_bytes(rigs.character(small_takes.longer_arms().skeleton, scale=(2, 2, 2)))
    command = [python, "-m", "takemill", "pack", "walk.bvh", "--recipe", "r.toml", "--out", "set"]
    command += ["--to", "walker.glb"] if character else []
    done = subprocess.run(
        command, cwd=folder, env={**os.environ, **place}, capture_output=True, text=True, encoding="utf-8",
        errors="replace",
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    out = folder / "set"
    return {path.relative_to(out).as_posix(): path.read_bytes() for path in out.rglob("*") if path.is_file()}


@pytest.mark.parametrize(("files", "character"), [("one", False), ("separate", True)])
def test_two_folders_time_zones_locales_and_numbers_of_threads(tmp_path, files, character):
    one, other = (
        packed(sys.executable, tmp_path / folder, place, files, character) for folder, place in PLACES
    )
    assert one.keys() == other.keys()
    assert "clips.json" in one
    for name in one:
        assert one[name] == other[name], name
        for word in ("là bas", str(tmp_path), "Kathmandu"):
            assert word.encode() not in other[name], name


def test_another_python_with_another_numpy(tmp_path):
    """TAKEMILL_OTHER_PYTHON is an interpreter in which Takemill is installed, too; CI names one."""
    other = os.environ.get("TAKEMILL_OTHER_PYTHON")
    need(other, "another Python that has Takemill, named by TAKEMILL_OTHER_PYTHON")
    assert other is not None
    first = packed(sys.executable, tmp_path / "this", {}, "one", True)
    second = packed(other, tmp_path / "that", {}, "one", True)
    assert first.keys() == second.keys()
    for name in first:
        assert first[name] == second[name], name
