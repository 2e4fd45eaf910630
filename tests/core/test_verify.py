"""Verifying a set: a good one is well; each damage is told."""

from __future__ import annotations

import contextlib
import copy
import json
import shutil

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import damaged_sets
import glb_reader
import small_takes
from damaged_sets import RECIPE, nothing, nudge, problems, relist, rewrite
from takemill.base.errors import FileError, GlbError
from takemill.files.glb_read import GlbScene
from takemill.sets.verify import verify_set
from takemill.shell import cli


@pytest.fixture(scope="module", params=["linear", "cubic"])
def made(request, tmp_path_factory):
    """A folder with a set of straight or of curved keys, and the clips in it."""
    bounds = f'[reduce]\ninterpolation = "{request.param}"\nplanted_error_m = 0.0005\n'
    return damaged_sets.make(tmp_path_factory.mktemp("set") / "set", bounds)


@pytest.fixture
def folder(made, tmp_path):
    shutil.copytree(made[0], tmp_path / "set")
    return tmp_path / "set"


def test_a_good_set_is_well(made):
    folder, motions, again = made
    wrong, verdicts = verify_set(folder, motions, again, 0.0005)
    assert wrong == ()
    assert [one.name for one in verdicts] == ["walk", "pace", "drift", "off"]
    for one in verdicts:
        assert one.problems == ()
        assert one.seconds == pytest.approx(motions[one.name].duration_s, abs=1e-6)
        assert one.error_mm is not None
        assert 0.01 < one.error_mm < 0.5  # keys were left out, within the bound
        assert (one.seam_mm is None) == (one.name == "off")
        assert (one.root_motion_mm is None) == (one.name in ("pace", "drift"))
        assert (one.seam_mm or 0) < 0.05
        assert (one.root_motion_mm or 0) < 0.1


DAMAGE = {
    "a byte of the GLB": (
        lambda f: (f / "set.glb").write_bytes((f / "set.glb").read_bytes()[:-1] + b"\1"),
        "set.glb: it was changed",
    ),
    "a GLB cut short": (
        lambda f: (f / "set.glb").write_bytes((f / "set.glb").read_bytes()[:-8]),
        "not a whole GLB file",
    ),
    "no GLB": (lambda f: (f / "set.glb").unlink(), "cannot read"),
    "no report": (lambda f: (f / "report.html").unlink(), "cannot read"),
    "an animation less": (
        lambda f: rewrite(f, lambda t: t["animations"].pop(0)),
        "'walk': there is no such animation",
    ),
    "an animation renamed": (
        lambda f: rewrite(f, lambda t: t["animations"][0].update(name="stroll")),
        "'walk': there is no such animation",
    ),
    "other extras": (
        lambda f: rewrite(f, lambda t: t["animations"][0]["extras"].update(loop=False)),
        "walk: its extras say",
    ),
    "a loop's end": (
        lambda f: rewrite(f, nothing, nudge("rotation", 0.05, "walk", "left_lower_leg")),
        "walk: the loop's ends are",
    ),
    "a loop's end in place": (
        lambda f: rewrite(f, nothing, nudge("translation", 0.01, "pace", "hips")),
        "pace: the loop's ends are",
    ),
    "the root's end": (
        lambda f: rewrite(f, nothing, nudge("translation", 0.01, "off", "root")),
        "off: the root joint ends 10.0 mm",
    ),
    "a number that is none": (
        lambda f: rewrite(f, nothing, nudge("translation", float("nan"), "off", "root")),
        "a number is not finite",
    ),
    "another offset": (
        lambda f: relist(f, lambda s: s["clips"][0]["root_motion"].update(offset_m=[0, 0, 2.0])),
        "walk: the root joint ends",
    ),
    "another turn": (
        lambda f: relist(f, lambda s: s["clips"][3]["root_motion"].update(turn_deg=20.0)),
        "off: the root joint ends",
    ),
    "another duration": (
        lambda f: relist(f, lambda s: s["clips"][0].update(duration_s=2.0)),
        "walk: it plays 1.",
    ),
    "another rate": (lambda f: relist(f, lambda s: s["clips"][0].update(rate=30)), "walk: 67 frames at 30"),
    "an event outside": (
        lambda f: relist(f, lambda s: s["clips"][0]["events"][0].update(frame=900)),
        "walk: event '",
    ),
    "a contact outside": (
        lambda f: relist(f, lambda s: s["clips"][0]["contacts"].update(leftFoot=[[0, 900]])),
        "a contact of leftFoot",
    ),
    "a clip off the list": (
        lambda f: relist(f, lambda s: s["clips"].pop(2)),
        "set.glb: it holds a clip 'drift', which the list does not name",
    ),
    "a larger error told": (
        lambda f: relist(f, lambda s: s["clips"][0]["keys"].update(max_error_mm=0.6)),
        "walk: the list says that its keys are 0.6 mm off; 0.5 are allowed",
    ),
    "a clip twice": (
        lambda f: relist(f, lambda s: s["clips"].append(s["clips"][0])),
        "two clips are called 'walk'",
    ),
    "an unknown key": (lambda f: relist(f, lambda s: s.update(colour="red")), "clips.json: colour: unknown"),
    "no root": (lambda f: relist(f, lambda s: s["skeleton"].update(root="tail")), "there is no joint 'tail'"),
    "a joint renamed": (
        lambda f: rewrite(
            f, lambda t: next(n for n in t["nodes"] if n.get("name") == "hips").update(name="pelvis")
        ),
        "set.glb: there is no joint 'hips', which is hips",
    ),
    "another layout": (
        lambda f: relist(f, lambda s: s.update(schema_version=1)),
        "clips.json: its layout is version 1, and this verifies version",
    ),
    "an unlisted file": (lambda f: relist(f, lambda s: s["files"].pop(1)), "is not among the set's files"),
}


