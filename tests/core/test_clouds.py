"""Point clouds of poses against a slow twin, and positions against whole forward kinematics."""

from __future__ import annotations

import numpy as np
import pytest

import open_data
import synthetic
from takemill.body.body_map import BodyMap, find_body_map
from takemill.clip.clouds import Places, cloud, cloud_of, main_joints, positions_at, window_distances
from takemill.maths import quat


def test_distances_equal_kovars_by_brute_force() -> None:
    """The closed form against trying every turn: Kovar, Gleicher and Pighin 2002, section 3.1."""
    rng = np.random.default_rng(4)
    positions = rng.normal(size=(9, 5, 3))
    fast = cloud(positions, 2).distances(slice(2, 7), slice(2, 7))
    turns = np.linspace(0, 2 * np.pi, 20_001)

    def slow(i: int, j: int) -> float:
        a, b = (positions[k - 2 : k + 3].reshape(-1, 3) for k in (i, j))
        a, b = (c - c.mean(axis=0) * [1, 1, 0] for c in (a, b))
        turned = quat.rotate(quat.from_yaw(turns)[:, None], b)
        return float(np.sqrt(((a - turned) ** 2).sum(-1).mean(-1).min()))

    for i in range(2, 7):
        for j in range(2, 7):
            assert abs(fast[i - 2, j - 2] - slow(i, j)) < 1e-6


def test_positions_are_those_of_the_whole_skeleton() -> None:
    motion = open_data.humanoid3d("spinkick")[0]
    track = np.random.default_rng(0).normal(0, 0.1, (len(motion), 3))
    motion = motion.with_translation(2, track)
    joints, frames = np.array([5, 2, 14]), np.array([3, 0, 77, 3])
    assert np.abs(positions_at(motion, frames, joints) - motion.model()[1][frames][:, joints]).max() < 1e-12


def test_fingers_props_and_the_root_are_not_compared() -> None:
    skeleton = synthetic.skeleton()
    body = find_body_map(skeleton)
    joints = dict(body.joints)
    for old, new in (("leftHand", "leftIndexProximal"), ("rightHand", "prop.lamp"), ("head", "jaw")):
        joints[new] = joints.pop(old)
    gone = {body.require(part) for part in ("leftHand", "rightHand", "head")}
    assert set(main_joints(BodyMap(joints)).tolist()) == set(body.joints.values()) - gone


def test_clouds_around_a_frame_are_those_of_the_whole_motion() -> None:
    motion = open_data.humanoid3d("walk")[0]
    joints = main_joints(find_body_map(motion.skeleton))
    whole = cloud(positions_at(motion, np.arange(len(motion)), joints), 3)
    places = Places.around(motion, joints, np.array([1, 20]), 5)
    for first, last in ((0, 3), (18, 22)):
        part = cloud_of(places, first, last, 3, len(motion) - 1)
        assert np.abs(part.floor - whole.floor[first : last + 1]).max() < 1e-12
        assert np.abs(part.height - whole.height[first : last + 1]).max() < 1e-12


@pytest.mark.parametrize(("far_m", "window"), [(0.0, 4), (200.0, 4), (0.0, 400)])
def test_sums_along_diagonals_are_the_distances_of_windows(far_m: float, window: int) -> None:
    """Against `Cloud.distances` of the whole motion, inside it, at its ends, far off, and longer than it."""
    motion = open_data.humanoid3d("run")[0]
    motion = motion.with_translation(0, motion.root_translation + np.array([far_m, -far_m, 0.0]))
    last, joints = len(motion) - 1, main_joints(find_body_map(motion.skeleton))
    whole = cloud(positions_at(motion, np.arange(len(motion)), joints), window)
    seeds = np.array([[0, last - 1], [2, last], [9, 20], [13, 13]])
    places = Places.around(motion, joints, seeds, 3 + window)
    offsets = np.arange(-3, 4)
    rows, columns = seeds[:, :1] + offsets, seeds[:, 1:] + offsets
    fast = window_distances(places, rows, columns, window, last)
    slow = whole.distances(slice(None), slice(None))
    # Equal windows: the root of what rounding leaves of sums over so many frames.
    most = 1e-7 if window == 4 else 2e-6
    for block, row, column in zip(fast, rows, columns, strict=True):
        here, there = ((frames >= 0) & (frames <= last) for frames in (row, column))
        right = slow[np.ix_(row[here], column[there])]
        assert np.abs(block[np.ix_(here, there)] - right).max() < most
