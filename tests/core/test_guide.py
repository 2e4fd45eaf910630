"""The guide says what is true: its recipe parses, its tables and verbs exist, its links lead somewhere."""

from __future__ import annotations

import itertools
import json
import re
import shutil
import tomllib
from dataclasses import fields, is_dataclass
from pathlib import Path
from typing import get_type_hints

import pytest

from takemill import __version__
from takemill.health.table import KINDS
from takemill.recipe.recipe import _ABOVE, TABLES, Recipe, parse_recipe
from takemill.recipe.recipe_clip import CLIP_KEYS, VARIANT_KEYS
from takemill.shell import cli, samples
from words import given_up

ROOT = Path(__file__).parents[2]
GUIDE = (ROOT / "docs/guide.md").read_text(encoding="utf-8")


@pytest.fixture(scope="module")
def recipes() -> list[str]:
    return re.findall(r"```toml\n(.*?)```", GUIDE, re.DOTALL)


def test_the_recipes_of_the_guide_parse(recipes: list[str]) -> None:
    first, second = (parse_recipe(text, "guide") for text in recipes)
    names = ["walk", "idle", "idle_long", "stroll", "turn_about", "strike_straight"]
    assert [clip.name for clip in first.clips] == names
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
        schema["properties"]["joins"]["items"],
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


@pytest.mark.parametrize(
    "page",
    [
        "README.md",
        "DEVELOPERS.md",
        "docs/guide.md",
        "docs/engines.md",
        "docs/python.md",
        "tests/benchmarks/README.md",
    ],
)
def test_links_lead_somewhere(page: str) -> None:
    path = ROOT / page
    for target in re.findall(r"\]\(([^)#]+)\)", path.read_text(encoding="utf-8")):
        assert (path.parent / target).exists(), f"{page} links to {target}"


def shown(verb: str) -> tuple[list[str], list[str]]:
    """An example of the guide: the arguments behind its prompt, and the lines below, but for blank ones."""
    start = GUIDE.index(f"\n    $ takemill {verb} ") + 1
    command, *rest = GUIDE[start:].split("\n")
    lines = list(itertools.takewhile(lambda line: line.startswith("    ") or not line.strip(), rest))
    lines = list(itertools.takewhile(lambda line: not line.startswith("    $"), lines))
    return command.split()[2:], [line[4:] for line in lines if line.strip()]


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Where the guide's user stands: the samples lie there."""
    place = tmp_path_factory.mktemp("guide")
    for name in ("marsh_take.bvh", "marsh_set.toml"):
        shutil.copy(samples.path(name), place / name)
    return place


@pytest.mark.once
@pytest.mark.parametrize(
    "verb",
    [
        "check",
        "repair",
        "cuts",
        "loops",
        "idle",
        *(pytest.param(one, marks=pytest.mark.long) for one in ("pack", "verify")),
    ],
)
def test_examples_print_what_the_guide_shows(
    verb: str, folder: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Each line that it shows, number by number, in this order; "..." is any number of lines."""
    monkeypatch.chdir(folder)
    if verb == "verify" and not (folder / "clips").exists():
        cli.main(shown("pack")[0])
        capsys.readouterr()
    arguments, lines = shown(verb)
    assert len(lines) > 3
    assert cli.main(arguments) == 0
    printed = [line for line in capsys.readouterr().out.splitlines() if line.strip()]
    pattern = "".join(r"(?:.*\n)*?" if line == "..." else re.escape(line) + r"\n" for line in lines)
    assert re.fullmatch(pattern, "\n".join(printed) + "\n"), "\n".join(printed)


def test_the_readme_names_what_is_there() -> None:
    """Its numbers that are none of a command's: versions, limits, schema, tolerance."""
    readme = (ROOT / "README.md").read_text(encoding="utf-8")
    schema = json.loads((ROOT / "core/takemill/sets/clips.schema.json").read_text(encoding="utf-8"))
    assert f"takemill-{__version__}.zip" in readme
    assert f"schema version {schema['properties']['schema_version']['const']}" in readme
    assert f"within {1000 * Recipe().reduce.max_error_m:g} mm" in readme
    verbs = set(re.findall(r"^    takemill (\w+)", readme, re.MULTILINE))
    with pytest.raises(SystemExit):
        cli.main(["--help"])
    assert verbs == {"check", "repair", "cuts", "pack", "verify", "build", "watch"}


def test_the_guide_has_each_word_once() -> None:
    rows = GUIDE.partition("\n## Words\n")[2].partition("\n| word")[2].partition("\n\n")[0].splitlines()[2:]
    words = [word for row in rows for word in row.split(" | ")[0].strip("| ").split(", ")]
    assert len(words) == len(set(words)) >= 16
    asked = {"planted", "strike", "locomotion", "neutral", "joint frames", "seam", "event", "root motion"}
    assert asked <= set(words)


def test_the_guide_explains_every_kind_of_finding_and_no_other() -> None:
    rows = GUIDE.partition("| finding | what happened | repaired by |\n|---|---|---|\n")[2].partition("\n\n")[
        0
    ]
    kinds = [kind for row in rows.splitlines() for kind in row.split(" | ")[0].strip("| ").split(", ")]
    assert sorted(kinds) == sorted(KINDS)


PAGES = ["README.md", "docs/guide.md", "docs/engines.md", "docs/python.md"]


@pytest.mark.parametrize("page", PAGES)
def test_every_page_has_its_contents_and_says_where_to_begin(page: str) -> None:
    """Its sections in order; the zip, a take, a character and an engine of the reader, and the limits."""
    text = (ROOT / page).read_text(encoding="utf-8")
    heads = re.findall(r"^## (.+)$", text, re.MULTILINE)
    contents = re.findall(r"\[([^\]]+)\]\(#[\w-]+\)", text.partition("\n## ")[0])
    assert contents == heads
    assert "build_extension.py" in text
    for word in ("take", "character", "engine"):
        assert re.search(rf"{word}s? of yours|[Yy]our (own )?{word}", text), word
    assert re.search("not supported", text, re.IGNORECASE)


@pytest.mark.parametrize("page", PAGES)
def test_no_page_has_a_word_that_was_given_up(page: str) -> None:
    lines = (ROOT / page).read_text(encoding="utf-8").splitlines()
    assert [(number, given_up(line)) for number, line in enumerate(lines, 1) if given_up(line)] == []


@pytest.mark.parametrize("page", ["README.md", "docs/guide.md"])
def test_the_pages_say_what_a_session_owes_its_performer(page: str) -> None:
    """What the project's design asks for under Caution."""
    said = " ".join((ROOT / page).read_text(encoding="utf-8").lower().split())
    for part in ("clear of obstacles", "a spotter for falls and kicks", "straps", "stop on pain or dizziness",
                 "no medical assessment", "local rules and a licensed professional come first"):  # fmt: skip
        assert part in said
