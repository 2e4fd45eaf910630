"""On clean motion the check is silent: no dead joint that never carried motion, no skating below noise."""

from __future__ import annotations

import numpy as np
import pytest

import clean_takes
import corrupt
import open_data
import synthetic
from takemill.body.body_map import find_body_map
from takemill.health.check import check


def kinds(motion) -> list[tuple[str, str]]:
    body = find_body_map(motion.skeleton)
    return [(one.kind, one.joint) for one in check(motion, body).findings]


@pytest.mark.parametrize("name", ["walk", "run", "punch", "kick", "jump", "dance_a", "spin"])
def test_joints_that_no_capture_filled_are_not_dead(name):
    """The open motions never move their wrists, and some no head: nothing says that a sensor sat there."""
    motion, _ = open_data.humanoid3d(name)
    assert not [joint for kind, joint in kinds(motion.resampled(60.0)) if kind == "dead_sensor"]


@pytest.mark.parametrize("part", ["head", "chest", "hips"])
def test_a_joint_without_another_side_that_never_moves_is_not_dead_but_one_that_stops_is(part):
    """Capture carries noise to the end, unless its sensor dies."""
    walk = corrupt.corrupt(synthetic.walk(steps=4).motion, 2).motion
    joint = walk.skeleton.index(part)
    half = len(walk) // 2
    for start, wanted in ((0, []), (half, [(half, len(walk))])):
        rotations = walk.rotations.copy()
        rotations[start:, joint] = rotations[start, joint]
        found = check(walk.with_rotations(rotations), find_body_map(walk.skeleton)).findings
        dead = [(one.start, one.stop) for one in found if (one.kind, one.joint) == ("dead_sensor", part)]
        assert dead == wanted


def test_one_wrist_that_never_moves_is_dead():
    walk = corrupt.corrupt(synthetic.walk(steps=4).motion, 2).motion
    rotations = walk.rotations.copy()
    hand = walk.skeleton.index("left_hand")
    rotations[:, hand] = rotations[0, hand]
    turned = walk.rotations[:, walk.skeleton.index("right_hand")]
    assert np.abs(turned - turned[0]).max() > 0  # the other one moves
    assert ("dead_sensor", "left_hand") in kinds(walk.with_rotations(rotations))


def test_a_contact_that_glides_by_less_than_noise_does_not_skate():
    """The feet of the clean walk glide by 5 to 8 mm while planted, but for its last, unfinished step."""
    motion = clean_takes.clean_take("walk")
    found = [one for one in check(motion, find_body_map(motion.skeleton)).findings if one.kind == "skating"]
    assert all(one.stop > len(motion) - 10 for one in found)


def test_a_walk_that_is_damaged_skates_at_every_step():
    motion = corrupt.corrupt(clean_takes.clean_take("walk"), 3).motion
    found = [one for one in check(motion, find_body_map(motion.skeleton)).findings if one.kind == "skating"]
    assert len(found) >= 8
