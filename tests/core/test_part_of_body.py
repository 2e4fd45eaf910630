"""A part of the body merged onto another motion: exact where it is all of one, smooth between."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

import synthetic
from takemill.base.errors import BodyMapError, InputError
from takemill.body.body_map import BodyMap, heading
from takemill.fit.part_of_body import PARTS, merge_part
from takemill.maths import quat

WALK = synthetic.walk(rate=60, steps=8).motion
BODY = BodyMap.from_names(WALK.skeleton, synthetic.parts())
ARMS = [WALK.skeleton.index(f"{side}_{name}") for side in ("left", "right")
        for name in ("shoulder", "upper_arm", "lower_arm", "hand")]  # fmt: skip
LEGS = [WALK.skeleton.index(f"{side}_{name}") for side in ("left", "right")
        for name in ("upper_leg", "lower_leg", "foot", "toes")]  # fmt: skip
SPINE, CHEST, NECK, HEAD, HIPS = (
    WALK.skeleton.index(one) for one in ("spine", "chest", "neck", "head", "hips")
)


def wave(frames: int = len(WALK), seed: int = 2, turn: float = 0.0, lean: float = 0.0):
    """The same body that moves all its joints smoothly, turned and leaning by a constant angle."""
    rng = np.random.default_rng(seed)
    count = len(WALK.skeleton)
    time = np.arange(frames)[:, None, None] / 60
    pace, phase = rng.uniform(0.3, 1.2, (1, count, 3)), rng.uniform(0, 6, (1, count, 3))
    swings = 0.3 * np.sin(2 * np.pi * pace * time + phase)
    swings[:, HIPS] = 0.0
    rotations = quat.exp(swings)
    rotations[:, HIPS] = quat.mul(quat.from_yaw(np.array(turn)), quat.exp(np.array([lean, 0.0, 0.0])))
    root = np.repeat(WALK.root_translation[:1], frames, axis=0)
    return replace(WALK, rotations=rotations, root_translation=root)


def off(a, b, joints) -> float:
    return float(quat.angle_between(a[:, joints], b[:, joints]).max())


def test_an_upper_body_turns_as_in_the_take_and_the_legs_walk_on():
    """Chest, arms and head as the take has them in model space; hips, legs and path to the last bit."""
    take = wave(lean=0.2)
    merged = merge_part(WALK, take, BODY, "upper_body")
    np.testing.assert_allclose(merged.rotations[:, LEGS], WALK.rotations[:, LEGS], atol=1e-12)
    np.testing.assert_allclose(merged.rotations[:, HIPS], WALK.rotations[:, HIPS], atol=1e-12)
    np.testing.assert_allclose(merged.root_translation, WALK.root_translation, atol=1e-12)
    assert off(merged.rotations, take.rotations, [*ARMS, NECK, HEAD]) < 1e-9
    turn = quat.mul(merged.model()[0][:, CHEST], quat.inv(take.model()[0][:, CHEST]))
    steady = turn - turn.mean(axis=0)
    assert np.abs(turn[..., 1:3]).max() < 1e-9  # no tilt: what is left is where the walk faces, slowly
    assert np.abs(steady).max() < 0.03


def test_the_spine_has_shares():
    """Half way between hips and chest lies half of the turn: the slow twin, joint by joint."""
    take = wave()
    merged = merge_part(WALK, take, BODY, "upper_body")
    model, base = merged.model()[0], WALK.model()[0]
    turn = quat.mul(model[:, CHEST], quat.inv(take.model()[0][:, CHEST]))
    for frame in range(0, len(WALK), 40):
        wanted = quat.mul(turn[frame], take.model()[0][frame, SPINE])
        halves = [quat.angle_between(model[frame, SPINE], one) for one in (base[frame, SPINE], wanted)]
        assert halves[0] == pytest.approx(halves[1], abs=1e-9)


def test_where_the_take_faces_does_not_count():
    """A take that was recorded facing elsewhere merges as one that faces the same way."""
    same = wave(lean=0.1)
    rotations = same.rotations.copy()
    rotations[:, HIPS] = quat.mul(quat.from_yaw(np.array(2.0)), rotations[:, HIPS])
    turned = replace(same, rotations=rotations, root_translation=same.root_translation + np.array([3, 1, 0]))
    a, b = (merge_part(WALK, one, BODY, "upper_body") for one in (same, turned))
    assert off(a.rotations, b.rotations, list(range(len(WALK.skeleton)))) < 1e-9


@pytest.mark.parametrize(("part", "sides"), [("arms", (0, 1)), ("left_arm", (0,)), ("right_arm", (1,))])
def test_arms_move_on_the_chest(part, sides):
    take = wave()
    merged = merge_part(WALK, take, BODY, part)
    mine = [joint for side in sides for joint in ARMS[4 * side : 4 * side + 4]]
    others = [joint for joint in range(len(WALK.skeleton)) if joint not in mine]
    np.testing.assert_allclose(merged.rotations[:, others], WALK.rotations[:, others], atol=1e-12)
    assert off(merged.rotations, take.rotations, mine) < 1e-9


def test_legs_bring_their_path_and_begin_where_the_base_stands():
    base = wave(turn=1.0)
    merged = merge_part(base, WALK, BODY, "legs")
    assert off(merged.rotations, WALK.rotations, LEGS) < 1e-9
    assert off(merged.rotations, base.rotations, [*ARMS, NECK, HEAD]) < 1e-9
    start = merged.model()[1][0, HIPS] - base.model()[1][0, HIPS]
    np.testing.assert_allclose(start[:2], 0, atol=1e-9)
    assert heading(merged, BODY)[0] == pytest.approx(heading(base, BODY)[0], abs=1e-9)
    way, there = (one.root_translation[-1] - one.root_translation[0] for one in (merged, WALK))
    assert np.linalg.norm(way[:2]) == pytest.approx(np.linalg.norm(there[:2]), abs=1e-9)


@pytest.mark.parametrize("part", PARTS[1:])
def test_inside_the_base_it_comes_and_goes_without_a_step(part):
    """No joint leaps: between frames nothing turns faster than the two motions and their blend do."""
    take = wave(120)
    merged = merge_part(WALK, take, BODY, part, start=100, blend_s=0.25)
    assert len(merged) == len(WALK)
    np.testing.assert_allclose(merged.rotations[:100], WALK.rotations[:100], atol=1e-12)
    assert off(merged.rotations[220:], WALK.rotations[220:], [*ARMS, *LEGS, NECK, HEAD, CHEST]) < 1e-9
    step = quat.angle_between(merged.rotations[1:], merged.rotations[:-1]).max()
    alone = max(quat.angle_between(one.rotations[1:], one.rotations[:-1]).max() for one in (WALK, take))
    assert step < alone + 1.5 * np.pi / (0.25 * 60)
    path = np.linalg.norm(np.diff(merged.model()[1][:, HIPS], axis=0), axis=1)
    assert path.max() < 1.2 * np.linalg.norm(np.diff(WALK.model()[1][:, HIPS], axis=0), axis=1).max()


def test_what_is_to_be_kept_is_the_base_s_and_inputs_stay():
    take = wave()
    copies = WALK.rotations.copy(), take.rotations.copy()
    kept = {WALK.skeleton.index("left_hand")}
    merged = merge_part(WALK, take, BODY, "upper_body", keep=kept)
    assert off(merged.rotations, WALK.rotations, list(kept)) < 1e-9
    assert (copies[0] == WALK.rotations).all()
    assert (copies[1] == take.rotations).all()


def test_bad_input_is_named():
    take = wave()
    for kwargs, message in (
        ({"part": "tail"}, "expected one of upper_body"),
        ({"part": "arms", "blend_s": -1.0}, "expected a blend of 0 s"),
        ({"part": "arms", "start": len(WALK)}, "do not meet"),
        ({"part": "arms", "start": -len(take)}, "do not meet"),
    ):
        with pytest.raises(InputError, match=message):
            merge_part(WALK, take, BODY, **kwargs)
    with pytest.raises(InputError, match="same skeleton and rate"):
        merge_part(WALK, replace(take, rate=30.0), BODY, "arms")
    alone = {part: name for part, name in synthetic.parts().items() if part not in ("spine", "chest")}
    with pytest.raises(BodyMapError, match="no joint of the spine"):
        merge_part(WALK, take, BodyMap.from_names(WALK.skeleton, alone), "upper_body")
    armless = {part: name for part, name in synthetic.parts().items() if "left" not in part}
    with pytest.raises(BodyMapError, match="the left arm is not mapped"):
        merge_part(WALK, take, BodyMap.from_names(WALK.skeleton, armless), "arms")
