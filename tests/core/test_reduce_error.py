"""The errors of many clips at once, against the slow twin that plays each clip look by look."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

import open_data
import synthetic
from takemill.body.motion import Motion
from takemill.body.skeleton import Skeleton
from takemill.keys import reduce_error
from takemill.keys.reduce import ReduceSettings, Track, dense_tracks, largest_error_m, reduce_clips
from takemill.keys.reduce_error import largest_errors_m
from takemill.maths import quat


def clips() -> list[Motion]:
    """Motions with their own rates. Source: DeepMimic's spin, kick and walk (pybullet wheel)."""
    own = [open_data.humanoid3d(name)[0] for name in ("spinkick", "kick", "walk")]
    steps = synthetic.walk(rate=30, steps=8).motion
    return [*own, steps, steps.slice(5, 40), steps.slice(50, 52), steps.slice(0, 1)]


@pytest.mark.parametrize("limit_m", [0.0005, 0.02])
def test_many_clips_at_once_have_the_errors_that_each_has_by_itself(limit_m):
    """Within 0.05 micrometres; the twin sees the float32 times of keys between frames too."""
    motions, settings = clips(), ReduceSettings(max_error_m=limit_m, max_error_deg=20.0)
    tracks = reduce_clips(motions, settings)
    right = [largest_error_m(*pair) for pair in zip(motions, tracks, strict=True)]
    found = largest_errors_m(motions, tracks)
    np.testing.assert_allclose(found, right, atol=5e-8)
    assert max(right[:4]) > 0.5 * limit_m


def test_random_keys_with_large_turns_between_them():
    """Keys left out by chance: joints turn by more than a radian from key to key and from frame to frame."""
    rng = np.random.default_rng(3)
    rig = synthetic.walk(rate=30, steps=2).motion.skeleton
    joints, frames = len(rig), 40
    for scale in (0.05, 1.5):
        turns = quat.exp(np.cumsum(rng.normal(size=(frames, joints, 3)) * scale, axis=0))
        motion = Motion(rig, 30.0, turns, rng.normal(size=(frames, 3)), {3: rng.normal(size=(frames, 3))})
        tracks = []
        for track in dense_tracks(motion):
            kept = np.sort(rng.choice(frames, rng.integers(1, 12), replace=False))
            storage = rng.choice(["int16", "int8", "float32"]) if track.path == "rotation" else "float32"
            tracks.append(Track(track.joint, track.path, kept * 1.0, track.values[kept], str(storage)))
        (found,) = largest_errors_m([motion], [tracks])
        assert found == pytest.approx(largest_error_m(motion, tracks), abs=1e-6 * scale)


def test_tips_beyond_a_joints_reach_count_and_nearer_ones_need_not():
    long = Skeleton(("a",), (-1,), np.zeros((1, 3)), quat.IDENTITY[None], (0, 0), [[0, 1.5, 0], [0, 0.05, 0]])
    frames = np.arange(5.0)
    angle = np.array([0.0, 0.02, -0.01, 0.03, 0.0])
    motion = Motion(long, 30.0, quat.from_axis_angle(np.eye(3)[2], angle)[:, None], np.zeros((5, 3)))
    still = [Track(0, "rotation", frames[[0, 4]], motion.rotations[[0, 4], 0])]
    for tips in (slice(0, 2), slice(1, 2)):
        one = replace(long, tip_joints=long.tip_joints[tips], tip_offsets=long.tip_offsets[tips])
        moved = replace(motion, skeleton=one)
        (found,) = largest_errors_m([moved], [still])
        assert found == pytest.approx(largest_error_m(moved, still), abs=1e-9)
    assert largest_errors_m([motion], [still])[0] == pytest.approx(1.5 * 0.03, rel=1e-6)


