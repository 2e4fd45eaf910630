"""The open data itself: that it is read as its makers mean it."""

from __future__ import annotations

import json
import os
from pathlib import Path

import numpy as np
import pytest

import open_data
from open_data import HUMANOID3D
from takemill.body.motion import Motion
from takemill.maths import quat

STEPPING = ("walk", "run", "walker/0walk_forward", "walker/turn_left0", "walker/turn_right0")


def tips_of(motion: Motion):
    rotations, positions = motion.model()
    joints = list(motion.skeleton.tip_joints)
    return positions[:, joints] + quat.rotate(rotations[:, joints], motion.skeleton.tip_offsets)


@pytest.mark.parametrize("name", HUMANOID3D)
def test_every_reference_motion_is_a_person_on_a_floor(name):
    motion, _ = open_data.humanoid3d(name)
    assert motion.rate in (16.0, 24.0, 30.0, 60.0)
    tips = tips_of(motion)
    # The performers' floor is at 0; the model's box feet and round hands cut up to 8 cm into it.
    assert abs(tips[..., 2].min()) < 0.08
    assert tips[..., 2].max() < 2.0
    left, right = (motion.skeleton.index(f"{side}_hip") for side in ("left", "right"))
    positions = motion.model()[1]
    apart = np.linalg.norm(positions[:, left] - positions[:, right], axis=1)
    np.testing.assert_allclose(apart, 0.25 * 2 * 0.339548)  # the URDF's hip joints, scaled by 0.25


@pytest.mark.parametrize("name", STEPPING)
def test_walkers_go_upright_and_forwards(name):
    motion, wraps = open_data.humanoid3d(name)
    assert wraps
    tips, positions = tips_of(motion), motion.model()[1]
    assert tips[:, 0, 2].min() > 1.2  # the head
    feet = tips[:, 3:]
    assert np.abs(np.median(feet[..., 2].min(axis=1))) < 0.015
    root_motion = positions[-1, 0] - positions[0, 0]
    assert 0.7 < root_motion[0] < 3.0  # they start along +X
    index = motion.skeleton.index
    left = positions[0, index("left_hip")] - positions[0, index("right_hip")]
    assert left[1] > 0.15
    toes_ahead = feet[:, [1, 3]] - feet[:, [0, 2]]  # right heel, right toe, left heel, left toe
    forward = quat.rotate(motion.rotations[:, 0], np.array([1.0, 0.0, 0.0]))
    assert (np.einsum("fki,fi->fk", toes_ahead, forward) > 0).mean() > 0.8


def test_a_frame_is_read_as_the_wheel_lays_it_out():
    """One frame by hand, in Y-up: humanoid_pose_interpolator.py of the wheel, Slerp.

    frame[16:20] is the right hip's w x y z, frame[20] the right knee's angle about Z, frame[43] the elbow's.
    """
    path = next(open_data._fetched(open_data._PYBULLET).rglob("humanoid3d_kick.txt"))
    frame = json.loads(path.read_text())["Frames"][7]
    motion, wraps = open_data.humanoid3d("kick")
    assert not wraps

    def y_up(joint: str):
        w, x, y, z = motion.rotations[7, motion.skeleton.index(joint)]
        return np.array([w, x, z, -y])

    def same(a, b) -> bool:
        return quat.angle_between(a, quat.normalize(np.asarray(b))) < 1e-7

    assert same(y_up("right_hip"), frame[16:20])
    assert same(y_up("left_shoulder"), frame[39:43])
    assert same(y_up("right_knee"), [np.cos(frame[20] / 2), 0, 0, np.sin(frame[20] / 2)])
    assert same(y_up("left_elbow"), [np.cos(frame[43] / 2), 0, 0, np.sin(frame[43] / 2)])
    np.testing.assert_allclose(motion.root_translation[7], [frame[1], -frame[3], frame[2]])


def test_an_uneven_motion_is_read_at_even_times():
    """humanoid3d_roll: 121 frames, of which one is twice as long as the others."""
    motion, _ = open_data.humanoid3d("roll")
    assert (len(motion), motion.rate) == (121, 60.0)


@pytest.mark.parametrize("name", ["walk", "spin", "walker/turn_left0"])
def test_repeats_join_without_a_step(name):
    """Each copy starts where the last one ends: the root's place over the floor and its heading run on."""
    motion, _ = open_data.humanoid3d(name)
    chained = open_data.repeated(motion, 4)
    period = len(motion) - 1
    assert len(chained) == 4 * period + 1
    step = motion.root_translation[1:] - motion.root_translation[:-1]
    longest = np.linalg.norm(step[:, :2], axis=1).max()
    steps = np.linalg.norm(np.diff(chained.root_translation[:, :2], axis=0), axis=1)
    assert steps.max() < longest + 1e-9
    # Seen from the root's own heading every cycle is the same motion.
    others = chained.rotations[:, 1:]
    for cycle in range(1, 4):
        np.testing.assert_allclose(
            quat.angle_between(others[cycle * period : (cycle + 1) * period], others[:period]), 0, atol=1e-9
        )
    turn = quat.yaw(quat.mul(motion.rotations[-1, 0], quat.inv(motion.rotations[0, 0])))
    total = quat.yaw(quat.mul(chained.rotations[3 * period, 0], quat.inv(chained.rotations[0, 0])))
    assert np.cos(total - 3 * turn) == pytest.approx(1.0, abs=1e-9)


@pytest.mark.parametrize("number", [0, 1])
def test_the_cmu_model_moves_as_the_simulator_says(number):
    """MuJoCo's own positions of 30 bodies stand in the trajectory file, from which our FK must not differ."""
    motion = open_data.cmu(number)
    assert (len(motion), motion.rate, len(motion.skeleton)) == (10, 20.0, 31)
    np.testing.assert_allclose(motion.model()[1][:, 1:], open_data.cmu_body_positions(number), atol=1e-12)
    assert motion.skeleton.names == open_data.cmu(open_data.CMU[number]).skeleton.names


def test_the_cmu_model_stands_at_rest():
    skeleton = open_data.cmu().skeleton
    height = dict(zip(skeleton.names, skeleton.rest_model[1][:, 2], strict=True))
    assert height["head"] - height["ltoes"] == pytest.approx(1.39, abs=0.02)
    soles = [tip[2] for joint, tip in zip(skeleton.tip_joints, skeleton.rest_tips, strict=True)
             if skeleton.names[joint][1:] in ("foot", "toes")]  # fmt: skip
    assert np.ptp(soles) < 0.02


def test_the_bvh_files_are_two():
    assert [path.name for path in open_data.bvh_files()] == ["test_freebvh.bvh", "test_mocapbank.bvh"]


def test_a_package_that_cannot_be_fetched_skips_or_fails(monkeypatch, tmp_path):
    monkeypatch.setenv("TAKEMILL_CACHE", str(tmp_path))
    missing = open_data._Package("takemill-no-such-package==9.9", ("--no-index",), ("*",))
    monkeypatch.setenv("TAKEMILL_REQUIRE_ALL", "0")
    with pytest.raises(pytest.skip.Exception, match="pip download"):
        open_data._fetched(missing)
    monkeypatch.setenv("TAKEMILL_REQUIRE_ALL", "1")
    with pytest.raises(pytest.fail.Exception, match="pip download"):
        open_data._fetched(missing)
    assert not [name for name in os.listdir(tmp_path) if Path(name).suffix != ""]
