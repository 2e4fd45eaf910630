"""Every number of a recipe is usable, or refused in one line at reading."""

from __future__ import annotations

import typing
from dataclasses import fields, is_dataclass
from types import SimpleNamespace

import pytest

import small_takes
from takemill.base.errors import RecipeError, TakemillError
from takemill.files import glb
from takemill.pipeline import stages
from takemill.pipeline.prepare_take import PreparedTake, body_of, prepare_take
from takemill.recipe.limits import expect_usable
from takemill.recipe.recipe import TABLES, parse_recipe
from takemill.sets.clip_set import build_clip_set

CLIPS = "".join(
    f'[[clip]]\nname = "{name}"\nfrom = {start}\nto = {stop}\nloop = {loop}\n'
    for name, start, stop, loop in (("walk", 3.5, 5.5, "true"), ("off", 1.5, 3, "false"))
)
CLIP_KEYS = ("rate", "smooth_hz", "turn_deg", "blend_frames")
ODD = ("1e-300", "-1e-300", "1e300", "-1e300", "nan", "inf", "-inf", "9" * 6001, "1e-320")
EXTREME = ("-1", "0", "1e-9", "1e-6", "1e-3", "0.01", "1", "100", "600", "1000", "1e4", "1e6", "100000")
"""The ends of what the limits allow, and what a stage may refuse itself."""


def number_keys() -> list[tuple[str, str, str]]:
    """Table, key and how a number is written there."""
    found = []
    for table, kind in TABLES.items():
        hints = typing.get_type_hints(kind)
        for one in fields(kind):
            words = str(hints[one.name])
            if not is_dataclass(hints[one.name]) and ("float" in words or "int" in words):
                pairs = "tuple[tuple" in words
                shape = "[[{0}, {0}]]" if pairs else "[{0}, {0}]" if "tuple" in words else "{0}"
                found.append((table, one.name, shape))
    return found


def texts(value: str) -> list[str]:
    """A recipe for each key with this value; times, of which tiny ones are 0, come last."""
    tables = [f"[{table}]\n{key} = {shape.format(value)}\n" + CLIPS for table, key, shape in number_keys()]
    clips = [CLIPS + f'[[clip]]\nname = "x"\nfrom = 0\nto = 1\n{key} = {value}\n' for key in CLIP_KEYS]
    top = [f"{key} = {value}\n{CLIPS}" for key in ("rate", "blend_frames")]
    variant = [CLIPS + f'[[variant]]\nof = "walk"\nspeed = {value}\n']
    return [*tables, *clips, *top, *variant, *times(value)]


def times(value: str) -> list[str]:
    """A recipe for each key that holds a time of the take."""
    ends = [f"{key} = {value}\n{other} = 1\n" for key, other in (("from", "to"), ("to", "from"))]
    ends += [f"stretches = [[{value}, 2]]\n", f'from = 0\nto = 1\nevents = [{{name = "e", at = {value}}}]\n']
    return [f'{CLIPS}[[clip]]\nname = "x"\n{one}' for one in ends]


def test_there_are_many_keys():
    assert len(texts("1")) >= 70


@pytest.mark.parametrize("value", ODD, ids=lambda value: value[:8])
def test_odd_numbers_are_refused_in_one_line_whatever_their_key(value):
    tiny = 0 <= float(value) < 1e-9
    for text in texts(value)[: -len(times(value)) if tiny else None]:
        with pytest.raises(RecipeError) as refused:
            parse_recipe(text, "r.toml")
        said = str(refused.value)
        assert said.startswith("r.toml: ")
        assert "\n" not in said
        assert len(said) < 300, text


@pytest.mark.parametrize(
    ("key", "value", "message"),
    [
        ("blend_s", 601.0, "expected a number from 0.001 to 600, got 601"),
        ("window_s", 11.0, "expected a number from 0.001 to 10, got 11"),
        ("cutoff_hz", 0.001, "expected a number from 0.01 to 1000, got 0.001"),
        ("speed", 1e7, "expected a number from 1e-09 to 1e.06"),
        ("count", 10**30, "expected at most 100000, got a number of 31 digits"),
        ("ranges_s", ((0.0, 1e6),), "expected a number from 0.0001 to 100000"),
    ],
)
def test_limits_follow_the_unit(key, value, message):
    with pytest.raises(RecipeError, match=f"here: {message}"):
        expect_usable(key, value, "here")


def test_what_is_usable_passes():
    for key, value in (
        ("window_s", 0.0),
        ("blend_s", 600.0),
        ("n", True),
        ("n", "x"),
        ("n", None),
        ("a_deg", -90.0),
    ):
        expect_usable(key, value, "here")


def prepared(recipe, takes: dict[str, PreparedTake]) -> PreparedTake:
    """The take by all that it is made ready by, once for each of what that says."""
    read = {name: getattr(recipe, name) for name in ("body", "repair", "contacts", "health")}
    key = repr(read)
    if key not in takes:
        motion, only = small_takes.stand_and_walk(30.0), SimpleNamespace(**read)
        takes[key] = prepare_take("day", motion, body_of(motion.skeleton, only), only)
    return takes[key]


@pytest.mark.long
@pytest.mark.once
@pytest.mark.parametrize("value", EXTREME)
def test_the_ends_of_the_limits_work_through_all_stages(value):
    """A set is made, or it is said in our words why not; no warning, no traceback."""
    made, said, takes = 0, [], {}
    for text in texts(value):
        try:
            recipe = parse_recipe(text, "r.toml")
            take = prepared(recipe, takes)
            clips = stages.make_set(take, recipe)
            build_clip_set(glb.skeleton_glb(clips[0].motion.skeleton), "set", [take], clips, recipe)
            made += 1
        except TakemillError as problem:
            said.append(str(problem))
    assert not [text for text in said if "\n" in text]
    assert made or value.startswith("-")
