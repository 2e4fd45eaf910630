"""`import takemill`: its names, their documents, and that each of them does what it says."""

from __future__ import annotations

import ast
import doctest
import inspect
import re
import shutil
import subprocess
import sys
from dataclasses import fields, is_dataclass, replace
from pathlib import Path

import numpy as np
import pytest

import small_takes
import synthetic
import takemill
from rigs import character
from takemill.api.set_verbs import SetVerdict
from takemill.clip.events import Event
from takemill.cuts import cuts
from takemill.cuts.cuts import Cut
from takemill.health.check import Finding, Health
from takemill.idle.idle import IdleFacts
from takemill.loops.loop_search import LoopCandidate
from takemill.pipeline.finish_clip import FinishedClip
from takemill.pipeline.prepare_take import digest_of
from takemill.pipeline.suggest_idle import SuggestedIdle
from takemill.sets.verify import Verdict
from takemill.shell import cli
from takemill.shoot.build_shoot import Built

PAGE = (Path(__file__).parents[2] / "docs/python.md").read_text(encoding="utf-8")
SCRIPTS = re.findall(r"```python\n(.*?)```", PAGE, re.DOTALL)
RECIPE = (
    '[[clip]]\nname = "walk"\n{}from = 3.5\nto = 8\nloop = true\n'
    '[[clip]]\nname = "stand"\n{}from = 0\nto = 1.9\nloop = true\nroot_motion = "in_place"\n'
)


@pytest.fixture(scope="module")
def place(tmp_path_factory) -> Path:
    """A take, a recipe and characters, under the names that the page and the docstrings use."""
    folder = tmp_path_factory.mktemp("door")
    small_takes.write(folder).rename(folder / "take.bvh")
    small_takes.write(folder, "calm.bvh", synthetic.idle(rate=30.0, duration_s=14.0).motion)
    for name in ("a", "b"):
        shutil.copy(folder / "take.bvh", folder / f"{name}.bvh")
    (folder / "set.toml").write_text(RECIPE.format("", ""))
    (folder / "calm.toml").write_text('[[clip]]\nname = "rest"\nfrom = 0.5\nto = 2.0\n')
    (folder / "shoot.toml").write_text('takes = ["calm.bvh"]\n')
    skeleton = small_takes.stand_and_walk().skeleton
    for name, size in (("courier", 0.9), ("lamplighter", 1.1), ("short", 0.8), ("tall", 1.2)):
        scaled = replace(
            skeleton,
            rest_translation=size * skeleton.rest_translation,
            tip_offsets=size * skeleton.tip_offsets,
        )
        (folder / f"{name}.glb").write_bytes(character(scaled))
    return folder


@pytest.fixture
def there(place, monkeypatch) -> Path:
    monkeypatch.chdir(place)
    return place


def test_what_is_offered_is_what_the_page_tells():
    """The list is kept by hand in both; a name that comes or goes is a decision, not an accident."""
    table = PAGE.partition("| name |")[2].partition("\n\n")[0]
    assert set(re.findall(r"^\| `(\w+)", table, re.MULTILINE)) | {"parse_recipe"} == set(takemill.__all__)
    assert set(takemill.__all__) == {
        "Recipe", "Take", "TakemillError", "build_shoot", "check_take", "find_loops", "fit_take",
        "make_clips", "map_body", "pack_takes", "parse_recipe", "read_recipe", "read_take", "repair_take",
        "suggest_cuts", "suggest_idle", "verify_set", "write_take",
    }  # fmt: skip
    assert set(takemill.__all__) <= set(dir(takemill))
    with pytest.raises(AttributeError, match=r"no attribute 'pack_up'; it offers Recipe, Take"):
        takemill.pack_up  # noqa: B018


def test_the_types_of_what_is_offered_are_those_that_are_loaded():
    """What a type checker is told, and what `__getattr__` gives, come from one place each."""
    tree = ast.parse(Path(takemill.__file__).read_text(encoding="utf-8"))
    (block,) = (node for node in tree.body if isinstance(node, ast.If))
    told = {alias.name: one.module for one in block.body for alias in one.names}
    assert told == takemill._HOME
    assert sorted(told) == sorted(takemill.__all__)


