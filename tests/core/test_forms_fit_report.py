"""What `clips.json` says of a fit is the same however take and character are written."""

from __future__ import annotations

import json
from dataclasses import replace
from functools import cache
from pathlib import Path

import pytest

import fit_bodies
import forms
import rigs
import small_takes
from takemill.body.body_map import find_body_map
from takemill.shell import cli

pytestmark = pytest.mark.once
SKELETON = fit_bodies.body(fit_bodies.TOON)[0]
RECIPE = """
[[clip]]
name = "walk"
from = 3.5
to = 8
[[clip]]
name = "off"
from = 1.5
to = 4
loop = false
"""
FACTS = ("contacts", "soles", "legs", "goals", "arms_in_body_mm", "fit_quality")
# Between two files: what rounding of their numbers leaves; as `verify` allows between two readings of one.
NEAR = {"cm_s": 0.3, "mm": 0.3, "deg": 0.1, "share": 0.01}


@cache
def take() -> forms.Plain:
    return forms.plain(small_takes.stand_and_walk(30.0))


def text(name: str) -> str:
    """The take in a form."""
    parts = find_body_map(small_takes.stand_and_walk(30.0).skeleton).joints
    if name == "metres, Z up, nameless":
        return forms.bvh_text(forms.renamed(take(), "nameless"), unit="m", up="Z")
    if name == "another rest, millimetres, X up":
        pose = forms.random_turns(3)(take(), parts)
        return forms.bvh_text(forms.resting(take(), pose), unit="mm", up="X")
    return forms.bvh_text(take())


def character(name: str) -> bytes:
    """The character in a form."""
    if name != "centimetres below a node":
        return rigs.character(SKELETON)
    tips, at = SKELETON.tip_offsets * 100, SKELETON.rest_translation * 100
    return rigs.character(replace(SKELETON, rest_translation=at, tip_offsets=tips), scale=(0.01,) * 3)


def facts(folder: Path, form: str) -> list[dict]:
    """What the list says of each clip's fit."""
    (folder / "walk.bvh").write_text(text(form))
    (folder / "r.toml").write_text(RECIPE)
    (folder / "toon.glb").write_bytes(character(form))
    given = [str(folder / "walk.bvh"), "--recipe", str(folder / "r.toml"), "--to", str(folder / "toon.glb")]
    assert cli.main(["pack", *given, "--out", str(folder / "set")]) == 0
    said = json.loads((folder / "set" / "clips.json").read_text())
    assert said["character"]["unmapped"] == []
    return [{key: clip[key] for key in FACTS} for clip in said["clips"]]


@pytest.fixture(scope="module")
def wanted(tmp_path_factory) -> list[dict]:
    return facts(tmp_path_factory.mktemp("plain"), "plain")


@pytest.mark.parametrize(
    "form", ["metres, Z up, nameless", "another rest, millimetres, X up", "centimetres below a node"]
)
def test_a_fit_report_says_the_same_of_any_form(tmp_path, wanted, form) -> None:
    got = facts(tmp_path, form)
    assert len(wanted) == len(got) == 2
    for one, other in zip(got, wanted, strict=True):
        assert one["soles"].keys() == other["soles"].keys() == {"leftFoot", "rightFoot"}
        assert all(0.0 < slide < 5.0 for slide in one["legs"]["performer_slides_cm_s"].values())
        assert len(one["legs"]["performer_slides_cm_s"]) == 2
        assert_near(one, other)


def assert_near(got, wanted, key: str = "") -> None:
    """Equal, but for numbers of a unit that is near, and frames of values that are all but equal."""
    if isinstance(wanted, dict):
        assert got.keys() == wanted.keys()
        for name in wanted:
            within = key if key.endswith(tuple(NEAR)) else name
            assert_near(got[name], wanted[name], within)
    elif isinstance(wanted, list):
        assert len(got) == len(wanted)
        for one, other in zip(got, wanted, strict=True):
            assert_near(one, other, key)
    elif isinstance(wanted, float):
        unit = next(unit for unit in NEAR if key.endswith(unit))
        assert abs(got - wanted) <= NEAR[unit], key
    elif not key.endswith("_frame"):
        assert got == wanted, key
