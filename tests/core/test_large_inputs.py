"""Reading takes memory and time by the size of what is read, whatever it claims.

The bounds: ten seconds, and a gigabyte for each megabyte. Measured by `tests/large_inputs.py` at 1 to 50 MB:
at most 55 MB for each, and 260 MB in all for sparse accessors without data.
Seconds: 2 to 8 for 50 MB of BVH, 4 to 8 for 50 MB of JSON in a GLB, which five doors read in turn.
Longer JSON is refused, and so are lists and recipes of such sizes.
"""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import pytest

import large_inputs
from takemill.base.errors import FileError, GlbError, RecipeError
from takemill.files import glb_numbers
from takemill.files.glb_format import Document, pack, parse
from takemill.recipe.recipe import parse_recipe
from takemill.sets.verify_files import MAX_LIST_BYTES, read_list

MOST_MB, MOST_MB_EACH, MOST_S = 400, 100, 10
GOOD = {"bvh take", "glb mesh", "glb small accessors", "glb empties"}


@pytest.mark.skipif(sys.platform != "linux", reason="/proc")
def test_no_reader_takes_much_more_than_what_it_reads():
    script = Path(large_inputs.__file__)
    run = subprocess.run([sys.executable, str(script), "1"], capture_output=True, text=True, check=False)
    found = {line["case"]: line for line in map(json.loads, run.stdout.splitlines())}
    assert run.returncode == 0, run.stderr
    assert found.keys() == large_inputs.CASES.keys()
    for case, line in found.items():
        assert line["size_mb"] > 0.4, case
        assert line["memory_mb"] < MOST_MB, line
        assert line["memory_mb"] < MOST_MB_EACH * line["size_mb"] or case == "glb sparse", line
        assert line["seconds"] < MOST_S, line
    assert {case for case, line in found.items() if line["said"] == "read"} >= GOOD


def test_a_name_of_very_many_parts_is_refused_before_it_is_read():
    """Python's reader of TOML takes minutes for a megabyte of it."""
    for name in (".".join("a" * 21), ". ".join("a" * 30), '."b" . '.join("a" * 15), "x = {" + "a." * 25):
        with pytest.raises(RecipeError, match=r"line 2 holds a name of more than 20 parts"):
            parse_recipe(f"rate = 30\n{name} = 1")


def test_a_recipe_of_a_million_characters_is_refused():
    with pytest.raises(RecipeError, match="1000001 characters"):
        parse_recipe("#" * 1_000_001)


def test_numbers_in_lists_and_dots_in_texts_are_no_such_names():
    text = "naming = '{take}...{kind}_{n}'\n# " + "a.b " * 200
    assert parse_recipe(text).naming == "{take}...{kind}_{n}"


@pytest.mark.parametrize(("key", "most"), [("nodes", 30_000), ("animations", 10_000)])
def test_more_nodes_and_animations_than_any_character_has_are_refused_at_once(key, most):
    """What follows takes a second for every hundred thousand of them, and there are five doors."""
    assert parse(pack(Document({key: [{}] * most}, None))).json[key]
    with pytest.raises(GlbError, match=f"{most + 1} {key}; at most {most} can be read"):
        parse(pack(Document({key: [{}] * (most + 1)}, None)))


def test_a_list_of_more_than_twenty_megabytes_is_refused(tmp_path):
    (tmp_path / "clips.json").write_bytes(b"[" + b" " * MAX_LIST_BYTES)
    with pytest.raises(FileError, match="20000001 bytes; a list of clips has at most 20000000"):
        read_list(tmp_path)


def test_accessors_stand_for_no_more_numbers_than_a_character_has():
    """A few bytes each, without data (glTF 2.0, section 3.6.2.3: zeros)."""
    accessor = {"componentType": 5126, "type": "VEC3", "count": glb_numbers.MAX_NUMBERS // 3 + 1}
    with pytest.raises(GlbError, match="hold more than 20000000 numbers"):
        glb_numbers.Numbers(Document({"accessors": [accessor]}, b"")).of(0)
