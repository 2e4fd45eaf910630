"""Recipes: what a good one gives, and what a bad one is told."""

from __future__ import annotations

import contextlib
import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from takemill.base.errors import FileError, RecipeError, TakemillError
from takemill.clip.root_motion_parts import RootMotionParts
from takemill.cuts.cuts import Cut
from takemill.recipe.recipe import (
    TABLES,
    CharacterSpec,
    ClipSpec,
    Moment,
    Recipe,
    VariantSpec,
    parse_recipe,
    rate_of,
    read_recipe,
)
from takemill.recipe.recipe_clip import NamedMoment

GOOD = """
name = "ferry"
rate = 30

[body]
leftFoot = "L_Ankle"

[characters.courier.body]
hips = "pelvis_ctl"
leftToes = ""

[characters.courier.fit]
plant_feet = false

[loop]
longest_s = 6

[reduce]
max_error_m = 0.001

[[clip]]
name = "walk"
from = 4
to = "720f"
loop = true
root_motion = "in_place"
rate = 60
take = "marsh"
planar = "keep"
turn_deg = 90
events = [{name = "lamp", at = 5.5}]

[[clip]]
name = "gruß"
from = 0.5
to = 2.25

[[variant]]
of = "walk"
speed = 1.2
"""


def test_a_recipe_says_what_stands_in_it():
    recipe = parse_recipe(GOOD)
    assert (recipe.name, recipe.rate, recipe.body) == ("ferry", 30.0, {"leftFoot": "L_Ankle"})
    courier = recipe.characters["courier"]
    assert courier == CharacterSpec({"hips": "pelvis_ctl", "leftToes": ""}, {"plant_feet": False})
    own = recipe.of_character("courier")
    assert (own.body, own.fit.plant_feet, own.fit.floor_m) == (courier.body, False, recipe.fit.floor_m)
    assert (recipe.fit.plant_feet, recipe.of_character("other").body) == (True, {})
    assert (recipe.loop.longest_s, recipe.loop.shortest_s) == (6.0, None)
    assert recipe.reduce.max_error_m == 0.001
    walk, greeting = recipe.clips
    assert walk == ClipSpec(
        "walk", Moment(4.0), Moment(720.0, True), True, True, "in_place", 60.0, None, "marsh",
        planar="keep", turn_deg=90.0, events=(NamedMoment("lamp", Moment(5.5)),),
    )  # fmt: skip
    assert (greeting.name, greeting.loop, greeting.root_motion, greeting.rate) == (
        "gruß",
        False,
        "root",
        None,
    )
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
    spec = ClipSpec.from_cut(Cut("idle_01", "idle", 120, 480, True), "marsh")
    assert spec.frames(1000, 120.0) == (120, 480)
    assert (spec.name, spec.loop, spec.root_motion, spec.take, spec.kind) == (
        "idle_01", True, "in_place", "marsh", "idle"
    )  # fmt: skip
    assert (
        ClipSpec.from_cut(Cut("locomotion_01", "locomotion", 1, 9, True), name="walk").root_motion == "root"
    )


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
        ("clps = 1", "unknown key 'clps'; did you mean 'clip'? known: name, rate, files, fbx, naming, "),
        ("[loop]\nlongest = 6", "[loop]: unknown key 'longest'; did you mean 'longest_s'?"),
        ("[reduce]\nmax_error_m = 0", "[reduce]: max_error_m: expected a number above 0, got 0"),
        ("rate = true", "rate: expected a number, got true"),
        ("rate = 0", "rate: expected 1 to 1000 frames per second, got 0"),
        ("rate = inf", "rate: expected a finite number"),
        ('files = "two"', "files: expected one of 'one', 'each', 'separate', got 'two'"),
        ('name = "a/b"', "name: 'a/b' holds '/'"),
        ("[clip]", "clips stand in double brackets"),
        ("clip = [1]", "clip 1: expected a table, got 1"),
        ('[[clip]]\nname = "a"', "clip 1: 'from' is missing; a clip has at least name"),
        ("[[clip]]\nfrom = 0\nto = 1", "clip 1: 'name' is missing"),
        (CLIP + "lop = true", "clip 1: unknown key 'lop'; did you mean 'loop'?"),
        (CLIP + "loop = 1", "clip 1 ('a') loop: expected true or false, got 1"),
        (CLIP + 'root_motion = "inplace"', "root_motion: expected one of keep, root, in_place, got"),
        (CLIP + 'kind = "walk"', "kind: expected one of idle, locomotion"),
        (CLIP + "rate = 0.5", "rate: expected 1 to 1000"),
        (CLIP + "smooth_hz = -1", "smooth_hz: expected 0 or more (0 is no smoothing), got -1"),
        (CLIP + CLIP, "two clips are called 'a'"),
        (CLIP + CLIP.replace('"a"', '"A"'), "two clips are called 'A'"),
        (CLIP.replace("to = 1", "to = nan"), "to: expected a finite number"),
        (CLIP.replace("to = 1", "to = -1"), "to: expected seconds from 0 on, got -1"),
        (CLIP.replace("to = 1", 'to = "9"'), 'to: expected seconds (4.5) or frames ("540f"), got \'9\''),
        (CLIP.replace("to = 1", 'to = "-9f"'), "to: expected seconds"),
        (CLIP.replace("to = 1", "to = 1979-05-27"), "to: expected a number, got datetime.date"),
        (CLIP + "turn_deg = -90", "turn_deg: expected 0 to 3600, to the side to which the take turns"),
        (CLIP + 'planar = "in_place"', "planar: expected one of keep, root, remove, got 'in_place'"),
        (CLIP + "height = true", "height: expected a text in quotes, got true"),
        (CLIP + "blend_frames = 4", 'blend_frames: say onto which clip\'s first pose with neutral = "..."'),
        ("blend_frames = 4", "blend_frames: say onto which clip"),
        ('neutral = "a"\nblend_frames = -1', "blend_frames: expected 0 to 1000 frames, got -1"),
        ('neutral = "a"\nblend_frames = 2.5', "blend_frames: expected a whole number, got 2.5"),
        (CLIP + "events = [1]", "clip 1 ('a') events 1: expected a table, got 1"),
        (CLIP + 'events = "x"', "events: expected tables in brackets"),
        (CLIP + 'events = [{name = "x"}]', "events 1: 'at' is missing"),
        (CLIP + 'events = [{name = "x", at = "9"}]', "events 1 at: expected seconds (4.5)"),
        (CLIP + 'events = [{name = "x", when = 9}]', "events 1: unknown key 'when'; known: name, at"),
        (CLIP + "stretches = [[0, 1]]", "'from' and stretches do not go together"),
        (CLIP + "seed = 1", "seed: it chooses the order of an idle's parts; add length_s"),
        (CLIP + "length_s = 30\nloop = false", "an idle of that length is a loop; leave loop = false out"),
        (CLIP + 'length_s = 30\nkind = "jump"', "only an idle has one; its kind is 'jump'"),
        (CLIP + "length_s = 30\nsearch = false", "its parts must be given as stretches"),
        (CLIP + "length_s = 30\nturn_deg = 90", "'turn_deg' and length_s do not go together"),
        (CLIP + "length_s = 0.5", "length_s: expected 1 to 600 seconds, got 0.5"),
        ('[[clip]]\nname = "a"\nstretches = []', "stretches: expected pairs in brackets"),
        ('[[clip]]\nname = "a"\nstretches = [[1]]', "stretches: number 1 is no pair [from, to]"),
        ('[[clip]]\nname = "a"\nstretches = [[1, "x"]]', "stretches 1: expected seconds (4.5)"),
        ('naming = "{name}"', "naming: '{name}' holds {name}; known: {character}, {set}, {take}, "),
        ("[variant]", "variants stand in double brackets: [[variant]]"),
        ("[[variant]]\nmirror = true", "variant 1: 'of' is missing"),
        ('[[variant]]\nof = "a"', "variant 1: it would be the same clip; add mirror, speed or additive_to"),
        ('[[variant]]\nof = "a"\nmirrored = true', "unknown key 'mirrored'; did you mean 'mirror'?"),
        ('[[variant]]\nof = "a"\nspeed = 0', "speed: expected 0.1 to 10 times, got 0"),
        ('[[variant]]\nof = "a"\nmirror = true\nagainst = "clip"', "'against' needs additive_to"),
        (
            '[[variant]]\nof = "a"\nadditive_to = "b"\nagainst = "all"',
            "against: expected one of pose, clip, got 'all'",
        ),
        (CLIP + '[[variant]]\nof = "b"\nname = "A"\nmirror = true', "two clips are called 'A'"),
        (f'[[variant]]\nof = "{"x" * 60}"\nmirror = true', "variant 1 name: "),
        (
            '[characters.a.body]\nleftFoot = 3',
            "[characters.a.body].leftFoot: expected a text in quotes, got 3",
        ),
        ('[characters.a]\nbody = "x"', "[characters.a.body]: expected a table"),
        ('[characters]\nfit = "x"', "[characters.fit]: expected a table"),
        ('[characters.a]\nleftFoot = "x"', "[characters.a]: unknown key 'leftFoot'; known: body, fit"),
        (
            "[characters.a.fit]\n[characters.A.fit]",
            "[characters.A]: 'a' is the same character but for small and large letters",
        ),
        ('[characters.a.fit]\nplant_foot = false', "[characters.a.fit]: unknown key 'plant_foot'"),
        ('[characters.a.fit]\nfloor_m = 1e9', "[characters.a.fit] floor_m: expected a number from"),
        ('[body]\nleftFoot = 3', "[body].leftFoot: expected a text in quotes, got 3"),
    ],
)  # fmt: skip
def test_a_bad_recipe_is_told_what_and_where(text, message):
    with pytest.raises(RecipeError, match=re.escape(message)) as caught:
        parse_recipe(text, "r.toml")
    assert str(caught.value).startswith("r.toml: ")
    assert "\n" not in str(caught.value)


