"""Recipes: what a good one gives, and what a bad one is told."""

from __future__ import annotations

import contextlib
import json
import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from takemill.cuts import Cut
from takemill.errors import FileError, RecipeError, TakemillError
from takemill.recipe import TABLES, ClipSpec, Moment, Recipe, parse_recipe, rate_of, read_recipe

GOOD = """
name = "ferry"
rate = 30

[body]
leftFoot = "L_Ankle"

[loop]
longest_s = 6

[reduce]
max_error_m = 0.001

[[clip]]
name = "walk"
from = 4
to = "720f"
loop = true
travel = "in_place"
rate = 60
take = "marsh"

[[clip]]
name = "gruß"
from = 0.5
to = 2.25
"""


def test_a_recipe_says_what_stands_in_it():
    recipe = parse_recipe(GOOD)
    assert (recipe.name, recipe.rate, recipe.body) == ("ferry", 30.0, {"leftFoot": "L_Ankle"})
    assert (recipe.loop.longest_s, recipe.loop.shortest_s) == (6.0, Recipe().loop.shortest_s)
    assert recipe.reduce.max_error_m == 0.001
    walk, greeting = recipe.clips
    assert walk == ClipSpec(
        "walk", Moment(4.0), Moment(720.0, True), True, True, "in_place", 60.0, None, "marsh"
    )
    assert (greeting.name, greeting.loop, greeting.travel, greeting.rate) == ("gruß", False, "root", None)
    assert [rate_of(clip, recipe, 120.0) for clip in recipe.clips] == [60.0, 30.0]
    assert rate_of(greeting, Recipe(), 120.0) == 120.0


def test_an_empty_recipe_is_all_defaults():
    assert parse_recipe("") == Recipe()
    assert parse_recipe("\n".join(f"[{name}]" for name in TABLES)) == Recipe()


def test_windows_text_is_read(tmp_path):
    path = tmp_path / "r.toml"
    path.write_bytes(b"\xef\xbb\xbf" + GOOD.replace("\n", "\r\n").encode())
    assert read_recipe(path) == parse_recipe(GOOD)


def test_the_end_of_a_clip_is_its_last_pose():
    walk, greeting = parse_recipe(GOOD).clips
    assert walk.frames(1000, 120.0) == (480, 721)
    assert greeting.frames(1000, 60.0) == (30, 136)  # 1.75 s are 105 frames and the last pose
    assert ClipSpec("all", Moment(0), Moment(999, True)).frames(1000, 60.0) == (0, 1000)


def test_a_cut_becomes_a_clip_of_the_same_frames():
    spec = ClipSpec.from_cut(Cut("idle_01", "still", 120, 480, True), "marsh")
    assert spec.frames(1000, 120.0) == (120, 480)
    assert (spec.name, spec.loop, spec.travel, spec.take, spec.kind) == (
        "idle_01", True, "in_place", "marsh", "still"
    )  # fmt: skip
    assert ClipSpec.from_cut(Cut("steps_01", "steps", 1, 9, True), name="walk").travel == "root"


@pytest.mark.parametrize(
    ("start", "stop", "message"),
    [
        (Moment(0), Moment(10), "from 0 s to 10 s leaves the take, which ends at 1.650 s (frame 99)"),
        (Moment(0, True), Moment(100, True), "from 0f to 100f leaves the take"),
        (Moment(12), Moment(13), "leaves the take"),
        (Moment(1), Moment(1), "holds less than two frames; 'to' must be later"),
        (Moment(1), Moment(0.5), "holds less than two frames"),
    ],
)
def test_a_clip_outside_its_take_is_told_where_the_take_ends(start, stop, message):
    with pytest.raises(RecipeError, match=re.escape(message)):
        ClipSpec("a", start, stop).frames(100, 60.0)


