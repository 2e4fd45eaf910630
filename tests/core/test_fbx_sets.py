"""Sets with FBX files: what is needed, listed and verified. Blender itself is left out here."""

from __future__ import annotations

import importlib.util
import json
import sys
from dataclasses import replace

import pytest

import small_shoots
import small_takes
from small_fbx import file_of
from takemill.base.errors import FileError
from takemill.files import blender_module
from takemill.files.blender_module import Blender
from takemill.sets import clip_set
from takemill.shell import cli
from takemill.shoot import build_keys

RECIPE = "rate = 30\n" + "".join(
    f'[[clip]]\nname = "{name}"\nkind = "idle"\nfrom = 0.1\nto = {to}\n'
    for name, to in (("walk", 1.6), ("rest", 1.9))
)
PLAYED = Blender((sys.executable, "-c"), "", "", "1")


@pytest.fixture
def blender(monkeypatch):
    """Files of one clip "walk" of 1.5 s at 30 frames per second."""
    asked = []

    def write(glb, _, files, by):
        assert glb[:4] == b"glTF"
        asked.append((files, by))
        return {name: file_of(False, 6, 30.0) for name in files}

    monkeypatch.setattr(clip_set, "write_fbx", write)
    for module in (clip_set, build_keys):
        monkeypatch.setattr(module, "find_exporter", lambda: PLAYED)
    return asked


def pack(folder, *more: str) -> int:
    (folder / "r.toml").write_text(RECIPE)
    take = small_takes.write(folder, motion=small_shoots.short_idle())
    return cli.main(
        ["pack", str(take), "--recipe", str(folder / "r.toml"), "--out", str(folder / "set"), *more]
    )


def test_each_clip_has_a_file_that_the_list_names_and_verify_reads(tmp_path, blender, capsys):
    assert pack(tmp_path, "--fbx", "each") == 0
    ((files, by),) = blender
    assert files == {"walk.fbx": ["walk"], "rest.fbx": ["rest"]}
    assert by == PLAYED
    said = json.loads((tmp_path / "set/clips.json").read_text())
    assert [clip["fbx"] for clip in said["clips"]] == ["walk.fbx", "rest.fbx"]
    assert {"walk.fbx", "rest.fbx"} < {file["name"] for file in said["files"]}
    capsys.readouterr()
    assert cli.main(["verify", str(tmp_path / "set")]) == 1  # since rest.fbx holds a walk
    found = capsys.readouterr().out
    assert "rest.fbx: the list and the file do not both have a clip 'rest'" in found
    assert "walk.fbx" not in found
    (tmp_path / "set/walk.fbx").write_bytes(file_of(False, 3, 60.0))
    assert cli.main(["verify", str(tmp_path / "set")]) == 1
    found = capsys.readouterr().out
    assert "walk.fbx: it was changed after it was written" in found
    assert "walk.fbx: 60 frames per second, the list says 30" in found


def test_one_file_is_beside_the_glb_and_goes_with_the_next_set(tmp_path, blender):
    assert pack(tmp_path, "--fbx", "one") == 0
    assert blender[0][0] == {"walk.fbx": ["walk", "rest"]}
    assert {path.name for path in (tmp_path / "set").iterdir()} == {
        "clips.json", "report.html", "walk.fbx", "walk.glb",
    }  # fmt: skip
    assert pack(tmp_path) == 0
    assert not (tmp_path / "set/walk.fbx").exists()


def test_one_file_has_one_rate(tmp_path, blender, capsys):
    (tmp_path / "set").mkdir()
    (tmp_path / "r.toml").write_text(RECIPE.replace("to = 1.9", "to = 1.9\nrate = 24"))
    take = small_takes.write(tmp_path, motion=small_shoots.short_idle())
    given = ["pack", str(take), "--recipe", str(tmp_path / "r.toml"), "--out", str(tmp_path / "set")]
    assert cli.main([*given, "--fbx", "one"]) == 2
    assert (
        'one FBX has one frame rate, and clips have 24 and 30; write fbx = "each"' in capsys.readouterr().err
    )
    assert not blender
    assert list((tmp_path / "set").iterdir()) == []


def test_without_blender_it_is_said_before_the_work(tmp_path, monkeypatch, capsys):
    blender_module.find_blender.cache_clear()
    monkeypatch.setattr(importlib.util, "find_spec", lambda _: None)
    assert pack(tmp_path, "--fbx", "each") == 2
    said = capsys.readouterr().err
    assert "FBX files are written by Blender's module, which is not installed" in said
    assert 'pip install ".[blender]"' in said
    assert 'or leave FBX out: fbx = "none"' in said
    shoot = small_shoots.write_shoot(tmp_path / "shoot", '[settings]\nfbx = "each"\n', 1)
    with pytest.raises(FileError, match="FBX files are written by Blender's module"):
        small_shoots.build(shoot)


@pytest.mark.usefixtures("blender")
def test_a_build_makes_them_again_when_blender_is_another(tmp_path, monkeypatch):
    shoot = small_shoots.write_shoot(tmp_path / "shoot", 'own_skeleton = true\n[settings]\nfbx = "one"\n', 1)
    built = small_shoots.build(shoot)
    assert not built.missing
    assert (tmp_path / "shoot/out/own_skeleton/a/a.fbx").is_file()
    assert (tmp_path / "shoot/out/tall/a/a.fbx").is_file()
    assert small_shoots.build(shoot).made == ()
    newer = Blender(PLAYED.head, "", "", "2")
    for module in (clip_set, build_keys):
        monkeypatch.setattr(module, "find_exporter", lambda: newer)
    assert len(small_shoots.build(shoot).made) == 3


@pytest.mark.usefixtures("blender")
def test_blenders_memory_counts(tmp_path):
    shoot = small_shoots.write_shoot(tmp_path / "shoot", '[settings]\nfbx = "one"\n', 1)
    built = small_shoots.build(shoot, replace(small_shoots.HERE, memory_gb=0.3))
    ((_, why),) = built.missing
    assert "it needs about 0.5 GB of memory, and 0.3 GB may be used" in why


def test_a_blender_that_is_not_waited_for_is_ended(monkeypatch):
    begun, start = [], blender_module.subprocess.Popen

    def note(*args, **named):
        begun.append(start(*args, **named))
        return begun[-1]

    def stop(_):
        raise KeyboardInterrupt

    monkeypatch.setattr(blender_module.subprocess, "Popen", note)
    monkeypatch.setattr(blender_module.time, "sleep", stop)
    with pytest.raises(KeyboardInterrupt):
        Blender((sys.executable, "-c", "import time; time.sleep(60)"), "", "", "1").run("write_fbx")
    assert begun[0].returncode is not None


def test_what_blender_says_at_last_is_given_back():
    loud = "import sys; print(1, 2, sep='\\n', file=sys.stderr)"
    assert Blender((sys.executable, "-c", loud), "", "", "1").run("write_fbx") == "2"
