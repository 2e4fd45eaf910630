"""The order of the stages, seen from its end."""

from __future__ import annotations

import pytest

from day_take import clip, day, make
from takemill.base.errors import RecipeError
from takemill.pipeline import cut_clip
from takemill.pipeline.plan_clips import plan_clips, suggest_take_cuts
from takemill.pipeline.prepare_take import PreparedTake
from takemill.pipeline.stages import make_set, settle_seams
from takemill.recipe.recipe import Recipe, parse_recipe


@pytest.fixture(scope="module")
def take() -> PreparedTake:
    return day()


def test_a_suggested_loop_that_is_none_becomes_a_one_shot(take, monkeypatch):
    monkeypatch.setattr(cut_clip, "find_loops", lambda *_: ())
    clips = make_set(take, Recipe())
    assert [one.name for one in clips] == [cut.name for cut in suggest_take_cuts(take, Recipe())]
    assert not any(one.loop or one.candidate for one in clips)
    with pytest.raises(
        RecipeError, match="no loop in its range; widen it, close it as it is \\(search = false"
    ):
        make(take, clip(more="loop = true"))


def test_the_recipe_order_stays_and_variants_follow(take):
    text = 'neutral = "b"\n' + clip("a", "1", "2") + clip("b", "0", "1") + clip("c", "2", "3")
    names = [one.name for one in make(take, text + '[[variant]]\nof = "a"\nmirror = true')]
    assert names == ["a", "b", "c", "a_mirrored"]


@pytest.mark.parametrize("bad", [clip("b", "0", "99"), clip("b", "0", "0.4", "loop = true")])
def test_where_one_clip_cannot_be_made_the_others_are_and_it_is_named(take, bad):
    """One that leaves the take, one without a loop; and a variant of it."""
    text = clip("a", "1", "2") + bad + clip("c", "2", "3") + '[[variant]]\nof = "b"\nmirror = true'
    lacks = {}
    clips = make_set(take, parse_recipe(text), failed=lacks.__setitem__)
    assert [one.name for one in clips] == ["a", "c"]
    assert list(lacks) == ["b", "b_mirrored"]
    assert "clip 'b'" in str(lacks["b"])
    assert str(lacks["b_mirrored"]) == "variant 'b_mirrored': its clip 'b' was not made"
    with pytest.raises(RecipeError, match="clip 'b'"):
        make_set(take, parse_recipe(text))


@pytest.mark.parametrize("text", [clip("b", "0", "0.4", "loop = true"), clip("b", "0", "99")])
def test_the_only_clip_and_the_neutral_one_must_be_made(take, text):
    lacks = {}
    for whole in (text, 'neutral = "b"\n' + text + clip("a", "1", "2")):
        with pytest.raises(RecipeError, match="clip 'b'"):
            make_set(take, parse_recipe(whole), failed=lacks.__setitem__)
    assert lacks == {}


def test_characters_share_what_can_be_made(take):
    plan = plan_clips([take], parse_recipe(clip("a", "1", "2") + clip("b", "0", "0.4", "loop = true")))
    lacks = {}
    assert [one.name for one in settle_seams([take], plan, lacks.__setitem__).specs] == ["a"]
    assert list(lacks) == ["b"]
