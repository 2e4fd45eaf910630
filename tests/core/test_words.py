"""No recipe key, JSON key, verb, flag or help text is a word that was given up; help lines end whole."""

from __future__ import annotations

import argparse
import ast
import json
import re
from collections.abc import Iterator
from pathlib import Path

import pytest

from takemill.health.table import KINDS
from takemill.recipe.recipe import _ABOVE, TABLES
from takemill.recipe.recipe_clip import CLIP_KEYS, VARIANT_KEYS
from takemill.recipe.recipe_text import recipe_text
from takemill.shell import cli
from words import given_up

ROOT = Path(__file__).parents[2]
CODE = [*(ROOT / "core/takemill").rglob("*.py"), *(ROOT / "blender_addon").rglob("*.py")]
KEYS = {  # old key: the new one
    "travel": "root_motion", "marks": "events", "footlock": "pin", "still": "idle or dead_sensor",
    "steps": "locomotion", "range": "joint_limit", "bone": "bone_length", "feet": "no_feet",
    "short": "too_short", "pose": "reference_pose",
    "apart": "separate", "snug": "good", "loose": "poor", "mended": "repaired", "dress": "apply_clip_info",
    "prepared": "setupAction", "takeTravel": "extractRootMotion",
}  # fmt: skip


def parsers() -> dict[str, argparse.ArgumentParser]:
    parser = cli.build_parser()
    (verbs,) = (one for one in parser._actions if isinstance(one, argparse._SubParsersAction))
    return dict(verbs.choices)


def keys_of(node: object) -> Iterator[str]:
    """The names of all properties, and of all values that are words, of a JSON Schema."""
    if isinstance(node, dict):
        yield from node.get("properties", {}) if isinstance(node.get("properties"), dict) else ()
        yield from (word for word in node.get("enum", ()) if isinstance(word, str))
        for value in node.values():
            yield from keys_of(value)
    elif isinstance(node, list):
        for value in node:
            yield from keys_of(value)


def test_no_key_is_one_that_was_given_up() -> None:
    schema = json.loads((ROOT / "core/takemill/sets/clips.schema.json").read_text(encoding="utf-8"))
    recipe = {*TABLES, *_ABOVE, *CLIP_KEYS, *VARIANT_KEYS}
    listed = set(keys_of(schema)) - {"pose"}  # what an additive clip was taken against
    assert len(recipe) > 30
    assert len(listed) > 60
    assert not (recipe | listed | set(KINDS) | set(parsers())) & set(KEYS)
    for name in ("engines/godot/takemill_set.gd", "engines/three/takemill.mjs"):
        text = (ROOT / name).read_text(encoding="utf-8")
        assert not [old for old in ("takeTravel", "dress(", "marks", "prepared(", "travel") if old in text]


@pytest.mark.parametrize("verb", sorted(parsers()))
def test_verbs_flags_and_helps_are_in_the_trade_s_words(verb: str) -> None:
    parser = parsers()[verb]
    text = parser.format_help()
    assert [line for line in text.splitlines() if given_up(line)] == []
    for action in parser._actions:
        assert not {flag.strip("-").replace("-", "_") for flag in action.option_strings} & set(KEYS)
        if action.dest != "help":
            assert action.help
            assert re.match(r"[A-Z]", action.help), f"{verb}: {action.help!r} begins in the middle"
            assert re.search(r"[.)]$", action.help), f"{verb}: {action.help!r} stops in the middle"


def test_the_printed_recipe_and_the_schema_have_no_word_that_was_given_up() -> None:
    schema = (ROOT / "core/takemill/sets/clips.schema.json").read_text(encoding="utf-8")
    assert [line for line in [*recipe_text().splitlines(), *schema.splitlines()] if given_up(line)] == []


def messages() -> Iterator[tuple[str, str]]:
    """Every text of the code that a user may read: strings of several words, but for docstrings."""
    for path in CODE:
        tree = ast.parse(path.read_text(encoding="utf-8"))
        docs = {
            id(node.body[0].value)
            for node in ast.walk(tree)
            if isinstance(node, ast.Module | ast.ClassDef | ast.FunctionDef)
            and node.body
            and isinstance(node.body[0], ast.Expr)
        }
        for node in ast.walk(tree):
            if isinstance(node, ast.Constant) and isinstance(node.value, str) and id(node) not in docs:
                for line in node.value.splitlines():
                    if " " in line.strip():
                        yield f"{path.relative_to(ROOT)}:{node.lineno}", line


def test_no_message_has_a_word_that_was_given_up() -> None:
    allowed = ("keep straps loose", "leans the wrong way over", "cannot move apart from it")
    found = [(where, line, given_up(line)) for where, line in messages() if given_up(line)]
    assert [one for one in found if not any(part in one[1] for part in allowed)] == []
