"""A motion: what it refuses, where its joints are, and what cutting and resampling keep."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from odd_motion import NAMES, odd_motion, odd_skeleton
from takemill.base.errors import InputError
from takemill.body.motion import Motion
from takemill.maths import quat

SLIDING = NAMES.index("sliding")


def parts() -> dict:
    motion = odd_motion()
    return {
        "skeleton": motion.skeleton,
        "rate": motion.rate,
        "rotations": np.array(motion.rotations),
        "root_translation": np.array(motion.root_translation),
        "translations": {joint: np.array(track) for joint, track in motion.translations.items()},
    }


def with_bad_number(array, place):
    array = array.copy()
    array[place] = np.nan
    return array


@pytest.mark.parametrize(
    ("change", "message"),
    [
        (lambda _: {"rate": 0}, "rate: expected a number above 0"),
        (lambda _: {"rate": float("nan")}, "rate: expected a number above 0"),
        (lambda p: {"rotations": p["rotations"][:, :-1]}, r"rotations: expected shape \(any, 8, 4\)"),
        (lambda p: {"rotations": p["rotations"][0]}, r"rotations: expected shape \(any, 8, 4\)"),
        (lambda p: {"rotations": p["rotations"][:0]}, "no frames"),
        (
            lambda p: {"rotations": with_bad_number(p["rotations"], (5, 2, 0))},
            r"rotations: value at \(5, 2, 0\)",
        ),
        (
            lambda p: {"root_translation": p["root_translation"][:-1]},
            r"translation of 'hips': expected shape",
        ),
        (
            lambda p: {"root_translation": with_bad_number(p["root_translation"], (3, 1))},
            r"value at \(3, 1\)",
        ),
        (lambda p: {"translations": {0: p["root_translation"]}}, "joint 0 moves by root_translation"),
        (lambda p: {"translations": {8: p["root_translation"]}}, "a translation track for joint 8 of 8"),
        (lambda p: {"translations": {-1: p["root_translation"]}}, "a translation track for joint -1 of 8"),
        (
            lambda _: {"translations": {3: np.zeros((40, 2))}},
            r"translation of 'held': expected shape \(40, 3\)",
        ),
    ],
)
def test_a_motion_that_is_none_is_refused(change, message):
    given = parts()
    with pytest.raises(InputError, match=message):
        Motion(**(given | change(given)))


def test_rotations_become_unit_and_continuous():
    given = parts()
    rng = np.random.default_rng(1)
    shaken = given["rotations"] * rng.choice([-1.0, 1.0], (40, 8, 1)) * rng.uniform(0.5, 2, (40, 8, 1))
    motion = Motion(**(given | {"rotations": shaken}))
    np.testing.assert_allclose(np.linalg.norm(motion.rotations, axis=-1), 1, atol=1e-15)
    assert (np.einsum("fji,fji->fj", motion.rotations[1:], motion.rotations[:-1]) > 0).all()
    assert quat.angle_between(motion.rotations, given["rotations"]).max() < 1e-7


def test_arrays_are_owned_and_read_only():
    given = parts()
    motion = Motion(**given)
    kept = motion.rotations[0, 0, 0], motion.root_translation[0, 0], motion.translations[SLIDING][0, 0]
    given["rotations"][:] = 0.5
    given["root_translation"][:] = 9
    given["translations"][SLIDING][:] = 9
    given["translations"].clear()
    assert (
        motion.rotations[0, 0, 0],
        motion.root_translation[0, 0],
        motion.translations[SLIDING][0, 0],
    ) == kept
    for array in (motion.rotations, motion.root_translation, motion.translations[SLIDING]):
        with pytest.raises(ValueError, match="read-only"):
            array[0] = 0
    with pytest.raises(TypeError):
        motion.translations[2] = motion.root_translation


def test_joints_are_where_scipys_matrices_put_them():
    motion = odd_motion(frames=3)
    rotations, positions = motion.model()
    for frame in range(3):
        turns, spots = [], []
        for joint, parent in enumerate(motion.skeleton.parents):
            turn = Rotation.from_quat(np.roll(motion.rotations[frame, joint], -1))
            spot = motion.skeleton.rest_translation[joint]
            if joint == 0:
                spot = motion.root_translation[frame]
            elif joint == SLIDING:
                spot = motion.translations[SLIDING][frame]
            turns.append(turn if parent < 0 else turns[parent] * turn)
            spots.append(spot if parent < 0 else spots[parent] + turns[parent].apply(np.array(spot)))
        np.testing.assert_allclose(positions[frame], spots, atol=1e-12)
        last = np.roll(turns[-1].as_quat(), 1)
        assert quat.angle_between(rotations[frame, -1], last) < 1e-12


def test_the_rest_pose_is_the_skeletons():
    skeleton = odd_skeleton()
    still = Motion(
        skeleton,
        60.0,
        np.tile(skeleton.rest_rotation, (2, 1, 1)),
        np.tile(skeleton.rest_translation[0], (2, 1)),
    )
    np.testing.assert_allclose(still.model()[1][1], skeleton.rest_model[1], atol=1e-15)
    np.testing.assert_array_equal(still.translation_of(3), np.tile(skeleton.rest_translation[3], (2, 1)))


def test_lengths_in_frames_and_seconds():
    motion = odd_motion(frames=61, rate=60.0)
    assert len(motion) == 61
    assert motion.duration_s == 1.0
    assert odd_motion(frames=1).duration_s == 0


def test_other_tracks_leave_the_rest_alone():
    motion = odd_motion()
    track = np.zeros((40, 3))
    assert motion.with_translation(0, track).root_translation.max() == 0
    other = motion.with_translation(4, track)
    assert set(other.translations) == {4, SLIDING}
    assert set(motion.translations) == {SLIDING}
    np.testing.assert_array_equal(other.local_translations()[:, 4], track)
    np.testing.assert_array_equal(other.translation_of(0), motion.root_translation)
    turned = motion.with_rotations(np.tile(quat.IDENTITY, (40, 8, 1)))
    np.testing.assert_array_equal(turned.root_translation, motion.root_translation)
    assert quat.angle(turned.rotations).max() == 0


def test_a_slice_holds_its_frames():
    motion = odd_motion()
    part = motion.slice(7, 19)
    assert len(part) == 12
    np.testing.assert_allclose(part.model()[1], motion.model()[1][7:19], atol=1e-15)
    whole = motion.slice(0, 40)
    np.testing.assert_allclose(whole.rotations, motion.rotations, atol=1e-15)


@pytest.mark.parametrize(("start", "stop"), [(-1, 5), (5, 5), (9, 3), (0, 41), (40, 41)])
def test_a_slice_outside_is_refused(start, stop):
    with pytest.raises(InputError, match=f"frames {start} to {stop}: outside the motion's 0 to 40"):
        odd_motion().slice(start, stop)


@pytest.mark.parametrize(("rate", "new"), [(120.0, 60.0), (100.0, 60.0), (60.0, 24.0), (30 / 1.001, 60.0)])
def test_resampling_keeps_an_even_turn_and_a_straight_path(rate, new):
    skeleton = odd_skeleton()
    count = 50
    t = np.arange(count) / rate
    spin, speed = np.array([0.5, -1.0, 0.3]), np.array([1.0, 2.0, -0.5])
    rotations = np.tile(quat.exp(spin * t[:, None])[:, None], (1, 8, 1))
    motion = Motion(skeleton, rate, rotations, speed * t[:, None], {3: -speed * t[:, None]})
    other = motion.resampled(new)
    times = np.arange(len(other)) / new
    assert other.rate == new
    assert abs(other.duration_s - motion.duration_s) < 1 / new
    assert quat.angle_between(other.rotations[:, 5], quat.exp(spin * times[:, None])).max() < 1e-9
    np.testing.assert_allclose(other.root_translation, speed * times[:, None], atol=1e-12)
    np.testing.assert_allclose(other.translations[3], -speed * times[:, None], atol=1e-12)


def test_resampling_to_its_own_rate_changes_nothing():
    motion = odd_motion()
    same = motion.resampled(motion.rate)
    assert len(same) == len(motion)
    assert quat.angle_between(same.rotations, motion.rotations).max() < 1e-9
    np.testing.assert_allclose(same.root_translation, motion.root_translation, atol=1e-9)


def test_a_loop_resampled_keeps_its_last_pose():
    motion = odd_motion(frames=48, rate=60.0)
    loop = motion.resampled(25.0, loop=True)
    for frame in (0, -1):
        assert quat.angle_between(loop.rotations[frame], motion.rotations[frame]).max() < 1e-12
        np.testing.assert_allclose(loop.root_translation[frame], motion.root_translation[frame], atol=1e-12)


def test_a_rate_that_is_none_is_refused():
    with pytest.raises(InputError, match="rate: expected a number above 0"):
        odd_motion().resampled(-30.0)


def test_half_way_between_two_frames():
    motion = odd_motion(frames=2)
    middle = motion.sampled(np.array([0.5]), 60.0)
    np.testing.assert_allclose(middle.root_translation[0], motion.root_translation.mean(axis=0), atol=1e-15)
    halves = [quat.angle_between(middle.rotations[0], motion.rotations[end]) for end in (0, 1)]
    np.testing.assert_allclose(halves[0], halves[1], atol=1e-12)
