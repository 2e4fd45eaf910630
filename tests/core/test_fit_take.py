"""A take on a character: fitted, and cut where the performer was cut."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

import day_take
import small_takes
from takemill.base.errors import BodyMapError
from takemill.body.body_map import BodyMap
from takemill.fit.fit import FitSettings
from takemill.pipeline.fit_take import fit_take
from takemill.pipeline.plan_clips import plan_clips
from takemill.pipeline.prepare_take import body_of
from takemill.pipeline.stages import make_clips, settle_seams
from takemill.recipe.recipe import Recipe, parse_recipe


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
