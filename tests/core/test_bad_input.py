"""Bad input gets one line, exit code 2, and nothing written."""

from __future__ import annotations

import os
import re
from pathlib import Path

import pytest

import small_takes
from takemill.sets import packing
from takemill.shell import cli


@pytest.fixture(scope="module")
def good(tmp_path_factory) -> str:
    return small_takes.write(tmp_path_factory.mktemp("takes")).read_text()


@pytest.fixture
def place(tmp_path, monkeypatch, good):
    """A working folder with a good take."""
    (tmp_path / "good.bvh").write_text(good)
    monkeypatch.chdir(tmp_path)
    return tmp_path


def everything(folder: Path) -> dict[str, bytes]:
    return {
        str(path.relative_to(folder)): path.read_bytes() if path.is_file() else b""
        for path in folder.rglob("*")
    }


def expect_refusal(capsys, folder: Path, message: str, *arguments: str) -> None:
    before = everything(folder)
    assert cli.main(arguments) == 2
    out, err = capsys.readouterr()
    assert out == ""
    assert err.startswith("takemill: ")
    assert err.count("\n") == 1, "one line"
    assert re.search(message, err), err
    assert everything(folder) == before, "nothing is written"


def damaged(text: str, how: str) -> bytes:
    lines = text.splitlines()
    first = next(k for k, line in enumerate(lines) if line.startswith("Frame Time")) + 1
    frames = next(k for k, line in enumerate(lines) if line.startswith("Frames"))
    if how == "truncated":
        lines = lines[: first + 20]
    elif how == "cut in a line":
        return text[: len(text) // 2].encode()
    elif how == "cut in the hierarchy":
        lines = lines[:20]
    elif how == "too few numbers":
        lines[first + 3] = " ".join(lines[first + 3].split()[:-1])
    elif how == "wrong channel count":
        lines = [line.replace("CHANNELS 3", "CHANNELS 4") for line in lines]
    elif how == "nan":
        lines[first + 3] = lines[first + 3].replace(lines[first + 3].split()[4], "nan", 1)
    elif how == "infinite":
        lines[first + 3] = lines[first + 3].replace(lines[first + 3].split()[4], "1e999", 1)
    elif how == "zero frames":
        lines = [*lines[:frames], "Frames: 0", *lines[frames + 1 : first]]
    elif how == "a claim of 2 GB":
        lines[frames] = "Frames: 2000000000"
    elif how == "empty":
        return b""
    elif how == "not a BVH":
        return bytes(range(256)) * 20
    elif how == "no time":
        lines[first - 1] = "Frame Time: 0"
    return "\n".join(lines).encode()


DAMAGE = {
    "truncated": "bad.bvh",
    "cut in a line": "bad.bvh",
    "cut in the hierarchy": "bad.bvh",
    "too few numbers": r"bad.bvh.*line \d+",
    "wrong channel count": r"bad.bvh.*line \d+",
    "nan": r"bad.bvh.*line \d+.*nan",
    "infinite": r"bad.bvh.*line \d+.*inf",
    "zero frames": "bad.bvh.*frames",
    "a claim of 2 GB": "bad.bvh.*2000000000",
    "empty": "bad.bvh.*empty",
    "not a BVH": "bad.bvh",
    "no time": r"bad.bvh.*line \d+",
}


@pytest.mark.parametrize("how", DAMAGE)
def test_damaged_takes(capsys, place, good, how):
    (place / "bad.bvh").write_bytes(damaged(good, how))
    for arguments in (
        ("check", "bad.bvh"), ("repair", "bad.bvh", "-o", "new.bvh"),
        ("cuts", "bad.bvh"), ("loops", "bad.bvh"), ("pack", "good.bvh", "bad.bvh", "--out", "set"),
    ):  # fmt: skip
        expect_refusal(capsys, place, DAMAGE[how], *arguments)


def test_takes_that_are_no_files(capsys, place):
    for name, message in (("missing.bvh", "cannot read missing.bvh"), (".", r"cannot read \.")):
        expect_refusal(capsys, place, message, "check", name)
        expect_refusal(capsys, place, message, "pack", name, "--out", "set")


CLIP = '[[clip]]\nname = "a"\nfrom = 0\nto = 1\n'


@pytest.mark.parametrize(
    ("recipe", "message"),
    [
        ("colour = 1", r"r\.toml: unknown key 'colour'; known: name, rate"),
        ("[repair]\nspikez = true", r"\[repair\]: unknown key 'spikez'; did you mean 'spikes'"),
        ("[[clip]]", "'name' is missing"),
        (CLIP.replace("to = 1", "to = 600"), "clip 'a': from 0 s to 600 s leaves the take, which ends at"),
        (CLIP.replace("to = 1", 'to = "99999f"'), "clip 'a': from 0 s to 99999f leaves the take"),
        (CLIP.replace("to = 1", "to = 0"), "clip 'a'.*less than two frames"),
        (CLIP + CLIP, "two clips are called 'a'"),
        (CLIP.replace('"a"', '"a/b"'), "'a/b' holds '/'"),
        (CLIP + 'take = "other"', "clip 'a': there is no take 'other'.*one of: good"),
        (CLIP + "loop = true\nto = 2", "not TOML"),
        (CLIP.replace("to = 1", "to = 0.2") + "loop = true", "clip 'a'.*shortest loop"),
        ('name = "../up"', "'../up' holds '/'"),
        ('[body]\nleftFoot = "nose"', "'leftFoot' is given to 'nose'"),
        ('[body]\nwing = "left_hand"', "no part 'wing'"),
        ("[reduce]\nmax_error_m = -1", r"\[reduce\].*above 0"),
    ],
)  # fmt: skip
def test_recipes_that_cannot_be_cooked(capsys, place, recipe, message):
    (place / "r.toml").write_text(recipe)
    expect_refusal(capsys, place, message, "pack", "good.bvh", "--recipe", "r.toml", "--out", "set")


def test_a_missing_recipe(capsys, place):
    expect_refusal(capsys, place, "cannot read r.toml", "check", "good.bvh", "--recipe", "r.toml")


def test_places_that_cannot_be_written(capsys, place):
    (place / "file").write_bytes(b"in the way")
    for out in ("file", "file/set", "x" * 300):
        expect_refusal(capsys, place, "cannot write", "pack", "good.bvh", "--out", out)
    expect_refusal(capsys, place, "the folder you stand in", "pack", "good.bvh", "--out", ".")
    for out in ("file/new.bvh", "missing/new.bvh", "."):
        expect_refusal(capsys, place, "cannot write", "repair", "good.bvh", "-o", out)


def test_a_take_is_never_changed(capsys, place):
    os.symlink("good.bvh", place / "link.bvh")
    for out in ("good.bvh", "./good.bvh", "link.bvh"):
        expect_refusal(capsys, place, "the take itself", "repair", "good.bvh", "-o", out)


def test_a_page_never_takes_the_place_of_a_take(capsys, place):
    for arguments in (
        ("check", "good.bvh", "--html", "good.bvh"),
        ("repair", "good.bvh", "-o", "new.bvh", "--html", "./good.bvh"),
        ("repair", "good.bvh", "-o", "new.bvh", "--html", "new.bvh"),
    ):
        expect_refusal(capsys, place, "cannot write", *arguments)
    for page in ("missing/page.html", "."):
        expect_refusal(capsys, place, "cannot write", "check", "good.bvh", "--html", page)
        expect_refusal(capsys, place, "cannot write", "repair", "good.bvh", "-o", "new.bvh", "--html", page)


def test_a_foreign_file_in_the_way(capsys, place):
    (place / "set").mkdir()
    (place / "set" / "good.glb").write_bytes(b"modelled for a week")
    expect_refusal(capsys, place, "was not written by Takemill", "pack", "good.bvh", "--out", "set")


def test_takes_that_do_not_go_together(capsys, place, good):
    (place / "day2").mkdir()
    (place / "day2" / "good.bvh").write_text(good)
    expect_refusal(
        capsys, place, "two takes are called 'good'", "pack", "good.bvh", "day2/good.bvh", "--out", "set"
    )
    small_takes.write(place, "arms.bvh", small_takes.longer_arms())
    expect_refusal(
        capsys,
        place,
        "'arms'.*another skeleton than 'good'.*left_hand",
        "pack",
        "good.bvh",
        "arms.bvh",
        "--out",
        "set",
    )
    (place / "r.toml").write_text(CLIP)
    (place / "other.bvh").write_text(good)
    expect_refusal(
        capsys, place, "clip 'a'.*which take.*one of: good, other",
        "pack", "good.bvh", "other.bvh", "--recipe", "r.toml", "--out", "set",
    )  # fmt: skip


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (("--from", "x"), "--from: expected seconds"),
        (("--from", "-1"), "--from|expected"),
        (("--to", "999"), "leaves the take"),
        (("--from", "2", "--to", "1"), "less than two frames"),
        (("--from", "1", "--to", "1.1"), "shortest"),
        (("--count", "0"), "--count"),
    ],
)
def test_stretches_that_are_none(capsys, place, arguments, message):
    if arguments == ("--from", "-1"):
        arguments = ("--from=-1",)
    expect_refusal(capsys, place, message, "loops", "good.bvh", *arguments)