def test_every_verb_has_types_and_an_example():
    for name in takemill.__all__:
        one = getattr(takemill, name)
        assert re.search(rf"takemill\.{name}\b", "".join(SCRIPTS)), f"no script of the page uses {name}"
        if inspect.isfunction(one):
            notes = inspect.signature(one)
            assert notes.return_annotation is not inspect.Signature.empty
            assert all(each.annotation is not each.empty for each in notes.parameters.values())
            if one.__module__.startswith("takemill.api"):
                assert "Example:" in (one.__doc__ or "")
            row = re.search(rf"`{name}\(([^)]*)\)`", PAGE)
            assert row, name
            shown = row.group(1).split(", ")
            hidden = {"map_body": {"recipe"}, "parse_recipe": {"source"}, "verify_set": {"on_intake"}}
            assert set(shown) == set(notes.parameters) - hidden.get(name, set()), name


def test_nothing_is_loaded_before_it_is_used():
    code = "import sys, takemill; print(takemill.__version__, 'numpy' in sys.modules, len(takemill.__all__))"
    out = subprocess.run([sys.executable, "-c", code], check=True, capture_output=True, text=True).stdout
    assert out.split() == [takemill.__version__, "False", "18"]


def test_what_verbs_give_has_what_the_page_names():
    table = PAGE.partition("| what functions return |")[2]
    kinds = (
        takemill.Take, Health, Finding, Cut, LoopCandidate, SuggestedIdle, IdleFacts, FinishedClip, Event,
        SetVerdict, Verdict, Built,
    )  # fmt: skip
    rows = dict(re.findall(r"^\| `(\w+)` \| (.*) \|$", table, re.MULTILINE))
    assert set(rows) == {kind.__name__ for kind in kinds}
    for kind in kinds:
        assert is_dataclass(kind)
        there = {field.name for field in fields(kind)} | set(dir(kind))
        assert set(re.findall(r"`(\w+)`", rows[kind.__name__])) <= there


@pytest.mark.once
@pytest.mark.usefixtures("there")
@pytest.mark.parametrize("number", range(len(SCRIPTS)))
def test_the_scripts_of_the_page_run(number, capsys):
    exec(compile(SCRIPTS[number], f"docs/python.md, script {number + 1}", "exec"), {"__name__": "__main__"})
    assert capsys.readouterr().err == ""


@pytest.mark.once
@pytest.mark.usefixtures("there")
@pytest.mark.parametrize("name", [n for n in takemill.__all__ if n[0].islower() and "recipe" not in n])
def test_the_examples_of_the_docstrings_run(name, monkeypatch):
    if name == "verify_set":
        takemill.pack_takes("take.bvh", "clips", "set.toml", to="courier.glb")
    if name == "pack_takes":  # a set of several takes says which each clip is of
        whose = ('take = "a"\n', 'take = "b"\n')
        whole = takemill.read_recipe
        path = "takemill.api.take_verbs.read_recipe"
        calls = iter([whole("set.toml"), takemill.parse_recipe(RECIPE.format(*whose))])
        monkeypatch.setattr(path, lambda _: next(calls))
    one = getattr(takemill, name)
    examples = doctest.DocTestParser().get_examples(inspect.getdoc(one) or "")
    assert examples
    names = {"takemill": takemill, "print": lambda *said: said}
    for example in examples:
        exec(compile(example.source, f"{name}.__doc__", "exec"), names)


def test_verbs_give_what_the_commands_give(there, capsys):
    """The same files, byte for byte, from paths, from raw and from repaired takes."""
    cli.main(["pack", "take.bvh", "--recipe", "set.toml", "--out", "by_command"])
    capsys.readouterr()
    raw = takemill.read_take("take.bvh")
    for number, take in enumerate(("take.bvh", raw, takemill.repair_take(raw))):
        (packed,) = takemill.pack_takes(take, f"by_verb_{number}", "set.toml").values()
        assert [clip["name"] for clip in packed] == ["walk", "stand"]
        for file in ("take.glb", "clips.json", "report.html"):
            assert (there / f"by_verb_{number}" / file).read_bytes() == (
                there / "by_command" / file
            ).read_bytes(), (number, file)
    made = takemill.make_clips(raw, "set.toml")
    (verdict,) = takemill.verify_set("by_command", "take.bvh", "set.toml")
    assert verdict.is_ok
    assert [one.name for one in verdict.clips] == [one.name for one in made]
    other = takemill.parse_recipe(RECIPE.format("", "").replace("stand", "pause"))
    (bad,) = takemill.verify_set("by_command", "take.bvh", other)
    assert not bad.is_ok


