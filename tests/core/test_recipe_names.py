"""Names of clips: legal everywhere, all different, filled by a pattern."""

from __future__ import annotations

import contextlib
import re
import unicodedata
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

import glb_reader
import synthetic
from glb_clips import clip_of
from takemill.base.errors import RecipeError
from takemill.files.glb import append_animations, skeleton_glb
from takemill.recipe.recipe_names import expect_name, expect_pattern, expect_unique, fill_pattern

WORDS = {"character": "courier", "set": "ferry", "take": "monday", "kind": "locomotion"}

BAD_NAMES = [
    "", " a", "a.", ".a", "a/b", "a\\b", "a:b", "a\tb", "a\nb", "con", "NUL.txt",
    "é" * 32, "x" * 64, "\u202ea",
]  # fmt: skip


@pytest.mark.parametrize("name", BAD_NAMES)
def test_names_that_some_file_system_refuses(name):
    with pytest.raises(RecipeError, match=r"^place: "):
        expect_name(name, "place")


@pytest.mark.parametrize("name", ["walk", "walk 2", "Fährfrau-gehen", "走る", "é" * 31, "x" * 63, "a.b_c+d"])
def test_names_that_all_accept(name):
    assert expect_name(name, "place") == name
    assert expect_name(unicodedata.normalize("NFD", name), "place") == name


@given(st.text(min_size=1, max_size=20))
def test_an_accepted_name_is_a_file_and_an_animation(tmp_path_factory, name):
    with contextlib.suppress(RecipeError):
        name = expect_name(name, "place")
        folder = tmp_path_factory.mktemp("names")
        (folder / f"{name}.glb").write_bytes(b"x")
        assert [unicodedata.normalize("NFC", one.name) for one in folder.iterdir()] == [f"{name}.glb"]
        clip = clip_of(name, MOTION)
        read = glb_reader.read_glb(append_animations(BASE, [clip]))
        assert [one["name"] for one in read.json["animations"]] == [name]


MOTION = synthetic.idle(rate=30.0, duration_s=1.0).motion.slice(0, 3)
BASE = skeleton_glb(MOTION.skeleton)


def test_names_differ_in_more_than_case():
    expect_unique(["a", "b", "ab"], "set")
    for twice in (["a", "A"], ["straße", "STRASSE"], ["\u00e9", "e\u0301"]):
        with pytest.raises(RecipeError, match=r"set: two clips are called"):
            expect_unique(twice, "set")


def test_a_pattern_counts_what_stands_already():
    pattern = expect_pattern("{character}_{kind}_{n:02}", "naming")
    assert fill_pattern(pattern, set(), "clip", **WORDS) == "courier_locomotion_01"
    assert (
        fill_pattern(pattern, {"Courier_Locomotion_01", "courier_locomotion_03"}, "clip", **WORDS)
        == "courier_locomotion_02"
    )
    assert fill_pattern("{set}-{take}", {"x"}, "clip", **WORDS) == "ferry-monday"
    assert fill_pattern("{{{n}}}", set(), "clip", **WORDS) == "{1}"
    with pytest.raises(
        RecipeError, match=re.escape("clip: the naming pattern '{take}' gives 'monday' twice")
    ):
        fill_pattern("{take}", {"monday"}, "clip", **WORDS)
    with pytest.raises(RecipeError, match="clip: 'mon/day' holds '/'"):
        fill_pattern("{take}", set(), "clip", **WORDS | {"take": "mon/day"})


@pytest.mark.parametrize(
    "pattern",
    [
        "{name}",
        "{}",
        "{0}",
        "{n!r}",
        "{kind:9}",
        "{n:x}",
        "{n:999999999}",
        "{n.real}",
        "{",
        "a/{n}",
        "",
        "{n:{n}}",
    ],
)
def test_patterns_that_are_none(pattern):
    with pytest.raises(RecipeError, match=r"^naming: "):
        expect_pattern(pattern, "naming")


@given(st.text(alphabet="{}n:02kindtakeset!.[]()% x", max_size=16))
def test_an_accepted_pattern_gives_legal_names(pattern):
    with contextlib.suppress(RecipeError):
        accepted = expect_pattern(pattern, "naming")
        name = fill_pattern(accepted, set(), "clip", **WORDS)
        assert expect_name(name, "clip") == name
        assert Path(name).name == name
