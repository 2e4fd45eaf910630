from __future__ import annotations

import numpy as np
import pytest

import synthetic
from takemill.base.checks import Array
from takemill.body.body_map import BodyMap
from takemill.body.motion import Motion
from takemill.health.limb_frames import limb_frames
from takemill.health.sides import Sides, _gap, leg_sizes, sides, thin_frames
from takemill.maths import quat

BODY = BodyMap.from_names(synthetic.skeleton(), synthetic.parts())


def standing(frames: int = 60, **turns: Array) -> Motion:
    """The synthetic body at rest at 30 frames a second, single joints turned by rotation vectors (F, 3)."""
    skeleton = synthetic.skeleton()
    rotations = np.tile(skeleton.rest_rotation, (frames, 1, 1))
    for name, turn in turns.items():
        rotations[:, skeleton.index(name)] = quat.exp(np.broadcast_to(np.radians(turn), (frames, 3)))
    return Motion(skeleton, 30.0, rotations, np.tile(skeleton.rest_translation[0], (frames, 1)))


def of(motion: Motion) -> Sides:
    return sides(limb_frames(motion, BODY), leg_sizes(motion.skeleton, BODY), motion.rate)


def test_sizes_are_those_of_the_rest_pose() -> None:
    skeleton = synthetic.skeleton()
    sizes = leg_sizes(skeleton, BODY)
    at = {part: skeleton.rest_model[1][BODY.require(part)] for part in BODY.joints}
    assert sizes.thigh == pytest.approx(np.linalg.norm(at["leftUpperLeg"] - at["leftLowerLeg"]))
    assert sizes.shin == pytest.approx(np.linalg.norm(at["leftLowerLeg"] - at["leftFoot"]))
    assert sizes.hips == pytest.approx(at["leftUpperLeg"] - at["rightUpperLeg"])


def test_a_body_that_stands_has_its_legs_on_their_sides() -> None:
    assert of(standing()) == Sides(0.0, 0.0, pytest.approx(0.0, abs=1e-6), 0.0, 0.0)


def test_legs_that_pass_through_one_another() -> None:
    """Both thighs swung inward until the shins cross, in a third of the frames."""
    inward = np.where(np.arange(60)[:, None] < 20, 25.0, 0.0) * [0.0, 1.0, 0.0]
    crossed = of(standing(left_upper_leg=inward, right_upper_leg=-inward))
    assert crossed.passed == pytest.approx(1 / 3, abs=0.02)
    assert crossed.crossed == pytest.approx(1 / 3, abs=0.02)
    ahead = of(standing(left_upper_leg=inward - np.array([30.0, 0.0, 0.0]), right_upper_leg=-inward))
    assert (ahead.passed, ahead.crossed > 0.3) == (0.0, True)


def test_the_gap_between_bones_against_a_search() -> None:
    """Random pairs of bones, crossing, apart and end to end; a search over both in steps of a hundredth."""
    rng = np.random.default_rng(4)
    first, second = rng.normal(size=(2, 200, 2, 3))
    second[:20, 1] = first[:20, 1] + second[:20, 0] - first[:20, 0]  # parallel
    shares = np.linspace(0, 1, 101)[:, None]
    left, right = (first[:, k, None] + (second - first)[:, k, None] * shares for k in range(2))
    searched = np.linalg.norm(left[:, :, None] - right[:, None], axis=-1).min(axis=(1, 2))
    found = _gap(first, second)
    assert (found <= searched + 1e-9).all()
    assert np.abs(found - searched).max() < 0.05


def test_toes_count_outward_on_both_sides() -> None:
    turned = standing(left_foot=np.array([0, 0, 20.0]), right_foot=np.array([0, 0, -20.0]))
    assert of(turned).toes_deg == pytest.approx(20, abs=0.5)


def test_a_walk_falls_away_from_its_feet_and_swings_the_other_arm() -> None:
    walk = thin_frames(synthetic.walk(steps=10).motion)
    assert walk.rate == 30
    assert of(walk).falls > 0.8
    mirrored = walk.rotations.copy()
    for part in ("upper_arm", "lower_arm"):
        pair = [walk.skeleton.index(f"{side}_{part}") for side in ("left", "right")]
        mirrored[:, pair] = mirrored[:, pair[::-1]]
    assert of(walk).swing == pytest.approx(of(walk.with_rotations(mirrored)).swing * -1, abs=0.2)


@pytest.mark.parametrize(
    ("own", "other", "words"),
    [
        (Sides(0.3, 0, 0, 0, 0), Sides(0, 0, 0, 0, 0), "pass through"),
        (Sides(0.3, 0, 0, 0, 0), Sides(0.2, 0, 0, 0, 0), ""),  # so they do on the other sides
        (Sides(0, 0.6, -15, 0, 0), Sides(0, 0, 15, 0, 0), "crossed"),
        (Sides(0, 0.6, 15, 0, 0), Sides(0, 0, -15, 0, 0), ""),  # steps behind the other foot, toes out
        (Sides(0, 0, -15, 0, 0), Sides(0, 0, 15, 0, 0), ""),  # pigeon-toed
        (Sides(0, 0, 0, -0.7, 0.9), Sides(0, 0, 0, 0.7, -0.9), "wrong way"),
        (Sides(0, 0, 0, 0.7, 0.9), Sides(0, 0, 0, -0.7, -0.9), ""),  # the arms are
        (Sides(0, 0, 0, -0.7, 0.0), Sides(0, 0, 0, 0.7, 0.0), ""),
    ],
)
def test_what_tells_exchanged_legs(own: Sides, other: Sides, words: str) -> None:
    assert words in own.explain_legs(other)
    assert bool(own.explain_legs(other)) == bool(words)


def test_what_tells_exchanged_arms() -> None:
    assert Sides(0, 0, 0, 0.7, 0.9).explain_arms()
    for falls, swing in ((0.7, -0.9), (-0.7, 0.9), (0.0, 0.0)):
        assert not Sides(0, 0, 0, falls, swing).explain_arms()


@pytest.mark.parametrize("frames", [1, 2, 5])
def test_short_takes_tell_nothing(frames: int) -> None:
    assert of(standing(frames)) == Sides(0.0, 0.0, pytest.approx(0.0, abs=1e-6), 0.0, 0.0)
