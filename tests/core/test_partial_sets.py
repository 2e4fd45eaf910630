"""Sets and clips from Python where some clips cannot be made: the others are, and these are told of."""

from __future__ import annotations

import pytest

import small_takes
import takemill

RECIPE = """
[[clip]]
name = "walk"
from = 3.5
to = 8
loop = true

[[clip]]
name = "torn"
from = "240f"
to = "290f"
loop = true
search = false
"""
GONE = """
[[clip]]
name = "gone"
from = 8
to = 99
"""


@pytest.fixture
def take(tmp_path):
    return small_takes.write(tmp_path)


def test_clips_that_can_be_made_are_and_the_others_are_told_of(take):
    recipe, lost = takemill.parse_recipe(RECIPE), dict[str, takemill.TakemillError]()
    clips = takemill.make_clips(take, recipe, failed=lost.__setitem__)
    assert [clip.name for clip in clips] == ["walk"]
    assert list(lost) == ["torn"]
    assert "is bad" in str(lost["torn"])
    with pytest.raises(takemill.TakemillError, match="'torn'"):
        takemill.make_clips(take, recipe)


def test_what_a_recipe_mistypes_is_refused_before_the_work_as_in_the_shell(take):
    with pytest.raises(takemill.TakemillError, match=r"'gone': .* leaves the take"):
        takemill.make_clips(take, takemill.parse_recipe(RECIPE + GONE), failed={}.__setitem__)


def test_a_set_is_packed_of_those_that_can_be_made(take, tmp_path):
    recipe, lost = takemill.parse_recipe(RECIPE), dict[str, takemill.TakemillError]()
    out = tmp_path / "set"
    with pytest.raises(takemill.TakemillError):
        takemill.pack_takes(take, out, recipe)
    assert not out.exists(), "without a listener it is all or nothing"
    packed = takemill.pack_takes(take, out, recipe, failed=lost.__setitem__)
    assert [clip["name"] for clip in packed[out]] == ["walk"]
    assert list(lost) == ["torn"]
    assert all(verdict.is_ok for verdict in takemill.verify_set(out))