def test_wrong_usage_is_exit_code_2_too(capsys):
    for arguments in ([], ["pack"], ["dance"], ["check"], ["cuts", "a", "--json", "--toml"]):
        with pytest.raises(SystemExit) as stop:
            cli.main(arguments)
        assert stop.value.code == 2
    capsys.readouterr()


def test_a_take_that_vanishes_on_the_way(capsys, place, monkeypatch):
    read = packing.read_takes

    def and_gone(*arguments):
        found = read(*arguments)
        (place / "good.bvh").unlink()
        return found

    monkeypatch.setattr(packing, "read_takes", and_gone)
    assert cli.main(["pack", "good.bvh", "--out", "set"]) == 2
    assert re.fullmatch(r"takemill: cannot read good\.bvh: .*\n", capsys.readouterr().err)
    assert everything(place) == {}


def test_names_of_many_letters(capsys, place):
    """As long as Blender keeps them, in any script; longer ones are refused, not cut."""
    for name, message in (("ü" * 32, "64 bytes"), ("x" * 255, "255 bytes"), ("渡" * 85, "255 bytes")):
        (place / "r.toml").write_text(CLIP.replace('"a"', f'"{name}"'), encoding="utf-8")
        expect_refusal(capsys, place, message, "pack", "good.bvh", "--recipe", "r.toml", "--out", "set")
    name = "渡し守の歩き" * 3 + "ü"
    (place / "r.toml").write_text('files = "each"\n' + CLIP.replace('"a"', f'"{name}"'), encoding="utf-8")
    assert cli.main(["pack", "good.bvh", "--recipe", "r.toml", "--out", "set"]) == 0
    assert (place / "set" / f"{name}.glb").exists()
    assert cli.main(["verify", "set"]) == 0


