"""What one small turn and shift of a joint moves, against the slow way of displacement.py."""

from __future__ import annotations

import numpy as np
import pytest

from odd_motion import odd_motion
from takemill.keys.clip_channels import ClipChannels
from takemill.keys.displacement import displacements, reaches
from takemill.maths import quat


@pytest.mark.parametrize("size", [1e-4, 1e-2])
def test_displacements_of_single_joints_are_those_of_all(size: float) -> None:
    """Balls and tips, in single precision, joint by joint in the order of their depth."""
    motion, probe_m = odd_motion(), 0.1
    skeleton, (rotations, _) = motion.skeleton, motion.model()
    rng = np.random.default_rng(3)
    shifts, turns = size * rng.normal(size=(2, len(motion), len(skeleton), 3))
    bounds = [np.full((len(motion), len(skeleton)), 0.001)]
    clips = ClipChannels([motion], bounds, 0.5, probe_m)
    wanted = displacements(skeleton, reaches(skeleton, probe_m), rotations, shifts, turns)
    frames = np.arange(len(motion))
    for place, joint in enumerate(clips.order):
        found = clips._displace(
            np.full(len(frames), place),
            np.ascontiguousarray(rotations[:, joint].T, np.float32),
            np.ascontiguousarray(turns[:, joint].T, np.float32),
            np.ascontiguousarray(shifts[:, joint].T, np.float32),
        )
        np.testing.assert_allclose(found, wanted[:, joint], rtol=2e-4)
    assert quat.length(shifts).max() > size
