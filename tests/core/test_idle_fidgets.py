"""Fidgets beside an idle: small movements, as one-shots that meet it; and what is none."""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from pathlib import Path

import numpy as np
import pytest

from idle_takes import known_idle
from takemill.api.take_verbs import prepare, repair_take
from takemill.clip.measure import set_gaps
from takemill.feet.contacts import find_contacts
from takemill.health.check import Health
from takemill.idle.idle_fidgets import find_fidgets
from takemill.maths import quat
from takemill.pipeline.prepare_take import PreparedTake, digest_of
from takemill.pipeline.stages import make_set
from takemill.pipeline.suggest_idle import SuggestedIdle, suggest_idle
from takemill.recipe.recipe import Recipe

SAMPLE = Path(__file__).parents[2] / "sample_blends/marsh_take.bvh"


def prepared(fidgets: tuple[float, ...]) -> PreparedTake:
    known = known_idle(3, 22.0, fidgets=fidgets)
    contacts = find_contacts(known.motion, known.body)
    return PreparedTake(
        "calm", digest_of(known.motion), known.motion, known.body, known.motion, (), Health((), {}), contacts
    )


@cache
def of_the_sample() -> tuple[PreparedTake, SuggestedIdle]:
    take = prepare(repair_take(SAMPLE), Recipe())
    return take, suggest_idle(take, Recipe(), 20.0, 0)


def test_a_raised_arm_is_a_fidget() -> None:
    found = suggest_idle(prepared((7.0, 15.0)), Recipe(), 20.0)
    assert [one.name for one in found.fidgets] == ["fidget_01", "fidget_02"]
    assert {one.kind for one in found.fidgets} == {"gesture"}
    for one, at_s in zip(found.fidgets, (7.0, 15.0), strict=True):
        assert one.start.frame(60) / 60 == pytest.approx(at_s - 0.5, abs=0.6)
        assert one.stop.frame(60) / 60 == pytest.approx(at_s + 2.5, abs=0.6)
        assert one.loops == {"follows": "idle", "leads_to": "idle"}
    take = prepared((7.0, 15.0))
    exact = find_fidgets(take.motion, take.body, found.calm, ())
    frames = [one.frames(len(take.motion), take.motion.rate) for one in found.fidgets]
    assert frames == [(one.start, one.stop) for one in exact]


def test_calm_alone_has_none() -> None:
    assert suggest_idle(prepared(()), Recipe(), 20.0).fidgets == ()


@pytest.mark.parametrize(("joint", "degrees"), [("left_lower_arm", 25.0), ("spine", 25.0), ("head", 40.0)])
def test_jumps_of_a_sensor_are_none(joint: str, degrees: float) -> None:
    """In a take that was not repaired: two spikes of up to three frames in the calm, one in the fidget."""
    take = prepared((9.0,))
    rotations, column = take.motion.rotations.copy(), take.motion.skeleton.index(joint)
    spike = quat.exp(np.radians(degrees) * np.array([0.0, 1.0, 0.0]))
    for first, count in ((250, 1), (600, 2), (1000, 3)):
        rotations[first : first + count, column] = quat.mul(rotations[first : first + count, column], spike)
    spiked = replace(take, motion=take.motion.with_rotations(rotations))
    (one,) = suggest_idle(spiked, Recipe(), 15.0).fidgets
    assert one.start.frame(60) / 60 == pytest.approx(8.5, abs=0.6)
    assert one.stop.frame(60) / 60 == pytest.approx(11.5, abs=0.6)


def test_of_the_sample_the_shift_of_weight_is_one_and_actions_are_none() -> None:
    """By its script it shifts its weight from 16.0 s on for 10.4 s; then it walks, turns, ducks, strikes."""
    take, found = of_the_sample()
    (one,) = found.fidgets
    rate = take.motion.rate
    assert 16.0 <= one.start.frame(rate) / rate <= 17.2
    assert 25.0 <= one.stop.frame(rate) / rate <= 26.6


def test_a_fidget_begins_and_ends_in_the_idle() -> None:
    take, found = of_the_sample()
    clips = make_set(take, Recipe(rate=30.0, clips=(found.idle, *found.fidgets)))
    gaps = set_gaps({clip.name: clip.world_motion for clip in clips}, clips[0].body)
    assert gaps.cm.max() < 0.01
    assert gaps.cm_s.max() < 1.0
    assert not clips[1].loop


def test_who_goes_away_does_not_fidget() -> None:
    known = known_idle(3, 22.0)
    path = known.motion.root_translation.copy()
    path[600:] += [0.3, 0.0, 0.0]
    gone = known.motion.with_translation(0, path)
    calm = ((0, 540), (660, 1200))
    assert len(find_fidgets(known.motion, known.body, calm, ())) == 1
    assert find_fidgets(gone, known.body, calm, ()) == ()
    assert find_fidgets(known.motion, known.body, ((0, 590), (600, 1200)), ()) == ()  # too short
    assert np.array_equal(path[:600], known.motion.root_translation[:600])
