"""The printed recipe: complete, true, and harmless until it is edited."""

from __future__ import annotations

import re
import tomllib
from dataclasses import fields, is_dataclass

import pytest

from takemill.recipe.recipe import _ABOVE, TABLES, ClipSpec, Moment, Recipe, VariantSpec, parse_recipe
from takemill.recipe.recipe_clip import CLIP_KEYS, VARIANT_KEYS, NamedMoment
from takemill.recipe.recipe_text import recipe_text
from takemill.shell import cli

LINES = recipe_text().splitlines()
START = LINES.index("[body]")  # of the examples


def uncommented(line: str) -> str:
    """As an editor uncomments a line."""
    return re.sub(r"^# ?", "", line)


def test_it_changes_nothing_until_it_is_edited():
    assert parse_recipe(recipe_text()) == Recipe()


@pytest.mark.parametrize("number", [n for n, line in enumerate(LINES[:START]) if line.startswith("#")])
def test_any_line_may_be_uncommented_by_itself(number):
    """Settings keep their default, but for those at the top and those whose default is to be left out."""
    lines = [*LINES]
    lines[number] = uncommented(lines[number])
    recipe = parse_recipe("\n".join(lines))
    key = lines[number].partition(" = ")[0]
    of_loop = LINES.index("[loop]") < number < LINES.index("[close]")
    left_out = ("unit_m", "longest_s", "path_scale", *(["shortest_s"] if of_loop else []))
    if (not key.startswith("#") and number < LINES.index("[intake]")) or key in left_out:
        assert recipe != Recipe() or key in ("neutral", "blend_frames", "files", "fbx", "same_names")
    else:
        assert recipe == Recipe()


def test_all_settings_may_be_uncommented_at_once():
    lines = [
        uncommented(line) if line.startswith("# ") else line
        for line in LINES[LINES.index("[intake]") : START]
    ]
    text = re.sub(r"^(unit_m|longest_s|path_scale) = .*$", "", "\n".join(lines), flags=re.MULTILINE)
    text = re.sub(r"(\[loop\][^\[]*)^shortest_s = .*?$", r"\1", text, flags=re.MULTILINE)
    assert parse_recipe(text) == Recipe()
    assert text.count("\n[") + 1 == len(TABLES)
    assert parse_recipe(text.replace("longest_bridge_s = 0.25", "longest_bridge_s = 0.5")) != Recipe()


def blocks(header: str) -> list[list[str]]:
    """The examples below a header, each as lines without their comment sign."""
    found = []
    for text in "\n".join(LINES[START:]).split("\n\n"):
        lines = [uncommented(line) for line in text.splitlines() if not line.startswith("##")]
        if lines[:1] == [header]:
            found.append(lines)
    return found


@pytest.mark.parametrize(
    ("header", "needed"),
    [
        ("[[clip]]", 3),
        ("[[variant]]", 3),
        ("[body]", 1),
        ("[characters.courier.body]", 1),
        ("[characters.courier.fit]", 1),
    ],
)
def test_any_line_of_an_example_may_follow_the_first_ones(header, needed):
    for lines in blocks(header):
        first = min(needed, 2) if "stretches" in lines[1] else needed
        base = "naming = '{kind}'\n" + "".join(
            f"[[clip]]\nname = '{name}'\nfrom = 1\nto = 2\nroot_motion = 'root'\n"
            for name in ("walk", "idle")
        )
        base = base if header == "[[variant]]" else "naming = '{kind}'\n"
        for line in lines[first:] or [""]:
            also = ['additive_to = "idle"'] if line.startswith("against") else []
            also += ["length_s = 20"] if line.startswith("seed") else []
            parse_recipe("\n".join([base, *lines[:first], *also, line]))


def test_every_setting_is_shown_and_said():
    text = recipe_text()
    for name, kind in TABLES.items():
        table = text[text.index(f"\n[{name}]\n") :].split("\n\n")[0]
        for field in fields(kind):
            value = getattr(getattr(Recipe(), name), field.name)
            if not is_dataclass(value):
                assert re.search(rf"^# {field.name} = ", table, re.MULTILINE), (name, field.name)
        assert "None" not in table
    assert "# longer runs of bad frames are reported and left." in text
    assert max(map(len, text.splitlines())) <= 110


def test_the_examples_are_a_recipe():
    head = [uncommented(line) for line in LINES[: LINES.index("[intake]")] if not line.startswith("##")]
    tail = [uncommented(line) for line in LINES[START:] if not line.startswith("##")]
    recipe = parse_recipe("\n".join([*head, *tail]))
    data = tomllib.loads("\n".join([*head, *tail]))
    assert set(data) == {*_ABOVE, "clip", "variant", "body", "characters"}
    assert {key for clip in data["clip"] for key in clip} == set(CLIP_KEYS)
    assert set(data["variant"][0]) == set(VARIANT_KEYS)
    assert recipe.files == Recipe().files
    assert (recipe.name, recipe.rate, recipe.body) == ("ferry", 30.0, {"leftFoot": "L_Ankle"})
    assert recipe.characters["courier"].body == {"hips": "pelvis_ctl"}
    assert recipe.clips[0] == ClipSpec(
        "walk", Moment(31.0), Moment(42.0), True, False, "root", 60.0, 0.5, "monday", "locomotion",
        planar="root", turn="root", height="keep", straight=True, constant_speed=True, turn_deg=0.0,
        blend_frames=0, events=(NamedMoment("lantern", Moment(33.5)),),
    )  # fmt: skip
    assert recipe.clips[1].in_parts
    assert recipe.clips[2].loops == {"follows": "walk", "leads_to": "walk"}
    long = recipe.clips[3]
    assert (long.kind, long.loop, long.length_s, long.seed) == ("idle", True, 30.0, 1)
    assert recipe.clips[4].stretches[1] == (Moment(540, True), Moment(900, True))
    assert recipe.variants == (VariantSpec("walk", "limp", True, 1.2, "idle", "pose"),)


def test_a_variant_without_a_name_is_called_as_it_says():
    assert "# walk_mirrored_x1.2_additive when left out" in recipe_text()
    assert VariantSpec("walk", "", True, 1.2, "idle").name == "walk_mirrored_x1.2_additive"


def test_the_command_prints_it(capsys):
    assert cli.main(["recipe"]) == 0
    assert capsys.readouterr().out.rstrip() == recipe_text()
