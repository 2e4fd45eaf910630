"""Contacts of hands on bodies whose mesh is known: surfaces meet, and neither stays off nor goes in."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.spatial import cKDTree

import hand_takes
import skinned_depth
from fit_bodies import BROAD, TOON, Build
from hand_measures import gap_m, peak_turn, slide_m_s
from skinned_bodies import Girth, skinned
from takemill.body.body_map import leg_length
from takemill.fit.fit import FitSettings, fit, fit_with_goals
from takemill.goals.find_goals import find_goals
from takemill.goals.goal_figures import figures, posed
from takemill.goals.solve_goals import keep_goals
from takemill.shape.body_shape import body_shape
from takemill.shape.scale import Scale
from takemill.shape.skin import Skin

BODIES = {
    "stout": (Build(arms_down_deg=20.0, roll_seed=4), Girth(trunk_wide=0.18, trunk_deep=0.15, thigh=0.10)),
    "broad": (BROAD, Girth(trunk_wide=0.25, trunk_deep=0.15, thigh=0.11)),
    "toon": (TOON, Girth(trunk_wide=0.18, trunk_deep=0.12, thigh=0.09, head=0.13)),
}


@pytest.mark.parametrize("build", BODIES)
@pytest.mark.parametrize("name", ["clap", "hips", "knees", "chin"])
def test_hands_lie_on_the_mesh(name: str, build: str) -> None:
    """Their capsules, which lie inside the meshes, are 8 mm apart within 4; they were up to 150 mm off."""
    take, (skeleton, parts, skin) = hand_takes.TAKES[name](60.0), skinned(*BODIES[build])
    shape = body_shape(skeleton, parts, skin)
    bodies = figures(take.motion.skeleton, take.body, skeleton, parts, target_shape=shape)
    source = posed(bodies[0], take.motion)
    ratio = leg_length(skeleton, parts) / leg_length(take.motion.skeleton, take.body)
    goals = find_goals(source, bodies[0], 0.0)
    plain = fit(take.motion, take.body, skeleton, parts, FitSettings(goals=()))
    kept, results = keep_goals(plain, goals, source, bodies, Scale(ratio, ratio, 0.0))
    for one in take.relations:
        held = slice(one.start, one.stop)
        gaps = [np.abs(gap_m(some, shape, one.part, one.on)[held] - 0.008).max() for some in (plain, kept)]
        assert gaps[1] < min(0.004, gaps[0])
    assert max(one.worst_m for one in results) < 0.005


def test_a_hand_on_the_head_lies_on_the_crown_that_is_seen() -> None:
    """From the hand's skinned vertices to the head's at most 2 cm: they were 7 apart."""
    take, (skeleton, parts, skin) = hand_takes.head(30.0), skinned(Build(arms_down_deg=40.0))
    shape = body_shape(skeleton, parts, skin)
    fitted = fit(take.motion, take.body, skeleton, parts, shape=shape)
    points, joints, weights = skin.filled(0.01)
    frames = np.arange(take.relations[0].start, take.relations[0].stop, 10)
    seen = skinned_depth.posed(Skin(points, joints, weights), fitted, frames)
    hand, head = (joints[:, 0] == parts.require(part) for part in ("rightHand", "head"))
    gaps = [float(cKDTree(one[head]).query(one[hand])[0].min()) for one in seen]
    assert max(gaps) < 0.02
    deep = skinned_depth.depths_mm(
        skin, fitted, parts, frames, ("rightHand", "rightLowerArm"), ("head", "neck")
    )
    assert deep.max() <= 5.0


@pytest.mark.parametrize("name", ["hilt", "hips", "cartwheel"])
def test_arms_are_cleared_and_hands_keep_their_goals(name: str) -> None:
    """With the mesh's surface elbows go out of the trunk, and every contact is where it is without that."""
    take, (skeleton, parts, skin) = hand_takes.TAKES[name](60.0), skinned(*BODIES["broad"])
    shape = body_shape(skeleton, parts, skin)
    given = (take.motion, take.body, skeleton, parts)
    with_mesh = fit_with_goals(*given, shape=shape)
    assert with_mesh.clearance is not None
    assert all(one.worst_m < 0.003 for one in with_mesh.goals)
    assert with_mesh.clearance.after_m <= with_mesh.clearance.before_m
    for one in take.relations:
        if one.kind == "floor":
            assert slide_m_s(with_mesh.motion, parts, one) < 0.003
    assert peak_turn(with_mesh.motion, parts) < 1.2 * peak_turn(take.motion, take.body)
