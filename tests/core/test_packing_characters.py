"""Takes fitted to characters given as GLB files, from the command line."""

from __future__ import annotations

import json
import os
import re
import shutil
import signal
import subprocess
import sys
from collections import Counter
from dataclasses import replace
from functools import partial
from pathlib import Path

import numpy as np
import pygltflib
import pytest

import small_takes
from glb_clips import clip_of
from rigs import changed, character, nest
from takemill.base.errors import GlbError
from takemill.cuts.cuts import suggest_cuts
from takemill.feet.contacts import find_contacts
from takemill.files.glb import append_animations
from takemill.files.glb_animations import animation_names
from takemill.files.glb_read import GlbScene
from takemill.health.check import check
from takemill.sets import clip_set, packing_characters
from takemill.shell import cli

RECIPE = "".join(
    f'[[clip]]\nname = "{name}"\nfrom = {start}\nto = {stop}\nloop = {loop}\nroot_motion = "{root_motion}"\n'
    for name, start, stop, loop, root_motion in (
        ("walk", 3.5, 8, "true", "root"),
        ("set off", 1.5, 4, "false", "root"),
        ("stand", 0, 1.9, "true", "in_place"),
    )
)


def shrunk(part: float):
    skeleton = small_takes.stand_and_walk().skeleton
    return replace(
        skeleton,
        rest_translation=part * skeleton.rest_translation,
        tip_offsets=part * skeleton.tip_offsets,
    )


@pytest.fixture(scope="module")
def place(tmp_path_factory):
    """A take, a recipe, a short character in centimetres, and a tall one that stands elsewhere."""
    folder = tmp_path_factory.mktemp("characters")
    small_takes.write(folder)
    (folder / "r.toml").write_text(RECIPE)
    (folder / "short.glb").write_bytes(character(shrunk(60.0), scale=(0.01, 0.01, 0.01)))
    turned = (0, np.sin(0.4), 0, np.cos(0.4))
    tall = character(shrunk(1.2), translation=(2, 0, 1), rotation=turned)
    (folder / "tall.glb").write_bytes(changed(tall, nest))
    return folder


def run(place, verb, *more):
    return cli.main(
        [verb, *more[:1], str(place / "walk.bvh"), "--recipe", str(place / "r.toml"), *more[1:]]
        if verb == "verify"
        else [verb, str(place / "walk.bvh"), "--recipe", str(place / "r.toml"), *more]
    )


@pytest.fixture(scope="module")
def both(place):
    rigs = [item for name in ("short", "tall") for item in ("--to", str(place / f"{name}.glb"))]
    assert run(place, "pack", *rigs, "--out", str(place / "out")) == 0
    return place / "out"


def said(folder):
    return json.loads((folder / "clips.json").read_bytes())


def test_each_character_has_a_folder_with_clips_of_the_same_frames(both):
    assert sorted(one.name for one in both.iterdir()) == ["short", "tall"]
    short, tall = said(both / "short"), said(both / "tall")
    for a, b in zip(short["clips"], tall["clips"], strict=True):
        assert a["source"] == b["source"]
        assert (a["name"], a["frames"], a["loop"], a["contacts"]) == (
            b["name"],
            b["frames"],
            b["loop"],
            b["contacts"],
        )
        feet = [[event for event in one["events"] if "Foot" in event["name"]] for one in (a, b)]
        assert feet[0] == feet[1]
    walks = [one["clips"][0]["root_motion"]["distance_m"] for one in (short, tall)]
    assert walks[0] / walks[1] == pytest.approx(0.5, rel=0.02), "the way is as long as the legs"
    assert short["skeleton"]["sha256"] != tall["skeleton"]["sha256"]
    assert short["takes"] == tall["takes"]


def test_the_sets_verify_against_the_clips_made_again(place, both, capsys):
    rigs = [item for name in ("short", "tall") for item in ("--to", str(place / f"{name}.glb"))]
    assert run(place, "verify", str(both), *rigs) == 0
    out = capsys.readouterr().out
    assert out.count("3 clips, all ok") == 2
    assert len(re.findall(r"^walk .*\d\.\d{3}  ok$", out, re.MULTILINE)) == 2
    assert cli.main(["verify", str(both), "--json"]) == 0
    assert sorted(json.loads(capsys.readouterr().out)["characters"]) == ["short", "tall"]


def test_a_damaged_set_of_one_character_is_told(both, tmp_path, capsys):
    shutil.copytree(both, tmp_path / "out")
    (tmp_path / "out" / "tall" / "report.html").unlink()
    assert cli.main(["verify", str(tmp_path / "out")]) == 1
    out = capsys.readouterr().out
    assert "short: 3 clips, all ok" in out
    assert "tall: 1 problems" in out


