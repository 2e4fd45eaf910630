"""The guide says what is true: its recipe parses, its tables and verbs exist, its links lead somewhere."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from takemill import cli, samples
from takemill.recipe import TABLES, parse_recipe

ROOT = Path(__file__).parents[2]
GUIDE = (ROOT / "docs/guide.md").read_text(encoding="utf-8")


def test_the_recipe_of_the_guide_parses() -> None:
    (text,) = re.findall(r"```toml\n(.*?)```", GUIDE, re.DOTALL)
    recipe = parse_recipe(text, "guide")
    assert [clip.name for clip in recipe.clips] == ["walk", "strike_straight"]
    assert recipe.repair.pin is False


def test_the_guide_names_every_table() -> None:
    named = set(re.findall(r"`\[(\w+)\]`", GUIDE))
    assert set(TABLES) <= named
    assert named <= set(TABLES) | {"body"}


def test_the_guide_tells_every_verb(capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit):
        cli.main(["--help"])
    verbs = set(re.findall(r"^    ([a-z]+)(?= |$)", capsys.readouterr().out, re.MULTILINE))
    assert {"check", "repair", "cuts", "loops", "pack", "demo"} <= verbs
    assert verbs <= set(re.findall(r"\*\*(\w+)\*\*", GUIDE))


@pytest.mark.parametrize("page", ["README.md", "DEVELOPERS.md", "docs/guide.md"])
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
    place = {"marsh_take.bvh": str(samples.path("marsh_take.bvh")), "mended.bvh": str(tmp_path / "m.bvh")}
    assert cli.main([place.get(word, word) for word in arguments]) == 0
    assert capsys.readouterr().out.splitlines()[: len(lines)] == lines