@pytest.mark.usefixtures("there")
def test_a_repair_leaves_its_take_as_it_is():
    take = takemill.read_take("take.bvh")
    before = digest_of(take.motion)
    repaired = takemill.repair_take(take)
    assert (take.is_repaired, repaired.is_repaired) == (False, True)
    assert digest_of(take.motion) == before
    assert digest_of(repaired.motion) != before
    assert takemill.repair_take(repaired) is repaired
    assert repaired.positions().shape == (take.frames, len(take.joints), 3)
    with pytest.raises(takemill.TakemillError, match="the take itself, which is never changed"):
        takemill.write_take(repaired, "take.bvh")


@pytest.mark.usefixtures("there")
def test_cuts_and_loops_go_by_the_settings_of_the_recipe(monkeypatch):
    take = takemill.repair_take("take.bvh")
    seen = []

    def spy(motion, body, settings, contacts):
        seen.append((settings, contacts.planted.mean()))
        return suggest(motion, body, settings, contacts)

    suggest = cuts.suggest_cuts
    monkeypatch.setattr(cuts, "suggest_cuts", spy)
    slow = takemill.parse_recipe("[contacts]\nspeed_in = 0.001\nspeed_out = 0.002\n[cuts]\nidle_s = 9\n")
    plain, other = takemill.suggest_cuts(take), takemill.suggest_cuts(take, slow)
    assert [cut.kind for cut in plain] == ["idle", "locomotion", "locomotion", "locomotion", "idle"]
    assert "idle" not in {cut.kind for cut in other}
    assert seen[1][0] == slow.cuts
    assert seen[1][1] < 0.7 * seen[0][1]  # fewer feet count as planted
    found = takemill.find_loops(take, "210f", "480f")
    assert found == takemill.find_loops(take, 3.5, 8.0)
    assert all(210 <= one.start < one.end <= 480 for one in found)
    assert len(takemill.find_loops(take, 3.5, 8, takemill.parse_recipe("[loop]\ncount = 1\n"))) == 1


@pytest.mark.usefixtures("there")
def test_a_take_is_fitted_to_a_file_or_to_another_take():
    by_file = takemill.fit_take("take.bvh", "courier.glb")
    assert by_file.joints == takemill.read_take("take.bvh").joints
    height = [one.positions()[..., 2].max() for one in (by_file, takemill.repair_take("take.bvh"))]
    assert height[0] == pytest.approx(0.9 * height[1], rel=0.02)
    takemill.write_take(by_file, "fitted.bvh")
    again = takemill.read_take("fitted.bvh")
    # Written with six decimals of a degree and of a centimetre.
    np.testing.assert_allclose(again.positions(), by_file.positions(), atol=1e-5)
    on_itself = takemill.fit_take("take.bvh", takemill.read_take("take.bvh"))
    np.testing.assert_allclose(on_itself.positions(), takemill.repair_take("take.bvh").positions(), atol=1e-4)
    (clips,) = takemill.pack_takes(by_file, "fitted", "set.toml").values()
    assert [clip["name"] for clip in clips] == ["walk", "stand"]


def test_what_cannot_be_is_said_before_any_work(there, monkeypatch):
    monkeypatch.setattr("takemill.pipeline.prepare_take.repair", lambda *_: pytest.fail("it was repaired"))
    for takes, message in (([], "at least one take"), (["take.bvh", "take.bvh"], "two takes are called")):
        with pytest.raises(takemill.TakemillError, match=message):
            takemill.pack_takes(takes, "nowhere")
    (there / "a_file").write_text("")
    with pytest.raises(takemill.TakemillError, match="a_file"):
        takemill.pack_takes("take.bvh", "a_file", "set.toml")
    with pytest.raises(takemill.TakemillError, match="leaves the take"):
        takemill.pack_takes("take.bvh", "nowhere", takemill.parse_recipe('[[clip]]\nname="x"\nfrom=0\nto=99'))
    with pytest.raises(takemill.TakemillError, match="no joint of this skeleton"):
        takemill.map_body("take.bvh", {"head": "nose"})
    with pytest.raises(takemill.TakemillError, match="start"):
        takemill.find_loops("take.bvh", "soon")
    assert not (there / "nowhere").exists()
