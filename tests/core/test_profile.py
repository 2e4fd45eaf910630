"""What recorded a take, and what a repair leaves alone by it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

import corrupt
import open_data
import synthetic
from clean_takes import clean_take
from sliding import sliding_cm_s
from takemill.base.errors import RecipeError
from takemill.body.body_map import find_body_map
from takemill.body.motion import Motion
from takemill.feet.contacts import find_contacts
from takemill.health.profile import KINDS, find_profile
from takemill.maths import quat
from takemill.recipe.recipe import parse_recipe
from takemill.repair.repair import RepairSettings, repair

NOISE = replace(corrupt.NONE, white_deg=0.25)
DRIFT = replace(corrupt.NONE, path_drift=0.1)


def profile(motion: Motion):
    return find_profile(motion, find_body_map(motion.skeleton))


@pytest.mark.parametrize("name", ["walk", "punch", "kick", "spin", "walker/turn_left0", "roll"])
def test_clean_takes_at_their_own_rate_are_cleaned_and_noisy_ones_a_suits(name: str) -> None:
    """At 24 to 60 frames a second, of motions kept as their files have them."""
    clean = open_data.humanoid3d(name)[0]
    assert profile(clean).kind == "cleaned"
    noisy = corrupt.corrupt(clean, 1, replace(NOISE, white_deg=0.5)).motion
    assert profile(noisy).kind == "suit"
    assert profile(noisy).noise_deg == pytest.approx(0.5, rel=0.2)


def test_noise_a_tenth_as_large_is_cameras() -> None:
    found = profile(
        corrupt.corrupt(synthetic.walk(rate=120.0, steps=8).motion, 1, replace(NOISE, white_deg=0.02)).motion
    )
    assert found.kind == "optical"
    assert found.noise_deg == pytest.approx(0.02, rel=0.15)
    assert "0.02 degrees" in found.text()


def test_noise_in_one_joint_alone_is_no_suit() -> None:
    clean = clean_take("walk")
    rotations = clean.rotations.copy()
    shake = np.radians(0.5) * np.random.default_rng(1).normal(size=(len(clean), 3))
    rotations[:, 4] = quat.mul(rotations[:, 4], quat.exp(shake))
    assert profile(clean.with_rotations(rotations)).kind == "cleaned"


def test_feet_that_slide_together_are_a_suits_though_its_noise_was_taken_out() -> None:
    found = profile(corrupt.corrupt(clean_take("walk"), 1, DRIFT).motion)
    assert found.kind == "suit"
    assert found.noise_deg == 0.0
    assert "slide together" in found.text()
    assert profile(clean_take("walk")).kind == "cleaned"


def test_a_take_of_few_frames_and_a_slow_one_are_cleaned() -> None:
    noisy = corrupt.corrupt(clean_take("walk"), 1, NOISE).motion
    assert profile(noisy).kind == "suit"
    assert profile(noisy.slice(0, 19)).kind == "cleaned"
    assert profile(replace(noisy, rate=19.0)).kind == "cleaned"


@pytest.mark.parametrize("kind", KINDS)
def test_the_profile_that_is_asked_for_counts(kind: str) -> None:
    """What is no suit's keeps its noise and its path, to rounding."""
    raw = corrupt.corrupt(clean_take("walk"), 1, replace(DRIFT, white_deg=0.25)).motion
    repaired, _ = repair(raw, find_body_map(raw.skeleton), RepairSettings(profile=kind))
    turned = np.abs(repaired.rotations - raw.rotations).max()
    moved = np.abs(repaired.root_translation - raw.root_translation).max()
    if kind == "suit":
        assert min(turned, moved) > 1e-3
    else:
        assert max(turned, moved) < 1e-12