def test_files_and_folders_of_255_bytes(capsys, place, good):
    """Common file systems keep so many (NAME_MAX of Linux, <linux/limits.h>); one more is refused."""
    take, folder = "é" * 125 + "x.bvh", "ö" * 127 + "x"
    (place / take).write_text(good)
    (place / "r.toml").write_text('name = "ferry"\n' + CLIP)
    given = (take, "--recipe", "r.toml")
    assert len(os.fsencode(take)) == len(os.fsencode(folder)) == 255
    for _ in range(2):  # the second goes over the first
        assert cli.main(["pack", *given, "--out", folder]) == 0
    assert cli.main(["verify", folder, *given]) == 0
    capsys.readouterr()
    expect_refusal(capsys, place, "name of the set: .* takes 251 bytes", "pack", take, "--out", "set")
    expect_refusal(
        capsys, place, "cannot write .*: File name too long", "pack", *given, "--out", f"{folder}x"
    )


def test_a_place_that_cannot_be_written(capsys, place):
    """A folder without the right to write; root has every right but in /proc."""
    if os.name != "posix" or os.geteuid() == 0:
        out = "/proc/set"
    else:
        (place / "shut").mkdir(mode=0o500)
        out = "shut/set"
    message = r"cannot write \S+: (\S+ is not writable|No such file or directory)"
    expect_refusal(capsys, place, message, "pack", "good.bvh", "--out", out)