def test_what_lies_between_two_clips_is_no_error():
    """From the first clip's end to the second's start the keys would turn one way, the motion the other."""
    rig = Skeleton(("a",), (-1,), np.zeros((1, 3)), quat.IDENTITY[None])
    around = np.eye(3)[2]

    def clip(angle: float) -> Motion:
        return Motion(rig, 30.0, quat.from_axis_angle(around, np.full((4, 1), angle)), np.zeros((4, 3)))

    keys = [[Track(0, "rotation", np.zeros(1), quat.from_axis_angle(around, np.array([angle])))]
            for angle in (0.0, np.pi + 0.01)]  # fmt: skip
    np.testing.assert_allclose(largest_errors_m([clip(0), clip(np.pi - 0.01)], keys), [0, 0.002], atol=1e-6)


def test_cubic_curves_and_keys_between_frames_are_judged_too():
    motion = synthetic.walk(rate=120, steps=3).motion
    settings = ReduceSettings(interpolation="cubic")
    tracks = reduce_clips([motion], settings)
    assert any(track.slopes is not None for track in tracks[0])
    assert largest_errors_m([motion], tracks) == [largest_error_m(motion, tracks[0])]
    odd = [replace(track, frames=track.frames * 0.99) for track in dense_tracks(motion)]
    assert largest_errors_m([motion], [odd]) == [largest_error_m(motion, odd)]


def pairs(angle: float, count: int = 50) -> tuple[np.ndarray, np.ndarray]:
    """Rotations (4, N), components first, and others that lie up to an angle away."""
    rng = np.random.default_rng(7)
    a = quat.normalize(rng.normal(size=(count, 4)))
    axes = rng.normal(size=(count, 3))
    vectors = axes / np.linalg.norm(axes, axis=-1, keepdims=True) * np.linspace(0, angle, count)[:, None]
    return a.T, quat.mul(quat.exp(vectors), a).T


@pytest.mark.parametrize("angle", [1e-5, 0.05, 0.0999, 0.2, 1.0, 3.1])
def test_turns_are_the_logarithms_of_quotients(angle):
    """Small ones come from a series."""
    a, b = pairs(angle)
    wanted = quat.log(quat.mul(b.T, quat.inv(a.T)))
    np.testing.assert_allclose(reduce_error._turn(b, a).T, wanted, rtol=1e-9, atol=1e-14)


@pytest.mark.parametrize("angle", [1e-5, 0.1, 0.85, 1.0, 3.1])
@pytest.mark.parametrize("t", [0.25, 0.5, 0.75, 0.9])
def test_slerp_at_any_angle_is_that_of_quat(angle, t):
    """The shortest way, also to a quaternion of the other sign; where all lie near, by a series."""
    a, b = pairs(angle)
    found = quat.normalize(reduce_error._slerp(a, b, t).T)
    np.testing.assert_allclose(found, quat.slerp(a.T, b.T, t), atol=3e-8)
    flipped = quat.normalize(reduce_error._slerp(a, -b, t).T)
    np.testing.assert_allclose(quat.angle_between(flipped, found), 0, atol=1e-7)


@pytest.mark.parametrize("seed", range(2))
def test_the_worst_frame_of_a_giant_is_not_missed_by_single_precision(seed):
    """A body 175 m tall, whose frames all stray by nearly the same: rounding may swap the worst."""
    rig = synthetic.skeleton(100.0)
    rng = np.random.default_rng(seed)
    frames = 300
    turns = np.tile(quat.IDENTITY, (frames, len(rig), 1))
    turns[:, 0] = quat.exp(np.outer(np.arange(frames), [0.01, 0.02, 0.005]))
    motion = Motion(rig, 30.0, turns, np.zeros((frames, 3)))
    off = np.array([0.0, 0.0, 0.01]) * (1 + 3e-7 * rng.normal(size=(frames, 1)))
    played = quat.mul(turns[:, 0], quat.exp(off))
    keys = [Track(0, "rotation", np.arange(frames, dtype=float), played)]
    (found,) = largest_errors_m([motion], [keys])
    assert found == pytest.approx(largest_error_m(motion, keys), rel=1e-10)