def test_feet_of_a_take_without_noise_are_pinned_where_it_is_said_to_be_a_suits() -> None:
    """The body turns to and fro on the spot: its feet slide against each other, which no path takes out."""
    clean = synthetic.idle(rate=60.0, duration_s=6.0).motion
    body = find_body_map(clean.skeleton)
    contacts = find_contacts(clean, body)
    turn = quat.from_yaw(np.radians(2.0) * np.sin(2 * np.pi * np.arange(len(clean)) / clean.rate))
    rotations = clean.rotations.copy()
    rotations[:, 0] = quat.mul(turn, rotations[:, 0])
    raw = clean.with_rotations(rotations)
    slides = [
        sliding_cm_s(one, body, contacts).mean()
        for one in (raw, *(repair(raw, body, RepairSettings(profile=kind))[0] for kind in ("", "suit")))
    ]
    assert slides[0] > 1
    assert slides[1] == pytest.approx(slides[0], rel=1e-6)
    assert slides[2] < 0.1


def test_a_floor_that_lies_steadily_off_is_put_to_0_and_a_small_offset_stays() -> None:
    clean = synthetic.walk(rate=120.0, steps=8).motion
    body = find_body_map(clean.skeleton)
    for offset, moved in ((0.1, 0.1), (-0.06, -0.06), (0.02, 0.0), (0.0, 0.0)):
        raw = clean.with_translation(0, clean.root_translation + np.array([0.0, 0.0, offset]))
        repaired, findings = repair(raw, body)
        assert np.abs(raw.root_translation - repaired.root_translation - [0, 0, moved]).max() < 2e-3
        assert [one.kind for one in findings] == ["floor_offset"] * bool(moved)
        if moved:
            (found,) = findings
            height = raw.root_translation[0, 2] - repaired.root_translation[0, 2]
            assert (found.amount, found.unit) == (pytest.approx(1000 * height, rel=1e-9), "mm")
            assert np.ptp(raw.root_translation - repaired.root_translation, axis=0).max() < 1e-12


@pytest.mark.parametrize(
    ("lower_m", "seconds", "moved"), [(0.05, 0.6, True), (0.13, 0.6, False), (0.05, 6.0, False)]
)
def test_a_step_that_goes_deeper_keeps_no_floor_from_height_0(
    lower_m: float, seconds: float, moved: bool
) -> None:
    """As where one kneels on the toes; but a take that comes down to height 0, or has two floors, stays."""
    clean = synthetic.walk(rate=60.0, steps=24).motion
    times, middle = np.arange(len(clean)) / clean.rate, len(clean) / clean.rate / 2
    deep = lower_m * np.clip(1 + 10 * (seconds / 2 - np.abs(times - middle)), 0, 1)
    heights = np.zeros((len(clean), 3))
    heights[:, 2] = 0.1 - deep
    raw = clean.with_translation(0, clean.root_translation + heights)
    repaired, _ = repair(raw, find_body_map(raw.skeleton), RepairSettings(profile="cleaned"))
    lowered = raw.root_translation - repaired.root_translation
    assert np.abs(lowered - [0, 0, 0.1 * moved]).max() < 2e-3


@pytest.mark.parametrize("offset", [0.1, -0.06])
def test_what_a_suits_take_is_lowered_by_is_said_in_millimetres(offset: float) -> None:
    clean = synthetic.walk(rate=120.0, steps=8).motion
    raw = clean.with_translation(0, clean.root_translation + np.array([0.0, 0.0, offset]))
    settings = RepairSettings(profile="suit", path=False, heading=False, pin=False, jitter=False)
    repaired, findings = repair(raw, find_body_map(raw.skeleton), settings)
    lowered = raw.root_translation[:, 2] - repaired.root_translation[:, 2]
    (found,) = (one for one in findings if one.kind == "floor_offset")
    assert (found.amount, found.unit) == (pytest.approx(1000 * np.median(lowered), rel=1e-6), "mm")
    assert found.amount == pytest.approx(1000 * offset, abs=5)


def test_a_recipe_says_the_profile_and_a_wrong_word_is_refused() -> None:
    assert parse_recipe('[repair]\nprofile = "optical"\n').repair.profile == "optical"
    with pytest.raises(RecipeError, match="profile"):
        parse_recipe('[repair]\nprofile = "marker"\n')
