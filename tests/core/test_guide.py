"""The guide says what is true: its recipe parses, its tables and verbs exist, its links lead somewhere."""

from __future__ import annotations

import json
import re
import tomllib
from dataclasses import fields, is_dataclass
from pathlib import Path
from typing import get_type_hints

import pytest

from takemill.recipe.recipe import _ABOVE, TABLES, parse_recipe
from takemill.recipe.recipe_clip import CLIP_KEYS, VARIANT_KEYS
from takemill.shell import cli, samples

ROOT = Path(__file__).parents[2]
GUIDE = (ROOT / "docs/guide.md").read_text(encoding="utf-8")


@pytest.fixture(scope="module")
def recipes() -> list[str]:
    return re.findall(r"```toml\n(.*?)```", GUIDE, re.DOTALL)


def test_the_recipes_of_the_guide_parse(recipes: list[str]) -> None:
    first, second = (parse_recipe(text, "guide") for text in recipes)
    assert [clip.name for clip in first.clips] == ["walk", "idle", "turn_about", "strike_straight"]
    assert [one.name for one in first.variants] == ["strike_straight_mirrored"]
    assert first.repair.pin is False
    assert (second.files, second.repair.joints, second.clips[0].root_motion) == (
        "separate",
        ("Head",),
        "keep",
    )


def test_the_recipes_of_the_guide_show_every_key(recipes: list[str]) -> None:
    data = [tomllib.loads(text) for text in recipes]
    for table, keys in (("clip", CLIP_KEYS), ("variant", VARIANT_KEYS)):
        assert {key for one in data for clip in one[table] for key in clip} == set(keys)
    assert set(_ABOVE) <= {key for one in data for key in one}


def test_the_guide_names_every_key_of_every_table_and_no_other() -> None:
    told = {
        head: set(re.findall(r"`(\w+)`", " ".join(line.split(" | ")[0] for line in rows.splitlines())))
        for head, rows in re.findall(
            r"^\| `\[(\w+)\]` \|.*\n\|---\|---\|\n((?:\|.*\n)+)", GUIDE, re.MULTILINE
        )
    }
    there = {}
    for table, kind in TABLES.items():
        hints = get_type_hints(kind)
        there[table] = {one.name for one in fields(kind) if not is_dataclass(hints[one.name])}
    assert told == there
    for table, keys in (("clip", CLIP_KEYS), ("variant", VARIANT_KEYS)):
        rows = GUIDE.partition(f"| `[[{table}]]` |")[2].partition("\n\n")[0].splitlines()
        assert {key for row in rows for key in re.findall(r"`(\w+)`", row.split(" | ")[0])} == set(keys)


def test_the_guide_names_every_field_of_the_list() -> None:
    schema = json.loads((ROOT / "core/takemill/sets/clips.schema.json").read_text(encoding="utf-8"))
    clip = schema["$defs"]["clip"]["properties"]
    parts = [
        schema,
        schema["$defs"]["clip"],
        schema["properties"]["gaps"],
        clip["root_motion"],
        clip["root_motion"]["properties"]["cycle"],
        clip["variant"],
        clip["seam"],
        clip["events"]["items"],
        clip["source"],
    ]
    table = GUIDE.partition("| in clips.json |")[2].partition("\n\n")[0]
    named = set(re.findall(r"`(\w+)`", table))
    missing = {name for part in [*parts, clip["keys"]] for name in part["properties"]} - named
    assert not missing


def test_the_guide_tells_every_verb(capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit):
        cli.main(["--help"])
    verbs = set(re.findall(r"^    ([a-z]+)(?= |$)", capsys.readouterr().out, re.MULTILINE))
    assert {"check", "repair", "cuts", "loops", "pack", "demo"} <= verbs
    assert verbs <= set(re.findall(r"\*\*(\w+)\*\*", GUIDE))


@pytest.mark.parametrize("page", ["README.md", "DEVELOPERS.md", "docs/guide.md", "docs/engines.md"])
def test_links_lead_somewhere(page: str) -> None:
    path = ROOT / page
    for target in re.findall(r"\]\(([^)#]+)\)", path.read_text(encoding="utf-8")):
        assert (path.parent / target).exists(), f"{page} links to {target}"


def shown(verb: str) -> tuple[list[str], list[str]]:
    """An example of the guide: the arguments behind its prompt, and the lines printed below them."""
    command, *lines = re.findall(rf"^    \$ takemill {verb} .*(?:\n    .+)+", GUIDE, re.MULTILINE)[0].split(
        "\n"
    )
    return command.split()[2:], [line[4:] for line in lines]


@pytest.mark.parametrize("verb", ["repair", "loops"])
def test_examples_print_what_the_guide_shows(
    verb: str, capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    arguments, lines = shown(verb)
    place = {"marsh_take.bvh": str(samples.path("marsh_take.bvh")), "repaired.bvh": str(tmp_path / "m.bvh")}
    assert cli.main([place.get(word, word) for word in arguments]) == 0
    assert capsys.readouterr().out.splitlines()[: len(lines)] == lines


@pytest.mark.parametrize("page", ["README.md", "docs/guide.md"])
def test_the_pages_say_what_a_session_owes_its_performer(page: str) -> None:
    """What the project's design asks for under Caution."""
    said = " ".join((ROOT / page).read_text(encoding="utf-8").lower().split())
    for part in ("clear of obstacles", "a spotter for falls and kicks", "straps", "stop on pain or dizziness",
                 "no medical assessment", "local rules and a licensed professional come first"):  # fmt: skip
        assert part in said
