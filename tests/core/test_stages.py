"""The order of the stages, seen from its end."""

from __future__ import annotations

import pytest

from day_take import clip, day, make
from takemill.base.errors import RecipeError
from takemill.pipeline import cut_clip
from takemill.pipeline.plan_clips import suggest_take_cuts
from takemill.pipeline.prepare_take import PreparedTake
from takemill.pipeline.stages import make_set
from takemill.recipe.recipe import Recipe


@pytest.fixture(scope="module")
def take() -> PreparedTake:
    return day()


def test_a_suggested_loop_that_is_none_becomes_a_one_shot(take, monkeypatch):
    monkeypatch.setattr(cut_clip, "find_loops", lambda *_: ())
    clips = make_set(take, Recipe())
    assert [one.name for one in clips] == [cut.name for cut in suggest_take_cuts(take, Recipe())]
    assert not any(one.loop or one.candidate for one in clips)
    with pytest.raises(RecipeError, match="no loop in its range; widen it, or set search = false"):
        make(take, clip(more="loop = true"))


def test_the_recipe_order_stays_and_variants_follow(take):
    text = 'neutral = "b"\n' + clip("a", "1", "2") + clip("b", "0", "1") + clip("c", "2", "3")
    names = [one.name for one in make(take, text + '[[variant]]\nof = "a"\nmirror = true')]
    assert names == ["a", "b", "c", "a_mirrored"]