def test_clips_say_what_becomes_of_them():
    recipe = parse_recipe(
        'neutral = "a"\nblend_frames = 5\n'
        + CLIP
        + 'planar = "remove"\nturn_deg = 180\nblend_frames = 0\nevents = [{name = "x", at = "30f"}]\n'
        + '[[clip]]\nname = "b"\nstretches = [["6f", 1], [2, 3]]\n'
        + '[[variant]]\nof = "a"\nspeed = 2\nmirror = true'
    )
    a, b = recipe.clips
    assert (a.planar, a.turn, a.turn_deg, a.blend_frames) == ("remove", "", 180.0, 0)
    assert a.events == (NamedMoment("x", Moment(30, True)),)
    assert (a.parts(), b.blend_frames) == (RootMotionParts("remove", "root", "keep"), None)
    assert a.parts(turn=False, height=True) == RootMotionParts("remove", "keep", "root")
    assert b.ranges(1000, 60.0) == ((6, 61), (120, 181))
    assert b.frames(1000, 60.0) == (6, 181)
    assert (b.start, b.stop) == (Moment(6, True), Moment(3.0))
    assert recipe.variants == (VariantSpec("a", "a_mirrored_x2", True, 2.0),)
    with pytest.raises(RecipeError, match=r"clip 'b': from 2 s to 3 s leaves the take"):
        b.ranges(170, 60.0)


def test_a_naming_lets_clips_go_without_names():
    recipe = parse_recipe('naming = "{kind}_{n}"\n[[clip]]\nfrom = 1\nto = 2')
    assert recipe.clips[0].name == ""
    assert str(recipe.clips[0]) == "the clip from 1 s"
    with pytest.raises(RecipeError, match="clip 1: 'to' is missing"):
        parse_recipe('naming = "{kind}_{n}"\n[[clip]]\nfrom = 1')


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
