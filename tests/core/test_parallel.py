"""Joints in threads: the same as one after the other."""

from __future__ import annotations

import numpy as np
import pytest

from takemill.base.checks import Array
from takemill.maths import quat
from takemill.maths.parallel import each_joint

ROTATIONS = quat.normalize(np.random.default_rng(1).normal(size=(5000, 13, 4)))
TURN = quat.from_yaw(np.array(0.3))


@pytest.mark.parametrize("joints", [range(13), [0, 1, 2, 3, 4, 5, 9, 12], [7], []])
def test_each_joint_is_worked_on_once_and_in_order(joints) -> None:
    """Against a loop; joints that are left out keep what stands in the result, and the input stays."""
    before = ROTATIONS.copy()
    seen: list[int] = []

    def work(joint: int, track: Array) -> tuple[Array, tuple[int, float]]:
        seen.append(joint)
        turned = quat.mul(TURN, track)
        result = joint, float(track[17, 2])
        track[:] = 0.0  # its own copy
        return turned, result

    out = np.full_like(ROTATIONS, 7.0)
    found = each_joint(work, ROTATIONS, joints, out)
    assert sorted(seen) == list(joints)
    assert found == [(joint, float(ROTATIONS[17, joint, 2])) for joint in joints]
    expected = np.full_like(ROTATIONS, 7.0)
    for joint in joints:
        expected[:, joint] = quat.mul(TURN, ROTATIONS[:, joint])
    assert np.array_equal(out, expected)
    assert np.array_equal(ROTATIONS, before)


def test_what_a_joint_raises_is_raised() -> None:
    def work(joint: int, track: Array) -> tuple[None, int]:
        if joint == 5:
            raise ValueError("joint 5")
        return None, len(track)

    with pytest.raises(ValueError, match="joint 5"):
        each_joint(work, ROTATIONS, range(13))
