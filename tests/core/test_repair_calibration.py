from __future__ import annotations

import numpy as np
import pytest

import synthetic
from takemill import quat
from takemill.body_map import BodyMap
from takemill.errors import InputError
from takemill.motion import Motion
from takemill.repair_calibration import find_reference_pose, without_seats


def take_with_t_pose(facing: float = 0.7) -> tuple[Motion, BodyMap]:
    """A second and a half in the rig's rest pose, then a walk."""
    walk = synthetic.walk(steps=6).motion
    hold = np.tile(walk.skeleton.rest_rotation, (180, 1, 1))
    rotations = np.concatenate([hold, walk.rotations])
    rotations[:, 0] = quat.mul(quat.from_yaw(facing), rotations[:, 0])
    root = np.concatenate([np.tile(walk.root_translation[:1], (180, 1)), walk.root_translation])
    motion = Motion(walk.skeleton, walk.rate, rotations, root)
    return motion, BodyMap.from_names(walk.skeleton, synthetic.parts())


def badly_seated(motion: Motion, seats: np.ndarray) -> Motion:
    """What sensors report that sit turned by `seats` (J, 4) on their bones."""
    rotations = quat.mul(motion.rotations, seats)
    for joint, parent in enumerate(motion.skeleton.parents):
        if parent >= 0:
            rotations[:, joint] = quat.mul(quat.inv(seats[parent]), rotations[:, joint])
    return motion.with_rotations(rotations)


def test_seats_are_found_and_taken_out_of_the_whole_take() -> None:
    motion, body = take_with_t_pose()
    rng = np.random.default_rng(1)
    seats = quat.exp(np.radians(5) * rng.normal(size=(len(motion.skeleton), 3)))
    seats[0] = quat.exp(np.radians([3.0, -4.0, 0.0]))
    pose = find_reference_pose(badly_seated(motion, seats), body)
    assert pose is not None
    assert pose.start <= 2
    assert abs(pose.stop - 180) <= 3
    # The root's seat is known but for a turn about the vertical, which nobody can tell from a heading.
    assert np.degrees(quat.angle_between(pose.seats, seats)).max() < 0.5
    mended = without_seats(badly_seated(motion, seats), pose)
    assert np.degrees(quat.angle_between(mended.rotations, motion.rotations)).max() < 1.0


def test_an_exact_pose_changes_nothing() -> None:
    motion, body = take_with_t_pose()
    pose = find_reference_pose(motion, body)
    assert pose is not None
    assert pose.largest_deg < 1e-6
    assert quat.angle_between(without_seats(motion, pose).rotations, motion.rotations).max() < 1e-9


def test_no_pose_where_none_is_held() -> None:
    walk = synthetic.walk(steps=6).motion
    body = BodyMap.from_names(walk.skeleton, synthetic.parts())
    assert find_reference_pose(walk, body) is None  # standing with hanging arms is no T
    assert find_reference_pose(walk.slice(0, 5), body) is None
    motion, body = take_with_t_pose()
    pose = find_reference_pose(motion, body)
    assert pose is not None
    small = Motion(synthetic.skeleton().__class__(("a",), (-1,), np.zeros((1, 3)), quat.IDENTITY[None]), 30.0,
                   quat.IDENTITY[None, None], np.zeros((1, 3)))  # fmt: skip
    with pytest.raises(InputError, match="joints"):
        without_seats(small, pose)