@pytest.mark.parametrize("what", DAMAGE)
def test_each_damage_is_told(folder, what):
    change, message = DAMAGE[what]
    change(folder)
    assert any(message in text for text in problems(folder)), problems(folder)


def test_a_pose_that_is_off_between_the_ends_is_told_where_the_take_is_at_hand(made, folder):
    rewrite(folder, nothing, nudge("rotation", 0.02, "off", "left_upper_arm", key=3))
    assert problems(folder) == []
    assert any("off: a joint is" in text for text in problems(folder, made[1]))


@pytest.mark.parametrize("made", ["cubic"], indirect=True)
def test_a_wrong_slope_of_a_curved_key_is_told_where_the_take_is_at_hand(made, folder):
    """The keys are where they were: only what is played between two of them is off."""
    rewrite(folder, nothing, nudge("rotation", 3.0, "walk", "left_upper_arm", key=3, part=2))
    assert problems(folder) == []
    assert any("walk: a joint is" in text for text in problems(folder, made[1]))


def test_the_two_sets_differ_in_what_they_are_named_for(made):
    """In the curved one most channels are CUBICSPLINE: all of a clip, or none."""
    recipe = json.loads((made[0] / "clips.json").read_bytes())["packing"]["interpolation"]
    text = glb_reader.read_glb((made[0] / "set.glb").read_bytes()).json
    ways = [one.get("interpolation", "LINEAR") for clip in text["animations"] for one in clip["samplers"]]
    assert (ways.count("CUBICSPLINE") > 0.7 * len(ways)) == (recipe == "cubic"), ways
    assert ("CUBICSPLINE" in ways) == (recipe == "cubic")


def test_the_players_agree_with_the_tests_own(made):
    """Our independent reader and the tests' (4 x 4 matrices) give the same worlds."""
    data = (made[0] / "set.glb").read_bytes()
    scene, other = GlbScene(data, "set.glb"), glb_reader.read_glb(data)
    times = np.random.default_rng(5).uniform(0, 1.2, 12)
    for name in scene.curves:
        worlds = scene.worlds(name, times)
        for k, time in enumerate(times):
            right = other.world_at(name, time)
            assert max(np.abs(worlds[k, node] - right[node]).max() for node in right) < 1e-9


@settings(max_examples=300)
@given(st.data())
def test_damaged_files_raise_only_our_error(made, data):
    whole = (made[0] / "set.glb").read_bytes()
    damaged = bytearray(whole)
    for _ in range(data.draw(st.integers(1, 4))):
        damaged[data.draw(st.integers(0, min(6000, len(whole)) - 1))] = data.draw(st.integers(0, 255))
    if data.draw(st.booleans()):
        del damaged[data.draw(st.integers(0, len(whole))) :]
    with contextlib.suppress(GlbError):
        scene = GlbScene(bytes(damaged), "x")
        for name in scene.curves:
            scene.worlds(name, np.array([0.0, 0.5]))


def test_a_folder_without_a_set_is_an_error(tmp_path, capsys):
    with pytest.raises(FileError, match="cannot read"):
        verify_set(tmp_path)
    (tmp_path / "clips.json").write_text("[")
    with pytest.raises(FileError, match="not JSON"):
        verify_set(tmp_path)
    assert cli.main(["verify", str(tmp_path)]) == 2
    assert capsys.readouterr().err.count("\n") == 1


def test_the_command_prints_a_table_and_tells_by_its_exit_code(folder, capsys):
    assert cli.main(["verify", str(folder)]) == 0
    out = capsys.readouterr().out
    assert "4 clips, all ok" in out
    assert out.count("  ok\n") == 4
    assert cli.main(["verify", str(folder), "--json"]) == 0
    said = json.loads(capsys.readouterr().out)
    assert said["problems"] == []
    assert [clip["name"] for clip in said["clips"]] == ["walk", "pace", "drift", "off"]
    (folder / "report.html").unlink()
    assert cli.main(["verify", str(folder)]) == 1
    assert "1 problems" in capsys.readouterr().out


def test_the_command_makes_the_clips_again(capsys, tmp_path):
    take = small_takes.write(tmp_path)
    (tmp_path / "r.toml").write_text(RECIPE)
    recipe = ["--recipe", str(tmp_path / "r.toml")]
    assert cli.main(["pack", str(take), *recipe, "--out", str(tmp_path / "set")]) == 0
    capsys.readouterr()
    assert cli.main(["verify", str(tmp_path / "set"), str(take), *recipe, "--json"]) == 0
    assert all(0 < clip["error_mm"] <= 0.5 for clip in json.loads(capsys.readouterr().out)["clips"])
    (tmp_path / "r.toml").write_text(RECIPE + '[[clip]]\nname = "new"\nfrom = 0\nto = 1\n')
    assert cli.main(["verify", str(tmp_path / "set"), str(take), *recipe]) == 1
    assert "makes a clip 'new', which is not in the set" in capsys.readouterr().out


def test_nothing_is_changed_by_verifying(made, folder):
    before = {path.name: path.read_bytes() for path in folder.iterdir()}
    motions = copy.copy(made[1])
    verify_set(folder, motions)
    assert {path.name: path.read_bytes() for path in folder.iterdir()} == before