def test_the_character_travels_by_a_joint_of_its_own_file(both):
    """Neither file had a root joint; its mesh and all its other joints are where they were."""
    for name in ("short", "tall"):
        scene = GlbScene((both / name / "walk.glb").read_bytes(), name)
        assert said(both / name)["skeleton"]["root"] == "root"
        root = scene.names.index("root")
        assert root in scene.joints
        ends = scene.worlds("walk", np.array([0.0, scene.duration_s("walk")]))[:, root, :3, 3]
        way = np.linalg.norm(ends[1] - ends[0])
        assert way == pytest.approx(said(both / name)["clips"][0]["root_motion"]["distance_m"], abs=1e-4)


def test_one_character_takes_the_folder_itself(place, capsys):
    out = place / "alone"
    assert run(place, "pack", "--to", str(place / "short.glb"), "--out", str(out), "--json") == 0
    assert list(json.loads(capsys.readouterr().out)["characters"]) == ["short"]
    assert (out / "clips.json").exists()
    assert run(place, "verify", str(out), "--to", str(place / "short.glb")) == 0


@pytest.mark.parametrize("files", ["each", "separate"])
def test_files_parted_verify_too(place, tmp_path, files):
    (tmp_path / "r.toml").write_text(f'files = "{files}"\n' + RECIPE)
    common = [str(place / "walk.bvh"), "--recipe", str(tmp_path / "r.toml"), "--to", str(place / "tall.glb")]
    assert cli.main(["pack", *common, "--out", str(tmp_path / "out")]) == 0
    assert cli.main(["verify", str(tmp_path / "out"), *common]) == 0


@pytest.fixture
def animated(place, tmp_path):
    """A folder with a character that brings animations of its own: `walk` and `wave`."""
    motion = small_takes.stand_and_walk().slice(0, 5)
    glb = character(motion.skeleton)
    (tmp_path / "mate.glb").write_bytes(
        append_animations(glb, [clip_of("walk", motion), clip_of("wave", motion)])
    )
    shutil.copy(place / "walk.bvh", tmp_path)
    return tmp_path


def pack_mate(animated, same_names: str) -> int:
    (animated / "r.toml").write_text(f'same_names = "{same_names}"\n{RECIPE}')
    return run(animated, "pack", "--to", str(animated / "mate.glb"), "--out", str(animated / "set"))


def test_a_clip_called_as_the_characters_own_animation_is_said_at_once_with_a_choice(
    animated, capsys, monkeypatch
):
    monkeypatch.setattr(packing_characters, "read_takes", None)  # nothing is read before
    assert pack_mate(animated, "refuse") == 2
    said = capsys.readouterr().err
    assert "mate.glb already holds an animation 'walk', as a clip is called; write into the recipe" in said
    assert not (animated / "set").exists()


@pytest.mark.parametrize(("same_names", "own"), [("replace", ["wave"]), ("prefix", ["own_walk", "wave"])])
def test_the_characters_own_animation_is_replaced_or_kept_under_a_prefix(animated, capsys, same_names, own):
    assert pack_mate(animated, same_names) == 0
    glb = (animated / "set" / "walk.glb").read_bytes()
    names = animation_names(glb)
    assert sorted(names) == sorted([*own, "walk", "set off", "stand"])
    other = pygltflib.GLTF2().load_from_bytes(glb)
    assert [one.name for one in other.animations] == list(names)
    assert GlbScene(glb, "walk.glb").duration_s("walk") > 0.5  # ours: its own has five frames
    if same_names == "prefix":
        assert GlbScene(glb, "walk.glb").duration_s("own_walk") == pytest.approx(4 / 60)
    capsys.readouterr()
    assert cli.main(["verify", str(animated / "set")]) == 0


def test_a_clip_that_gets_its_name_later_is_looked_at_then(animated, capsys):
    (animated / "r.toml").write_text('naming = "walk"\n[[clip]]\nfrom = 3.5\nto = 8\nloop = true\n')
    assert run(animated, "pack", "--to", str(animated / "mate.glb"), "--out", str(animated / "set")) == 2
    assert "already holds an animation 'walk'" in capsys.readouterr().err
    assert not (animated / "set").exists()


