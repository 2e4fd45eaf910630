"""A recipe written and read again is the same recipe."""

from __future__ import annotations

import math
import tomllib
from dataclasses import fields, is_dataclass, replace
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

import every_setting
from takemill.recipe.recipe import TABLES, Recipe, parse_recipe
from takemill.recipe.recipe_clip import ClipSpec, Moment, NamedMoment, VariantSpec
from takemill.recipe.recipe_write import clip_table, recipe_toml, settings_table


def test_the_default_recipe_has_no_text():
    assert recipe_toml(Recipe()) == ""


def test_every_setting_changed_comes_back():
    recipe = parse_recipe(every_setting.text())
    again = parse_recipe(recipe_toml(recipe))
    assert again == recipe
    for name in TABLES:  # the recipe really sets each key to something else
        settings, default = getattr(recipe, name), TABLES[name]()
        for field in fields(settings):
            value = getattr(settings, field.name)
            if not is_dataclass(value):
                assert value != getattr(default, field.name), f"[{name}] {field.name} stands at its default"


def test_three_changes_are_all_that_differs():
    recipe = parse_recipe(every_setting.text())
    changed = replace(
        recipe,
        rate=24.0,
        loop=replace(recipe.loop, longest_s=5.5),
        clips=(replace(recipe.clips[0], loop=not recipe.clips[0].loop), *recipe.clips[1:]),
    )
    again = parse_recipe(recipe_toml(changed))
    assert again == changed
    assert replace(again, rate=recipe.rate, loop=recipe.loop, clips=recipe.clips) == recipe


@given(
    st.text(st.characters(exclude_categories=["Cs"])),
    st.floats(0, 1e8),
    st.integers(0, 10**9),
    st.booleans(),
)
def test_odd_texts_and_numbers_come_back(text: str, seconds: float, frame: int, loop: bool):
    """Read by the standard library's TOML 1.0 reader."""
    spec = ClipSpec(
        "a", Moment(seconds), Moment(frame, in_frames=True), loop=loop,
        events=(NamedMoment("b", Moment(seconds)),),
    )  # fmt: skip
    recipe = Recipe(
        body={"leftFoot": text, text or "x": "y"}, clips=(spec,), variants=(VariantSpec("a", mirror=True),)
    )
    data: dict[str, Any] = tomllib.loads(recipe_toml(recipe))
    assert data["body"] == dict(recipe.body)
    (clip,) = data["clip"]
    assert math.isclose(clip["from"], seconds, rel_tol=0, abs_tol=0)
    assert clip["to"] == f"{frame}f"
    assert clip.get("loop", False) is loop
    assert data["variant"] == [{"of": "a", "name": "a_mirrored", "mirror": True}]


def test_settings_tell_each_key_of_each_table():
    table = settings_table(Recipe())
    assert set(table) == {"rate", "neutral", "blend_frames", *TABLES}
    assert table["repair"]["longest_bridge_s"] == Recipe().repair.longest_bridge_s
    assert "contacts" not in table["repair"], "it has a table of its own"


def test_stretches_are_told_without_from_and_to():
    spec = parse_recipe('[[clip]]\nname = "a"\nstretches = [[0, 1.5], ["200f", "300f"]]\n').clips[0]
    assert clip_table(spec) == {"name": "a", "stretches": [[0.0, 1.5], ["200f", "300f"]]}


@pytest.mark.parametrize("seconds", [0.1, 1 / 3, 12.000001])
def test_moments_come_back_to_the_last_bit(seconds: float):
    recipe = Recipe(clips=(ClipSpec("a", Moment(seconds), Moment(99.0)),))
    assert parse_recipe(recipe_toml(recipe)).clips[0].start.value == seconds
