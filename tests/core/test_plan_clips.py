"""Which clips are made, and what they are called."""

from __future__ import annotations

from dataclasses import replace

import pytest

import clip_takes
from day_take import clip, day, make
from reference_poses import HELD, arms, take_with_pose
from takemill.base.errors import InputError, RecipeError
from takemill.cuts.cuts import Cut
from takemill.pipeline import plan_clips as plan_clips_file
from takemill.pipeline.plan_clips import expect_clips, plan_clips, suggest_take_cuts
from takemill.pipeline.prepare_take import PreparedTake, prepare_take
from takemill.pipeline.stages import make_set
from takemill.recipe.recipe import ClipSpec, Moment, Recipe, parse_recipe
from takemill.sensors.misalignment import between_poses


@pytest.fixture(scope="module")
def take() -> PreparedTake:
    return day()


def test_a_trim_refuses_clips_that_reach_into_the_pose():
    motion, body = take_with_pose(arms())
    trim = "[repair]\ntrim = true\n"
    posed = prepare_take("day", motion, body, parse_recipe(trim))
    first, last = between_poses(posed.motion, body)
    assert abs(first - HELD) <= 3
    assert last == len(motion)
    more = 'root_motion = "keep"'
    (whole,) = make(posed, trim + clip(start=f'"{first}f"', stop=f'"{last - 1}f"', more=more))
    assert whole.source_range == (first, last)  # frames keep their numbers
    with pytest.raises(
        RecipeError, match=f"clip 'a'.*reference pose.*'day'.*\"{first}f\" to \"{last - 1}f\""
    ):
        make(posed, trim + clip(start=f'"{first - 1}f"', stop=f'"{last - 1}f"', more=more))
    (whole,) = make(posed, clip(start='"0f"', stop=f'"{last - 1}f"', more=more))
    assert whole.source_range == (0, last)
    with pytest.raises(RecipeError, match=r"\[repair\].*trim.*true or false"):
        parse_recipe('[repair]\ntrim = "T"')


def test_kinds_are_told_from_the_suggested_cuts(take):
    named = make(take, clip("walk") + clip("stand", "0", "1.5") + clip("odd", "3.5", "5", 'kind = "jump"'))
    assert [one.kind for one in named] == ["locomotion", "idle", "jump"]


def test_the_kind_of_joined_stretches_is_that_of_most_of_their_frames(take):
    """Not that of what lies between them."""
    text = '[[clip]]\nname = "a"\nstretches = [[0, 1.9], [10.1, 11.6]]\n'
    (spec,) = plan_clips([take], parse_recipe(text)).specs
    assert spec.kind == "idle"
    (spec,) = plan_clips([take], parse_recipe(text.replace("[10.1, 11.6]", "[4, 8]"))).specs
    assert spec.kind == "locomotion"


def test_without_clips_the_suggested_cuts_are_taken(take):
    cuts = suggest_take_cuts(take, Recipe())
    specs = plan_clips([take], Recipe()).specs
    assert [spec.name for spec in specs] == [cut.name for cut in cuts]
    other = replace(take, name="night")
    names = [spec.name for spec in plan_clips([take, other], Recipe()).specs]
    assert names == [f"{name}_{cut.name}" for name in ("day", "night") for cut in cuts]
    with pytest.raises(InputError, match="no stretch of the take can be suggested"):
        plan_clips(
            [replace(take, motion=take.motion.slice(0, 10), contacts=take.contacts.sliced(0, 10))], Recipe()
        )


def test_whatever_is_suggested_can_be_made():
    """Long blends too: a cut that is too short for them gets shorter ones."""
    blow = clip_takes.take("blow")
    cuts = suggest_take_cuts(blow, Recipe())
    (strike,) = (cut for cut in cuts if cut.kind == "strike")
    half = (strike.stop - strike.start) // 2
    recipe = parse_recipe(f'neutral = "{cuts[0].name}"\nblend_frames = {half + 5}\n')
    clips = {one.name: one for one in make_set(blow, recipe)}
    assert list(clips) == [cut.name for cut in cuts]
    assert clips[strike.name].asked.blend_frames in (half - 1, half)
    assert all(one.asked.blend_frames is None for name, one in clips.items() if name != strike.name)


def test_clips_know_their_takes(take):
    other = replace(take, name="night")
    spec = ClipSpec("a", Moment(1), Moment(2))
    with pytest.raises(RecipeError, match=r"does not say which take.*one of: day, night"):
        plan_clips([take, other], Recipe(clips=(spec,)))
    with pytest.raises(RecipeError, match=r"there is no take 'noon'"):
        plan_clips([take], Recipe(clips=(replace(spec, take="noon"),)))
    (one,) = make_set([take, other], Recipe(clips=(replace(spec, take="night"),)))
    assert one.source == "night"


def test_a_pattern_names_what_has_no_name(take):
    unnamed = "[[clip]]\nfrom = {}\nto = {}\n"
    text = unnamed.format(3.5, 8) + clip("courier_idle_01", "0", "1.5") + unnamed.format(0, 1.6)
    recipe = parse_recipe('naming = "{character}_{kind}_{n:02}"\ncharacter = "courier"\n' + text)
    names = [spec.name for spec in plan_clips([take], recipe).specs]
    assert names == ["courier_locomotion_01", "courier_idle_01", "courier_idle_02"]
    assert [one.name for one in make_set(take, recipe)] == names
    cuts = suggest_take_cuts(take, Recipe())
    suggested = plan_clips([take], Recipe(naming="{set}_{n}")).specs
    numbers = iter(range(1, len(cuts) + 1))
    # Parts of a gait name each other, and keep their names.
    assert [spec.name for spec in suggested] == [
        one.name if one.exact else f"day_{next(numbers)}" for one in cuts
    ]
    assert [one.exact for one in cuts] == [False, True, True, True, False]
    whole = parse_recipe('naming = "{set}_{n}"\n[cuts]\ngaits = "whole"\n')
    assert [spec.name for spec in plan_clips([take], whole).specs] == ["day_1", "day_2", "day_3"]


def test_clips_that_are_spoken_of_must_be_there(take):
    for text, message in (
        ('neutral = "rest"\n' + clip(), "neutral: there is no clip 'rest'; there are: a"),
        (clip() + '[[variant]]\nof = "b"\nmirror = true', "variant 'b_mirrored': there is no clip 'b'"),
        (clip() + '[[variant]]\nof = "a"\nadditive_to = "b"', "variant 'a_additive': there is no clip 'b'"),
    ):
        with pytest.raises(RecipeError, match=message):
            expect_clips(parse_recipe(text), {"day": take.motion})
        with pytest.raises(RecipeError, match=message):
            make(take, text)


@pytest.mark.parametrize(
    ("frames", "kind"), [(20, "locomotion"), (30, "locomotion"), (36, "other"), (60, "other")]
)
def test_a_clip_is_of_a_cut_s_kind_when_half_of_it_is(frames: int, kind: str) -> None:
    """Of the clip's frames 15 are the cut's: three quarters, half, fewer."""
    cut = Cut("walk", "locomotion", 100, 115, loop=True)
    spec = ClipSpec("clip", Moment(100, in_frames=True), Moment(99 + frames, in_frames=True))
    assert plan_clips_file._guess_kind(spec, 30.0, [cut, Cut("rest", "idle", 0, 50, loop=True)]) == kind
