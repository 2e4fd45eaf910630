"""Retimed and additive clips."""

from __future__ import annotations

import numpy as np
import pytest

import open_data
import synthetic
from additive import added
from takemill.base.errors import InputError
from takemill.clip.variants import subtract_motion
from takemill.maths import quat


def test_a_difference_added_back_is_the_motion() -> None:
    base = open_data.humanoid3d("walk")[0]
    motion = open_data.humanoid3d("run")[0].sampled(np.linspace(0, 24, len(base)), base.rate)
    motion = motion.with_translation(1, np.tile([0.0, 0.1, 0.2], (len(base), 1)))
    again = added(base, subtract_motion(motion, base))
    assert quat.angle_between(again.rotations, motion.rotations).max() < 1e-7
    assert np.abs(again.model()[1] - motion.model()[1]).max() < 1e-12


def test_the_difference_to_itself_is_the_rest_pose() -> None:
    motion = synthetic.walk(rate=30.0, steps=2).motion
    none = subtract_motion(motion, motion)
    assert quat.angle_between(none.rotations, motion.skeleton.rest_rotation).max() < 1e-7
    assert np.abs(none.root_translation - motion.skeleton.rest_translation[0]).max() < 1e-12


def test_a_reference_pose_is_held() -> None:
    motion = synthetic.walk(rate=30.0, steps=2).motion
    pose = motion.slice(5, 6)
    difference = subtract_motion(motion, pose)
    assert quat.angle_between(difference.rotations[5], motion.skeleton.rest_rotation).max() < 1e-7
    assert quat.angle_between(difference.rotations[60], motion.skeleton.rest_rotation).max() > 0.1


def test_what_makes_no_sense_is_refused() -> None:
    motion, other = open_data.humanoid3d("walk")[0], synthetic.idle(rate=30.0).motion
    with pytest.raises(InputError, match="joints"):
        subtract_motion(motion, other)