CLIP = '[[clip]]\nname = "a"\nfrom = 0\nto = 1\n'


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("name = ", "not TOML: Invalid value (at "),
        ("a = 1\na = 2", "not TOML"),
        ("x = " + "[" * 5000, "not TOML"),
        ("rate = " + "9" * 5000, "not TOML"),
        ("clps = 1", "unknown key 'clps'; did you mean 'clip'? known: name, rate, files, naming, "),
        ("[loop]\nlongest = 6", "[loop]: unknown key 'longest'; did you mean 'longest_s'?"),
        ("[reduce]\nmax_error_m = 0", "[reduce]: max_error_m: expected a number above 0, got 0"),
        ("rate = true", "rate: expected a number, got true"),
        ("rate = 0", "rate: expected 1 to 1000 frames per second, got 0"),
        ("rate = inf", "rate: expected a finite number"),
        ('files = "two"', "files: expected one of 'one', 'each', 'apart', got 'two'"),
        ('name = "a/b"', "name: 'a/b' holds '/'"),
        ("[clip]", "clips stand in double brackets"),
        ("clip = [1]", "clip 1: expected a table, got 1"),
        ('[[clip]]\nname = "a"', "clip 1: 'from' is missing; a clip has at least name"),
        ("[[clip]]\nfrom = 0\nto = 1", "clip 1: 'name' is missing"),
        (CLIP + "lop = true", "clip 1: unknown key 'lop'; did you mean 'loop'?"),
        (CLIP + "loop = 1", "clip 1 ('a') loop: expected true or false, got 1"),
        (CLIP + 'travel = "inplace"', "travel: expected one of keep, root, in_place, got 'inplace'"),
        (CLIP + 'kind = "walk"', "kind: expected one of still, steps"),
        (CLIP + "rate = 0.5", "rate: expected 1 to 1000"),
        (CLIP + "smooth_hz = -1", "smooth_hz: expected 0 or more (0 is no smoothing), got -1"),
        (CLIP + CLIP, "two clips are called 'a'"),
        (CLIP + CLIP.replace('"a"', '"A"'), "two clips are called 'A'"),
        (CLIP.replace("to = 1", "to = nan"), "to: expected a finite number"),
        (CLIP.replace("to = 1", "to = -1"), "to: expected seconds from 0 on, got -1"),
        (CLIP.replace("to = 1", 'to = "9"'), 'to: expected seconds (4.5) or frames ("540f"), got \'9\''),
        (CLIP.replace("to = 1", 'to = "-9f"'), "to: expected seconds"),
        (CLIP.replace("to = 1", "to = 1979-05-27"), "to: expected a number, got datetime.date"),
        ('[body]\nleftFoot = 3', "[body].leftFoot: expected a text in quotes, got 3"),
    ],
)  # fmt: skip
def test_a_bad_recipe_is_told_what_and_where(text, message):
    with pytest.raises(RecipeError, match=re.escape(message)) as caught:
        parse_recipe(text, "r.toml")
    assert str(caught.value).startswith("r.toml: ")
    assert "\n" not in str(caught.value)


BAD_NAMES = [
    "", " a", "a.", ".a", "a/b", "a\\b", "a:b", "a\tb", "a\nb", "con", "NUL.txt",
    "é" * 32, "x" * 64, "\u202ea",
]  # fmt: skip


@pytest.mark.parametrize("name", BAD_NAMES)
def test_names_that_some_file_system_refuses(name):
    with pytest.raises(RecipeError, match=r"^recipe: clip 1 name: "):
        parse_recipe(CLIP.replace('"a"', json.dumps(name)))


@pytest.mark.parametrize("name", ["walk", "walk 2", "Fährfrau-gehen", "走る", "é" * 31, "x" * 63, "a.b_c+d"])
def test_names_that_all_accept(name):
    assert parse_recipe(CLIP.replace('"a"', f'"{name}"')).clips[0].name == name


def test_files_that_are_no_recipes(tmp_path):
    with pytest.raises(FileError, match="cannot read"):
        read_recipe(tmp_path / "missing.toml")
    with pytest.raises(FileError, match="cannot read"):
        read_recipe(tmp_path)
    path = tmp_path / "latin.toml"
    path.write_bytes('name = "Fähre"'.encode("latin-1"))
    with pytest.raises(RecipeError, match="not UTF-8"):
        read_recipe(path)


@given(st.integers(0, len(GOOD)), st.integers(0, 12), st.text(max_size=6))
def test_damaged_recipes_raise_only_our_errors(place, cut, text):
    with contextlib.suppress(TakemillError):
        parse_recipe(GOOD[:place] + text + GOOD[place + cut :])
