"""Feet that walk while the hips stay in place: told, and nothing else."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

import corrupt
import open_data
import synthetic
from clean_takes import open_motions
from takemill.body.body_map import BodyMap, find_body_map
from takemill.body.motion import Motion
from takemill.feet.walks_in_place import walked_in_place_m
from takemill.health.check import check
from takemill.health.profile import find_profile
from without_path import LOSSES, without_path

BODY = BodyMap.from_names(synthetic.skeleton(), synthetic.parts())
WALK_M = 3.0  # six steps of half a metre


def walk(**how: float) -> Motion:
    return synthetic.walk(rate=60.0, steps=6, **how).motion


@pytest.mark.parametrize("loss", LOSSES)
@pytest.mark.parametrize("turn_deg", [0.0, 360.0])
def test_a_walk_in_place_is_told_with_about_its_length(loss: str, turn_deg: float) -> None:
    """Taken over whole seconds: in a circle of 1 m across that cuts off a sixth."""
    lost = without_path(walk(turn_deg=turn_deg), loss)
    assert walked_in_place_m(lost, BODY) == pytest.approx(WALK_M, rel=0.18)


def test_a_walk_whose_hips_sway_and_drift_on_a_belt_is_told_too() -> None:
    lost = without_path(walk(), "in place")
    time = np.arange(len(lost))[:, None] / 60
    sway = np.concatenate([0.03 * np.sin(6 * time), 0.3 * np.sin(time), 0 * time], axis=1)
    assert walked_in_place_m(lost.with_translation(0, lost.root_translation + sway), BODY) > 0.8 * WALK_M


@pytest.mark.parametrize(
    "still", [walk(), synthetic.idle(rate=60.0).motion, synthetic.turn_in_place(rate=60.0).motion]
)
def test_who_walks_with_a_path_stands_or_turns_does_not_walk_in_place(still: Motion) -> None:
    assert walked_in_place_m(still, BODY) == 0.0


def test_a_step_to_and_fro_for_long_does_not_add_up() -> None:
    """A body that stands for two minutes while its take slips by 40 cm every ten seconds: no walk."""
    idle = synthetic.idle(rate=30.0, duration_s=120.0).motion
    starts = np.arange(5.0, 115.0, 10.0)
    times = np.stack([starts, starts + 0.8], axis=1).ravel()
    places = np.tile([0.0, 0.4, 0.4, 0.0], len(starts))[: len(times)]
    slide = np.zeros((len(idle), 3))
    slide[:, 0] = np.interp(np.arange(len(idle)) / 30, times, places)
    assert walked_in_place_m(idle.with_translation(0, idle.root_translation + slide), BODY) == 0.0


def test_no_open_motion_walks_in_place_as_it_is() -> None:
    """Clean, and with a suit's noise; the profile of none is another one for it."""
    noise = replace(corrupt.NONE, white_deg=0.25)
    for name, motion in open_motions().items():
        body = find_body_map(motion.skeleton)
        assert walked_in_place_m(motion, body) == 0.0, name
        assert walked_in_place_m(corrupt.corrupt(motion, 3, noise).motion, body) == 0.0, name


def test_open_walks_and_runs_that_lost_their_path_do() -> None:
    motions = open_motions()
    for name in ("walk", "run", "walker/turn_right0", "dance_a"):
        lost = without_path(motions[name], "rotations only")
        assert walked_in_place_m(lost, find_body_map(lost.skeleton)) > 3.0, name


def test_nothing_is_told_without_feet_or_in_a_moment() -> None:
    lost = without_path(walk(), "in place")
    legless = BodyMap({part: joint for part, joint in BODY.joints.items() if "Foot" not in part})
    assert walked_in_place_m(lost, legless) == 0.0
    assert walked_in_place_m(lost.slice(0, 59), BODY) == 0.0
    assert walked_in_place_m(lost.slice(0, 60), BODY) == 0.0


def test_the_profile_says_so_and_is_no_suits_for_it() -> None:
    """Feet of a slow walk in place slide together, and stand still in no frame."""
    slow = without_path(synthetic.walk(rate=60.0, steps=10, step_s=0.9, step_m=0.35).motion, "in place")
    found = find_profile(slow, BODY)
    assert found.kind == "cleaned"
    assert found.slide_m_s == 0.0
    assert (
        found.text()
        == f"cleaned (no sensor noise), feet walk about {found.in_place_m:.1f} m while the hips stay in place"
    )
    assert find_profile(walk(), BODY).text() == "cleaned (no sensor noise)"


def test_the_check_lists_it_with_what_can_be_done() -> None:
    lost = without_path(walk(), "rotations only")
    (found,) = (one for one in check(lost, BODY).findings if one.kind == "no_path")
    assert (found.joint, found.start, found.stop, found.unit, found.repaired) == (
        "",
        0,
        len(lost),
        "m",
        False,
    )
    assert found.amount == pytest.approx(WALK_M, rel=0.1)
    for part in ("hips stay in place", "about 2.8 m", 'path_from = "feet"', "--path-from feet", "Path From"):
        assert part in found.message
    assert not [one for one in check(walk(), BODY).findings if one.kind == "no_path"]


def test_the_take_stays_as_it_was() -> None:
    lost = without_path(open_data.humanoid3d("walk")[0], "in place")
    kept = lost.rotations.copy(), lost.root_translation.copy()
    walked_in_place_m(lost, find_body_map(lost.skeleton))
    np.testing.assert_array_equal(lost.rotations, kept[0])
    np.testing.assert_array_equal(lost.root_translation, kept[1])
