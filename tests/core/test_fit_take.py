"""A take on a character: fitted, and cut where the performer was cut."""

from __future__ import annotations

import re
from dataclasses import replace

import numpy as np
import pytest

import clip_takes
import day_take
import fit_bodies
import hand_takes
import small_takes
from takemill.base.errors import BodyMapError, InputError
from takemill.body.body_map import BodyMap
from takemill.fit.fit import FitSettings
from takemill.goals.goal_results import missed_goals
from takemill.pipeline.fit_take import fit_take, goals_of_take, merge_take, unknown_goals
from takemill.pipeline.plan_clips import plan_clips
from takemill.pipeline.prepare_take import body_of
from takemill.pipeline.stages import make_clips, settle_seams
from takemill.recipe.recipe import Recipe, parse_recipe
from takemill.sets.clip_facts import describe_clip
from takemill.sets.report_clip import clip_card


def test_a_take_on_its_own_body_is_itself():
    """The fit must change nothing there (an identity, to a tenth of a millimetre)."""
    take = day_take.day()
    same = fit_take(take, take.motion.skeleton, take.body, FitSettings())
    assert np.abs(same.motion.model()[1] - take.motion.model()[1]).max() < 1e-4
    assert (same.name, same.digest, same.contacts, same.health) == (
        take.name, take.digest, take.contacts, take.health,
    )  # fmt: skip


def test_a_character_has_the_performers_frames_and_contacts():
    take = day_take.day()
    tall = replace(
        take.motion.skeleton,
        rest_translation=1.2 * take.motion.skeleton.rest_translation,
        tip_offsets=1.2 * take.motion.skeleton.tip_offsets,
    )
    fitted = fit_take(take, tall, body_of(tall, Recipe()), FitSettings())
    assert fitted.motion.skeleton is tall
    assert fitted.contacts is take.contacts
    plan = plan_clips([take], parse_recipe(day_take.clip("walk", more="loop = true")))
    (own,) = make_clips([take], plan)
    (other,) = make_clips([fitted], settle_seams([take], plan))
    assert own.source_range == other.source_range
    assert own.source_range != (210, 481)  # it was searched for
    np.testing.assert_allclose(
        other.root_motion.distance_m, 1.2 * own.root_motion.distance_m, rtol=0.01
    )  # a scaled body takes scaled steps


def test_a_character_without_legs_is_refused():
    take = day_take.day()
    skeleton = small_takes.stand_and_walk().skeleton
    with pytest.raises(BodyMapError):
        fit_take(take, skeleton, BodyMap({"spine": 1}), FitSettings())


def test_clips_tell_of_the_contacts_of_hands_in_their_frames():
    """The hands lie on the floor from 1.8 to 6.2 s; a body with short arms puts them down as well."""
    held = hand_takes.floor(60.0)
    take = clip_takes.prepared(held.motion, held.body)
    skeleton, body = fit_bodies.body(fit_bodies.TOON)
    fitted = fit_take(take, skeleton, body, FitSettings())
    assert [one.goal.kind for one in fitted.goals] == ["floor", "floor"]
    clips = [("up", 0, 1), ("down", 1, 7), ("late", 6, 7.5)]
    text = "".join(f'[[clip]]\nname = "{name}"\nfrom = {start}\nto = {stop}\n' for name, start, stop in clips)
    made = make_clips([fitted], plan_clips([take], parse_recipe(text)))
    assert [len(clip.goals) for clip in made] == [0, 2, 2]
    facts = describe_clip(made[1], "one.glb", (), 0.0, {})["goals"]
    assert [one["name"] for one in facts] == [one.goal.name for one in fitted.goals]
    assert all(one["reached"] and one["off_mm"] < 1 for one in facts)
    assert "2 of 2 contacts kept" in clip_card(1, made[1], describe_clip(made[1], "one.glb", (), 0.0, {}))


def test_contacts_that_are_missed_are_said_with_a_way_out():
    held = hand_takes.head(60.0)
    take = clip_takes.prepared(held.motion, held.body)
    skeleton, body = fit_bodies.body(replace(fit_bodies.TOON, upper_arm=0.12, fore_arm=0.1))
    goals = fit_take(take, skeleton, body, FitSettings()).goals
    (line,) = missed_goals(goals, "toon, day")
    assert re.fullmatch(
        r"toon, day: not .*: rightHand on head 1\.7\ds \(let go, \d+ mm off: out of reach by \d+ mm\); "
        r"leave it out.*without_goals.*",
        line,
    )
    # A hand that is let go is further off than at full reach.
    assert 0.05 < goals[0].short_m < goals[0].worst_m
    near = replace(goals[0], short_m=0.0)
    assert re.search(r"1\.7\ds \(\d+ mm off\); leave", missed_goals([near], "toon")[0])
    none = FitSettings(without_goals=(goals[0].goal.name,))
    assert missed_goals(fit_take(take, skeleton, body, none).goals, "toon, day") == []


def test_contacts_that_are_left_out_and_not_there_are_said_with_one_that_is():
    held = hand_takes.head(60.0)
    takes = [day_take.day(), clip_takes.prepared(held.motion, held.body)]
    (there,) = (goal.name for goal in goals_of_take(takes[1], FitSettings()))
    assert (
        unknown_goals(takes, FitSettings()) == unknown_goals(takes, FitSettings(without_goals=(there,))) == ""
    )
    line = unknown_goals(takes, FitSettings(without_goals=(there, "rightHand on head 9.00s")))
    assert line == (
        f"[fit] without_goals: no take has 'rightHand on head 9.00s'; the most like it is {there!r}"
    )
    line = unknown_goals(takes[:1], FitSettings(without_goals=(there,)))
    assert line.endswith("no contact of hands or body is found at all")


def test_a_part_of_the_body_is_merged_and_no_fit_of_its_own():
    """Without a motion of the character's own there is nothing to merge it onto: said, with the way out."""
    take, settings = day_take.day(), FitSettings(part="arms", part_blend_s=0.0)
    skeleton = take.motion.skeleton
    with pytest.raises(InputError, match=r"\[fit\] part = 'arms': .* in Blender's Fit; here leave it out"):
        fit_take(take, skeleton, take.body, settings)
    base = take.motion.slice(100, 200)
    merged = merge_take(take, skeleton, take.body, settings, base, -100)
    assert np.abs(merged.model()[1] - base.model()[1]).max() < 1e-4  # the same frames of the same take
    for wrong, message in (
        ({"part": "tail"}, "expected one of whole"),
        ({"part_blend_s": -1.0}, "0 s or more"),
    ):
        with pytest.raises(InputError, match=message):
            FitSettings(**wrong)
