"""The printed recipe: complete, true, and harmless until it is edited."""

from __future__ import annotations

import re
import tomllib
from dataclasses import fields, is_dataclass

from takemill.recipe.recipe import _ABOVE, TABLES, ClipSpec, Moment, Recipe, VariantSpec, parse_recipe
from takemill.recipe.recipe_clip import CLIP_KEYS, VARIANT_KEYS, NamedMoment
from takemill.recipe.recipe_text import recipe_text
from takemill.shell import cli


def uncommented() -> str:
    """The tables with their comments taken away; the head, with its examples, is left out."""
    text = recipe_text()
    return re.sub(r"^# (\[\w+\]|\w+ = )", r"\1", text[text.index("# [intake]") :], flags=re.MULTILINE)


def test_it_changes_nothing_until_it_is_edited():
    assert parse_recipe(recipe_text()) == Recipe()


def test_its_values_are_the_defaults():
    text = uncommented()
    assert parse_recipe(text) == Recipe()
    assert text.count("\n[") + 1 == len(TABLES)
    assert parse_recipe(text.replace("longest_bridge_s = 0.25", "longest_bridge_s = 0.5")) != Recipe()


def test_every_setting_is_shown_and_said():
    text = recipe_text()
    for name, kind in TABLES.items():
        table = text[text.index(f"# [{name}]") :].split("\n\n")[0]
        for field in fields(kind):
            value = getattr(getattr(Recipe(), name), field.name)
            if not is_dataclass(value):
                assert re.search(rf"^# {field.name}( =|: left out)", table, re.MULTILINE), (name, field.name)
        assert "None" not in table
    assert "# longer runs of bad frames are reported and left." in text
    assert max(map(len, text.splitlines())) <= 110


def test_the_examples_of_the_head_are_a_recipe():
    head = recipe_text().split("# [intake]")[0]
    examples = re.sub(r"^# (\[|\w+ = )", r"\1", head, flags=re.MULTILINE)
    recipe = parse_recipe(examples)
    data = tomllib.loads(examples)
    assert set(data) == {*_ABOVE, "clip", "variant", "body", "bodies"}
    assert {key for clip in data["clip"] for key in clip} == set(CLIP_KEYS)
    assert set(data["variant"][0]) == set(VARIANT_KEYS)
    assert recipe.files == Recipe().files
    assert (recipe.name, recipe.rate, recipe.body) == ("ferry", 30.0, {"leftFoot": "L_Ankle"})
    assert recipe.bodies == {"courier": {"hips": "pelvis_ctl"}}
    assert recipe.clips[0] == ClipSpec(
        "walk", Moment(31.0), Moment(42.0), True, False, "root", 60.0, 0.5, "monday", "locomotion",
        planar="root", turn="root", height="keep", straight=True, constant_speed=True, turn_deg=0.0,
        blend_frames=8, events=(NamedMoment("lantern", Moment(33.5)),),
    )  # fmt: skip
    assert recipe.clips[1].stretches[1] == (Moment(540, True), Moment(900, True))
    assert recipe.variants == (VariantSpec("walk", "limp", True, 1.2, "idle", "pose"),)


def test_a_variant_without_a_name_is_called_as_it_says():
    assert "# walk_mirrored_x1.2_additive when left out" in recipe_text()
    assert VariantSpec("walk", "", True, 1.2, "idle").name == "walk_mirrored_x1.2_additive"


def test_the_command_prints_it(capsys):
    assert cli.main(["recipe"]) == 0
    assert capsys.readouterr().out.rstrip() == recipe_text()
