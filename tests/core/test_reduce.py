"""Keys of a motion, dense and reduced."""

from __future__ import annotations

import numpy as np
import pytest

from odd_motion import NAMES, odd_motion
from takemill.errors import InputError
from takemill.motion import Motion
from takemill.reduce import Track, dense_tracks

MOTION = odd_motion()


def test_dense_tracks_hold_every_frame_of_what_moves():
    tracks = {(NAMES[t.joint], t.path): t for t in dense_tracks(MOTION)}
    for name in ("hips", "bent", "knee Ä", "second root", "sliding", "hand"):
        track = tracks[name, "rotation"]
        np.testing.assert_array_equal(track.frames, np.arange(len(MOTION)))
        np.testing.assert_array_equal(track.values, MOTION.rotations[:, NAMES.index(name)])
    np.testing.assert_array_equal(tracks["hips", "translation"].values, MOTION.root_translation)
    np.testing.assert_array_equal(
        tracks["sliding", "translation"].values, MOTION.translations[NAMES.index("sliding")]
    )


def test_what_stands_still_takes_one_key_or_none():
    tracks = {(NAMES[t.joint], t.path): t for t in dense_tracks(MOTION)}
    assert len(tracks["held", "rotation"].frames) == 1
    assert ("at rest", "rotation") not in tracks
    assert ("bent", "translation") not in tracks


def test_a_negated_quaternion_is_the_same_rest():
    skeleton = MOTION.skeleton
    still = Motion(skeleton, 30.0, -np.tile(skeleton.rest_rotation, (5, 1, 1)), MOTION.root_translation[:5])
    assert [track.path for track in dense_tracks(still)] == ["translation"]


@pytest.mark.parametrize("frames", [1, 7])
def test_a_motion_at_rest_keeps_its_length(frames):
    skeleton = MOTION.skeleton
    rest = np.tile(skeleton.rest_rotation, (frames, 1, 1))
    still = Motion(skeleton, 30.0, rest, np.tile(skeleton.rest_translation[0], (frames, 1)))
    (track,) = dense_tracks(still)
    assert (track.joint, track.path) == (0, "rotation")
    np.testing.assert_array_equal(track.frames, np.unique([0, frames - 1]))


def test_one_bent_frame_is_enough_to_be_kept():
    rotations = np.tile(MOTION.skeleton.rest_rotation, (9, 1, 1))
    rotations[4, 2] = MOTION.rotations[0, 3]
    motion = Motion(MOTION.skeleton, 30.0, rotations, np.tile(MOTION.skeleton.rest_translation[0], (9, 1)))
    (track,) = dense_tracks(motion)
    assert (track.joint, track.path, len(track.frames)) == (2, "rotation", 9)


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        ((0, "scale", [0], [[1, 1, 1]]), "unknown path"),
        ((0, "rotation", [0], [[1, 0, 0, 0]], "int4"), "storage 'int4'"),
        ((0, "translation", [0], [[1, 0, 0]], "int16"), "float32 only"),
        ((0, "rotation", [0, 1], [[1, 0, 0, 0]]), "shape"),
        ((0, "rotation", [0], [[1, 0, 0]]), "shape"),
        ((0, "rotation", [0, 0], [[1, 0, 0, 0]] * 2), "increase"),
        ((0, "rotation", [-1], [[1, 0, 0, 0]]), "begin at 0"),
        ((0, "rotation", [], np.zeros((0, 4))), "begin at 0"),
        ((0, "rotation", [0], [[1, 0, 0, np.nan]]), "finite"),
        ((0, "rotation", [np.inf], [[1, 0, 0, 0]]), "finite"),
    ],
)
def test_tracks_that_make_no_sense_are_refused(arguments, message):
    with pytest.raises(InputError, match=message):
        Track(*arguments)
