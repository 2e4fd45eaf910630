"""Retimed and additive clips."""

from __future__ import annotations

import numpy as np
import pytest

import open_data
import synthetic
from takemill.base.errors import InputError
from takemill.body.body_map import find_body_map
from takemill.clip.loop_close import close_loop
from takemill.clip.travel import find_travel
from takemill.clip.variants import added, additive, retimed
from takemill.maths import quat


def test_twice_as_fast_takes_every_second_frame() -> None:
    motion = open_data.humanoid3d("walk")[0]
    fast = retimed(motion, 2.0)
    assert len(fast) == 20
    assert quat.angle_between(fast.rotations, motion.rotations[::2]).max() < 1e-7
    assert np.abs(fast.root_translation - motion.root_translation[::2]).max() < 1e-12
    slow = retimed(motion, 0.5)
    assert quat.angle_between(slow.rotations[::2], motion.rotations).max() < 1e-7
    assert slow.rate == motion.rate


@pytest.mark.parametrize("speed", [0.37, 0.9, 1.0, 1.3, 3.3])
def test_a_retimed_loop_still_closes_and_travels_as_far(speed: float) -> None:
    motion = open_data.humanoid3d("walk")[0]
    body = find_body_map(motion.skeleton)
    loop = close_loop(motion, body)
    other = retimed(loop, speed, loop=True)
    assert quat.angle_between(other.rotations[[0, -1]], loop.rotations[[0, -1]]).max() < 1e-9
    assert find_travel(other, body).distance_m == pytest.approx(find_travel(loop, body).distance_m, abs=1e-9)
    assert abs((len(other) - 1) * speed - (len(loop) - 1)) <= 0.5 * speed + 1e-9


def test_a_difference_added_back_is_the_motion() -> None:
    base = open_data.humanoid3d("walk")[0]
    motion = open_data.humanoid3d("run")[0].sampled(np.linspace(0, 24, len(base)), base.rate)
    motion = motion.with_translation(1, np.tile([0.0, 0.1, 0.2], (len(base), 1)))
    again = added(base, additive(motion, base))
    assert quat.angle_between(again.rotations, motion.rotations).max() < 1e-7
    assert np.abs(again.model()[1] - motion.model()[1]).max() < 1e-12


def test_the_difference_to_itself_is_the_rest_pose() -> None:
    motion = synthetic.walk(rate=30.0, steps=2).motion
    none = additive(motion, motion)
    assert quat.angle_between(none.rotations, motion.skeleton.rest_rotation).max() < 1e-7
    assert np.abs(none.root_translation - motion.skeleton.rest_translation[0]).max() < 1e-12


def test_a_reference_pose_is_held() -> None:
    motion = synthetic.walk(rate=30.0, steps=2).motion
    pose = motion.slice(5, 6)
    difference = additive(motion, pose)
    assert quat.angle_between(difference.rotations[5], motion.skeleton.rest_rotation).max() < 1e-7
    assert quat.angle_between(difference.rotations[60], motion.skeleton.rest_rotation).max() > 0.1


def test_what_makes_no_sense_is_refused() -> None:
    motion, other = open_data.humanoid3d("walk")[0], synthetic.idle(rate=30.0).motion
    for speed in (0.0, -1.0, float("nan"), 100.0):
        with pytest.raises(InputError):
            retimed(motion, speed)
    with pytest.raises(InputError, match="joints"):
        additive(motion, other)
    with pytest.raises(InputError, match="joints"):
        added(motion, other)
    with pytest.raises(InputError, match="frames"):
        added(motion, motion.slice(0, 3))