def test_what_cannot_be_packed_writes_nothing(place, tmp_path, capsys):
    good = str(place / "short.glb")
    (tmp_path / "short.glb").write_bytes((place / "short.glb").read_bytes())
    (tmp_path / "none.glb").write_bytes(changed((place / "short.glb").read_bytes(), lambda j: j.pop("skins")))
    (tmp_path / "text.glb").write_text("no GLB")
    out = tmp_path / "out"
    for bad, message in (
        ([good, str(tmp_path / "short.glb")], "two characters are called 'short'"),
        ([good, str(tmp_path / "none.glb")], r"none\.glb: there is no skin in it"),
        ([good, str(tmp_path / "text.glb")], r"text\.glb: not a GLB"),
        ([good, str(tmp_path / "gone.glb")], r"cannot read .*gone\.glb"),
    ):
        rigs = [item for one in bad for item in ("--to", one)]
        assert run(place, "pack", *rigs, "--out", str(out)) == 2
        assert re.search(message, capsys.readouterr().err)
        assert not out.exists()
    assert cli.main(["verify", str(place / "out"), "--to", good]) == 2
    assert "name the takes too" in capsys.readouterr().err
    assert cli.main(["verify", str(tmp_path)]) == 2
    assert "name the folder of a set" in capsys.readouterr().err


@pytest.fixture
def odd(tmp_path, place):
    """Packs for a rig with names of its own, with more in the recipe."""
    rig = character(shrunk(1.0))
    names = {"left_foot": "left_skid", "left_toes": "left_tip"}

    def rename(json):
        for node in json["nodes"]:
            node["name"] = names.get(node["name"], node["name"])

    (tmp_path / "odd.glb").write_bytes(changed(rig, rename))

    def packed(more: str) -> int:
        (tmp_path / "r.toml").write_text(RECIPE + more)
        common = [str(place / "walk.bvh"), "--recipe", str(tmp_path / "r.toml")]
        given = [*common, "--to", str(tmp_path / "odd.glb"), "--out", str(tmp_path / "out")]
        return cli.main(["pack", *given])

    return packed


def test_the_recipe_corrects_a_characters_body_map(odd, tmp_path):
    """A part is given to another joint, and one is taken away; the take's own map is as it was."""
    assert odd("") == 0
    found = said(tmp_path / "out")["skeleton"]["body"]
    assert "leftToes" not in found, "its name tells nothing"
    told = '[characters.odd.body]\nleftToes = "left_tip"\nchest = ""\n'
    told += '[characters.somebody_else.body]\nhips = "none"\n'
    assert odd(told) == 0
    corrected = said(tmp_path / "out")["skeleton"]["body"]
    assert corrected == {part: name for part, name in found.items() if part != "chest"} | {
        "leftToes": "left_tip"
    }


def test_the_recipe_fits_a_character_with_its_own_settings(odd, tmp_path):
    def travelled(more: str) -> float:
        assert odd(more) == 0
        clip = next(one for one in said(tmp_path / "out")["clips"] if one["name"] == "set off")
        return float(clip["root_motion"]["distance_m"])

    plain = travelled("")
    own = travelled("[characters.odd.fit]\npath_scale = 3.0\n")
    assert own > 1.5 * plain
    assert travelled("[characters.other.fit]\npath_scale = 3.0\n") == pytest.approx(plain)
    assert travelled("[fit]\npath_scale = 3.0\n") == pytest.approx(own)
    over = travelled("[fit]\npath_scale = 9.0\n[characters.odd.fit]\npath_scale = 3.0\n")
    assert over == pytest.approx(own)


@pytest.mark.parametrize(
    ("more", "message"),
    [
        (
            '[characters.odd.body]\nleftFoot = "skid"',
            r"odd\.glb: .*'skid', which is no joint .*\[characters\.odd\.body\]",
        ),
        ('[characters.odd.body]\nleftPaw = "left_skid"', r"odd\.glb: .*leftPaw.*\[characters\.odd\.body\]"),
        (
            '[characters.od.body]\nleftFoot = "left_skid"',
            r"\[characters\.od\]: no character .* did you mean 'odd'\?",
        ),
    ],
)
def test_a_correction_that_names_nothing_is_told(odd, tmp_path, capsys, more, message):
    assert odd(more) == 2
    error = capsys.readouterr().err
    assert re.search(message, error), error
    assert not (tmp_path / "out").exists()


def rigs_of(place) -> list[str]:
    return [item for name in ("short", "tall") for item in ("--to", str(place / f"{name}.glb"))]


def rates(out) -> list[float]:
    return [said(out / name)["clips"][0]["rate"] for name in ("short", "tall")]


@pytest.fixture
def other(place):
    """A recipe that gives other bytes in every file."""
    (place / "other.toml").write_text("rate = 24\n" + RECIPE)
    return [str(place / "walk.bvh"), "--recipe", str(place / "other.toml"), *rigs_of(place)]


