"""Licences, editor settings and hooks: there, and in step with what they are about."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
PAGES = ("README.md", "docs/guide.md", "docs/engines.md", "DEVELOPERS.md")


def read(name: str) -> str:
    return (ROOT / name).read_text(encoding="utf-8")


def test_what_goes_into_games_has_a_licence_of_its_own() -> None:
    """SPDX lines by the SPDX specification 2.3, annex E; the text is that of spdx.org/licenses/0BSD."""
    scripts = [path for path in (ROOT / "engines").rglob("*") if path.suffix in (".gd", ".mjs")]
    assert len(scripts) == 8
    for path in scripts:
        assert "SPDX-License-Identifier: 0BSD" in "".join(
            path.read_text(encoding="utf-8").splitlines(True)[:2]
        ), path
    text = " ".join(read("engines/LICENSE").split())
    assert "for any purpose with or without fee is hereby granted" in text
    assert "with or without fee is hereby granted, provided" not in text, "that is another licence, ISC"


def test_the_papers_say_whose_the_results_are() -> None:
    said = " ".join(read("README.md").partition("\n## Licence\n")[2].split())
    for part in ("GPL-3.0-or-later", "0BSD", "CC0-1.0", "belong to whoever made them"):
        assert part in said
    assert "CC0-1.0" in read("sample_blends/LICENSE")


def test_the_hooks_run_what_ci_runs() -> None:
    commands = set(re.findall(r"^        entry: (.+)$", read(".pre-commit-config.yaml"), re.MULTILINE))
    ci = read(".ci/run")
    assert {"ruff format --check .", "ruff check .", "mypy"} <= commands
    assert set(re.findall(r"^ +(ruff .+|mypy.*)$", ci, re.MULTILINE)) <= commands
    assert {"ruff format --check .", "ruff check .", "mypy"} <= {line.strip() for line in ci.splitlines()}
    assert "python -m pytest -q" in commands
    assert "python blender_addon/build_extension.py" in commands
    assert "blender_addon/build_extension.py" in ci


def test_files_are_as_the_editor_settings_say() -> None:
    """UTF-8, line feeds, no blanks at ends of lines, a last line that ends; tabs in GDScript alone."""
    kinds = {".py", ".md", ".toml", ".css", ".js", ".mjs", ".gd", ".json", ".yaml"}
    skipped = {"node_modules", ".git", "__pycache__", "dist", "build"}
    files = [p for p in ROOT.rglob("*") if p.suffix in kinds and not skipped & set(p.relative_to(ROOT).parts)]
    assert len(files) > 300
    for path in files:
        if "." in path.relative_to(ROOT).parts[0][:1] and path.parent != ROOT:
            continue  # caches of tools
        text = path.read_bytes().decode("utf-8")
        assert "\r" not in text, path
        assert not text or text.endswith("\n"), path
        assert not re.search(r"[ \t]+$", text, re.MULTILINE), path
        assert path.suffix == ".gd" or "\t" not in text, path


@pytest.mark.parametrize("page", PAGES[:3])
def test_pages_have_a_table_of_contents(page: str) -> None:
    """Each part of the page, in its order, by a link that leads there."""
    text = re.sub(r"```.*?```", "", read(page), flags=re.DOTALL)
    heads = re.findall(r"^## (.+)$", text, re.MULTILINE)
    links = re.findall(r"\[([^\]]+)\]\(#([^)]+)\)", text.partition("\n## ")[0])
    assert [name for name, _ in links] == heads
    assert [link for _, link in links] == [
        re.sub(r"[^\w\- ]", "", h.lower()).replace(" ", "-") for h in heads
    ]
