"""Chairs, boxes and benches after a fit, by skinned vertices: as high as the performer's, and still."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

import resting_takes
import skinned_depth
import support_takes
from fit_bodies import BROAD, TOON, Build, body
from hand_measures import peak_turn
from hand_takes import HandTake, Relation
from skinned_bodies import Girth, skinned
from support_measures import height_m, lies
from takemill.fit.fit import FitSettings, fit, fit_with_goals
from takemill.goals.goals import KINDS
from takemill.maths import quat
from takemill.shape.body_shape import body_shape
from takemill.shape.sitting import SitPoints, find_sit_points
from takemill.shape.skin import Skin

BODIES = {
    "stout": (Build(arms_down_deg=20.0, roll_seed=4), Girth(trunk_wide=0.18, trunk_deep=0.15, thigh=0.10)),
    "long": (Build(upper_arm=0.34, fore_arm=0.31, thigh=0.5, shin=0.46, roll_seed=9), Girth()),
    "broad": (BROAD, Girth(trunk_wide=0.25, trunk_deep=0.15, thigh=0.11)),
    "toon": (TOON, Girth(trunk_wide=0.18, trunk_deep=0.12, thigh=0.09, head=0.13)),
}
WITHOUT = FitSettings(goals=tuple(kind for kind in KINDS if kind != "support"))


@pytest.fixture(scope="module")
def takes() -> dict[str, HandTake]:
    return {name: make(30.0) for name, make in support_takes.CARRIED.items()}


@pytest.mark.parametrize(
    ("name", "build"),
    [*(("sit", build) for build in BODIES), ("stool", "long"), ("box", "broad"), ("bench", "toon")],
)
def test_what_carries_is_as_high_as_the_performers_scaled(
    takes: dict[str, HandTake], name: str, build: str
) -> None:
    """Within 3 mm, without going over it by more than 0.3 cm/s (hips): 7 to 57 mm off before."""
    take, (skeleton, parts, skin) = takes[name], skinned(*BODIES[build])
    shape = body_shape(skeleton, parts, skin)
    kept = fit_with_goals(take.motion, take.body, skeleton, parts, shape=shape)
    plain = fit_with_goals(take.motion, take.body, skeleton, parts, WITHOUT, shape=shape)
    assert all(one.reached for one in kept.goals if one.goal.kind == "support")
    for one in take.relations:
        before, after = (
            lies(take, one, some.motion, parts, skin, height_m(take, one)) for some in (plain, kept)
        )
        assert max(after.under_mm, after.over_mm) < min(3.0, max(before.under_mm, before.over_mm))
        assert after.slide_cm_s < (0.3 if one.part == "hips" else 0.6)
        assert after.rise_cm_s < 0.5
    turns = [peak_turn(plain.motion, parts), 1.2 * peak_turn(take.motion, take.body)]
    assert peak_turn(kept.motion, parts) < 1.01 * max(turns)


@pytest.mark.parametrize("name", support_takes.CARRIED)
def test_ones_own_body_in_another_rest_moves_the_same(takes: dict[str, HandTake], name: str) -> None:
    take, (skeleton, parts) = takes[name], body(Build(arms_down_deg=60.0, roll_seed=3))
    plain, kept = (fit(take.motion, take.body, skeleton, parts, one) for one in (WITHOUT, FitSettings()))
    np.testing.assert_allclose(kept.model()[1], plain.model()[1], atol=1e-6)


@pytest.mark.parametrize("build", ["long", "toon"])
def test_knees_stay_on_the_floor_that_hands_are_on_too(build: str) -> None:
    """On all fours arms bend for hands; hips that rose for them took knees 69 and 94 mm off the floor.

    Hands were 11 and 20 mm under it while a straight arm bent softly however far it had to.
    """
    motion, part = resting_takes.at_rest("fours", 30.0)
    held = np.flatnonzero(part > 0.999)[[3, -3]].tolist()
    knee, hand = (Relation("floor", one, "floor", *held) for one in ("leftLowerLeg", "leftHand"))
    take = HandTake("fours", motion, resting_takes.body_of(motion), (knee, hand))
    skeleton, parts, skin = skinned(*BODIES[build])
    kept = fit(motion, take.body, skeleton, parts, shape=body_shape(skeleton, parts, skin))
    for one, most_mm in ((knee, 1.0), (hand, 4.0)):
        seen = lies(take, one, kept, parts, skin, 0.0)
        assert max(seen.under_mm, seen.over_mm) < most_mm
        assert seen.slide_cm_s < 0.1


def test_a_support_is_left_out_by_its_name(takes: dict[str, HandTake]) -> None:
    take, (skeleton, parts) = takes["sit"], body(BROAD)
    (result,) = fit_with_goals(take.motion, take.body, skeleton, parts).goals
    assert (result.goal.kind, result.goal.part, result.goal.on) == ("support", "hips", "support")
    left_out = FitSettings(without_goals=(result.goal.name,))
    plain, without = (fit(take.motion, take.body, skeleton, parts, one) for one in (WITHOUT, left_out))
    np.testing.assert_array_equal(without.rotations, plain.rotations)


def _lowest(sitting: SitPoints, at: np.ndarray, turned: np.ndarray) -> float:
    heights = np.zeros(sitting.vertices.max() + 1)
    places = at[sitting.joints] + quat.rotate(turned[sitting.joints], sitting.points)
    np.add.at(heights, sitting.vertices, sitting.weights * places[:, 2])
    return float(heights.min())


def test_a_chair_is_the_lowest_of_the_mesh_in_any_posture(takes: dict[str, HandTake]) -> None:
    """Few of its vertices tell how low hips and tops of thighs lie; what is worn and hangs lower does not."""
    skeleton, parts, skin = skinned(*BODIES["broad"])
    hips = parts.require("hips")
    mixed = skin.joints.copy(), skin.weights.copy()
    for side in ("left", "right"):  # half of what is near a hip joint hangs on the hips
        thigh = parts.require(f"{side}UpperLeg")
        near = (skin.joints[:, 0] == thigh) & (
            np.linalg.norm(skin.points - skeleton.rest_model[1][thigh], axis=1) < 0.15
        )
        mixed[0][near, 1], mixed[1][near, 0], mixed[1][near, 1] = hips, 0.5, 0.5
    low = skin.points[:, 2] < skeleton.rest_model[1][parts.require("leftUpperLeg"), 2] - 0.07
    skirt = skin.points[(skin.joints[:, 0] == hips) & low] - [0.0, 0.0, 0.17]
    hung = np.zeros((len(skirt), 4), int)
    hung[:, 0] = hips
    whole = Skin(np.concatenate([skin.points, skirt]), np.concatenate([mixed[0], hung]),
                 np.concatenate([mixed[1], np.eye(4)[np.zeros(len(skirt), int)]]))  # fmt: skip
    sitting = find_sit_points(skeleton, parts, whole)
    assert sitting is not None
    assert sitting.vertices.max() < 500
    fitted = fit(takes["sit"].motion, takes["sit"].body, skeleton, parts)
    at_top = np.zeros(len(skin.points), bool)
    for side in ("left", "right"):
        hip, knee = (skeleton.rest_model[1][parts.require(side + one)] for one in ("UpperLeg", "LowerLeg"))
        top = (skin.points - hip) @ (knee - hip) < (knee - hip) @ (knee - hip) / 3
        at_top |= top & (skin.joints[:, 0] == parts.require(f"{side}UpperLeg"))
    some = at_top | (skin.joints[:, 0] == hips)
    clothed = replace(skin, points=skin.points[some], joints=mixed[0][some], weights=mixed[1][some],
                      triangles=np.zeros((0, 3), int))  # fmt: skip
    frames = np.array([0, 45, 60, 100, 150])
    turned, at = (one[frames] for one in fitted.model())
    seen = skinned_depth.posed(clothed, fitted, frames)[..., 2].min(axis=1)
    told = [_lowest(sitting, at[k], turned[k]) for k in range(len(frames))]
    np.testing.assert_allclose(told, seen, atol=0.002)
    assert (
        find_sit_points(skeleton, parts, Skin(np.zeros((0, 3)), np.zeros((0, 4), int), np.zeros((0, 4))))
        is None
    )