def test_a_failure_at_the_second_character_leaves_the_first_ones_set(
    both, other, tmp_path, monkeypatch, capsys
):
    out, made, seen = shutil.copytree(both, tmp_path / "out"), clip_set.build_clip_set, []

    def fail_second(*arguments):
        seen.append(arguments)
        if len(seen) == 2:
            raise GlbError("no more")
        return made(*arguments)

    monkeypatch.setattr(clip_set, "build_clip_set", fail_second)
    assert cli.main(["pack", *other, "--out", str(out)]) == 2
    assert "no more" in capsys.readouterr().err
    assert rates(out) == [60, 60]


KILLED = """
import os, signal, sys
from takemill.shell import cli
from takemill.sets import set_folder_stage
change = set_folder_stage.Stage.change_places
def once(self):
    change(self)
    os.kill(os.getpid(), signal.SIGKILL)
set_folder_stage.Stage.change_places = once
cli.main(sys.argv[1:])
"""


@pytest.mark.skipif(os.name != "posix", reason="SIGKILL")
def test_a_pack_killed_between_two_characters_is_told_and_finished(both, other, place, tmp_path, capsys):
    """One set is new and one is old; `verify` says so, and a pack for anybody beside them ends it."""
    out = shutil.copytree(both, tmp_path / "out")
    code = [sys.executable, "-c", KILLED, "pack", *other, "--out", str(out)]
    environment = os.environ | {"PYTHONPATH": str(Path(cli.__file__).parents[2])}
    assert subprocess.run(code, check=False, env=environment).returncode == -signal.SIGKILL
    assert rates(out) == [24, 60]
    assert cli.main(["verify", str(out)]) == 1
    assert "some of these sets are older than the others" in capsys.readouterr().out
    assert cli.main(["verify", str(out), "--json"]) == 1
    assert len(json.loads(capsys.readouterr().out)["problems"]) == 1
    assert cli.main(["verify", str(out / "tall")]) == 0, "each is whole"
    third = shutil.copy(place / "short.glb", tmp_path / "third.glb")
    more = [str(place / "walk.bvh"), "--recipe", str(place / "r.toml"), "--to", str(third)]
    assert cli.main(["pack", *more, "--out", str(out / "third")]) == 0
    assert rates(out) == [24, 24]
    capsys.readouterr()
    assert cli.main(["verify", str(out)]) == 0
    assert cli.main(["pack", *other, "--out", str(out)]) == 0
    assert sorted(one.name for one in out.iterdir()) == ["short", "tall", "third"]


def counted(monkeypatch, *functions) -> Counter[str]:
    """Calls of functions from any other file of the package than their own, by name and caller."""
    calls: Counter[str] = Counter()
    for function in functions:

        def count(*arguments, _function=function, _name="", **more):
            calls[_name] += 1
            return _function(*arguments, **more)

        for name, module in list(sys.modules.items()):
            here = name.startswith("takemill.") and name != function.__module__
            if here and getattr(module, function.__name__, None) is function:
                label = f"{function.__name__} in {name.rpartition('.')[2]}"
                monkeypatch.setattr(module, function.__name__, partial(count, _name=label))
    return calls


@pytest.mark.parametrize("kinds", [True, False])
def test_each_stage_of_a_take_runs_once_for_all_characters(place, tmp_path, monkeypatch, kinds):
    """Two takes and three characters.

    Contacts are found twice in each take: the repair pins by those of the body as it came, and all that
    follows goes by those of the pinned one. What recorded a take is found to say it, to repair by it, and to
    judge what the repair left; for that, contacts are found where it has little noise.
    """
    calls = counted(monkeypatch, check, suggest_cuts, find_contacts)
    kind = 'kind = "locomotion"\n'
    text = "".join(
        f'[[clip]]\nname = "{take}_{name}"\ntake = "{take}"\nfrom = 3.5\nto = {stop}\n{kind * kinds}'
        for take in ("walk", "night")
        for name, stop in (("a", 6), ("b", 5))
    )
    (tmp_path / "r.toml").write_text(text)
    takes = [str(shutil.copy(place / "walk.bvh", tmp_path / f"{name}.bvh")) for name in ("walk", "night")]
    for name in ("first", "second", "third"):
        shutil.copy(place / "tall.glb", tmp_path / f"{name}.glb")
    rigs = [item for name in ("first", "second", "third") for item in ("--to", str(tmp_path / f"{name}.glb"))]
    recipe = ["--recipe", str(tmp_path / "r.toml")]
    assert cli.main(["pack", *takes, *recipe, *rigs, "--out", str(tmp_path / "out")]) == 0
    assert len(list((tmp_path / "out").glob("*/clips.json"))) == 3
    once = {
        "check in prepare_take": 2,
        "find_contacts in prepare_take": 2,
        "find_contacts in ground_steps": 2,
        "find_contacts in profile": 6,
    }
    assert calls == once | ({} if kinds else {"suggest_cuts in plan_clips": 2})
