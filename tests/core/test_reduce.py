"""Keys of a motion, dense and reduced."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from glb_clips import clip_of, in_gltf
from glb_reader import read_glb
from odd_motion import NAMES, odd_motion
from takemill.base.errors import InputError
from takemill.body.motion import Motion
from takemill.body.skeleton import Skeleton
from takemill.files.glb import append_animations, skeleton_glb
from takemill.keys import reduce_search
from takemill.keys.key_times import share_times
from takemill.keys.reduce import (
    ReduceSettings,
    Track,
    dense_tracks,
    largest_error_m,
    reduce_clips,
    reduce_keys,
)
from takemill.maths import quat

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


def smooth_motion(frames: int = 121, rate: float = 120.0, seed: int = 5, size: int = 9) -> Motion:
    """A branching skeleton of finger-length and arm-length bones, turned by slow waves."""
    rng = np.random.default_rng(seed)
    offsets = rng.normal(scale=0.2, size=(size, 3))
    offsets[-2:] *= 0.1
    rest = quat.normalize(rng.normal(size=(size, 4)))
    parents = (-1, 0, 1, 2, 0, 4, 5, 3, 7)
    skeleton = Skeleton(
        tuple(f"j{i}" for i in range(size)), parents, offsets, rest, (8,), np.array([[0, 0.02, 0]])
    )
    t = np.arange(frames)[:, None, None] / rate
    waves = np.sin(rng.uniform(2, 9, (size, 3)) * t + rng.uniform(0, 6, (size, 3))) * 0.4
    walk = np.cumsum(np.sin(t[:, 0] * [3, 5, 2]) * 0.01, axis=0)
    return Motion(skeleton, rate, quat.mul(rest, quat.exp(waves)), walk)


def in_file(motion: Motion, tracks: tuple[Track, ...], per_frame: int = 4, probe_m: float = 0.1) -> float:
    """The largest way, metres, of points around joints as the tests' own reader plays the file."""
    data = append_animations(skeleton_glb(motion.skeleton), [clip_of("c", motion, lambda _: tracks)])
    glb = read_glb(data)
    nodes = [glb.node(name) for name in motion.skeleton.names]
    times = np.arange((len(motion) - 1) * per_frame + 1) / per_frame / motion.rate
    rotations, positions = motion.sampled(times * motion.rate, motion.rate).model()
    points = np.random.default_rng(0).normal(size=(40, 3))
    points *= probe_m / np.linalg.norm(points, axis=-1, keepdims=True)
    worst = 0.0
    for i, time in enumerate(times):
        world = glb.world_at("c", time)
        for joint, node in enumerate(nodes):
            got = points @ world[node][:3, :3].T + world[node][:3, 3]
            got = np.stack([got[:, 0], -got[:, 2], got[:, 1]], axis=-1)
            want = quat.rotate(rotations[i, joint], points) + positions[i, joint]
            worst = max(worst, float(np.linalg.norm(got - want, axis=-1).max()))
    return worst


@pytest.mark.parametrize("max_error_m", [0.002, 0.0005, 0.0002])
def test_the_bound_holds_in_the_file_at_and_between_frames(max_error_m):
    """Read by a reader that shares no code with the writer; no joint reaches less than 2 cm."""
    motion = smooth_motion(61)
    settings = ReduceSettings(max_error_m=max_error_m)
    inside = in_gltf(motion)
    tracks = reduce_keys(inside, settings)
    assert largest_error_m(inside, tracks, settings) <= max_error_m
    assert in_file(motion, tracks, probe_m=0.02) <= max_error_m


def test_the_error_that_is_told_is_the_one_in_the_file():
    motion = smooth_motion(31)
    settings = ReduceSettings(max_error_m=0.002, probe_m=1e-9)
    tracks = reduce_keys(in_gltf(motion), settings)
    bare = replace(motion, skeleton=replace(motion.skeleton, tip_joints=(), tip_offsets=np.zeros((0, 3))))
    assert largest_error_m(in_gltf(bare), tracks, settings) == pytest.approx(
        in_file(bare, tracks, probe_m=1e-9), abs=2e-6
    )


def test_smooth_motion_takes_far_fewer_keys():
    motion = smooth_motion()
    tracks = reduce_keys(motion)
    keys = sum(len(track.frames) for track in tracks)
    assert keys < 0.6 * sum(len(track.frames) for track in dense_tracks(motion))


def test_keys_of_a_zigzag_lie_at_its_corners():
    """Up to 3 frames beside them, as far as 2 mm allow, and none on the straights."""
    corners = np.array([0, 17, 40, 91, 120])
    angles = np.interp(np.arange(121), corners, [0.0, 0.5, -0.4, 0.3, 0.0])
    plain = smooth_motion()
    rotations = np.tile(plain.skeleton.rest_rotation, (121, 1, 1))
    rotations[:, 4] = quat.mul(rotations[:, 4], quat.exp(angles[:, None] * [1.0, 0.0, 0.0]))
    motion = Motion(plain.skeleton, 30.0, rotations, np.zeros((121, 3)))
    moving = [one for one in reduce_keys(motion, ReduceSettings(0.002)) if len(one.frames) > 1]
    assert [one.joint for one in moving] == [4]
    assert np.abs(moving[0].frames[:, None] - corners).min(axis=1).max() <= 3


def test_a_looser_bound_takes_fewer_keys():
    motion = smooth_motion()
    counts = [
        sum(
            len(track.frames)
            for track in reduce_keys(motion, ReduceSettings(max_error_m=bound, max_error_deg=9))
        )
        for bound in (0.0002, 0.001, 0.005)
    ]
    assert counts[0] > counts[1] > counts[2]


def test_the_ends_are_keys_and_a_loop_stays_closed():
    motion = smooth_motion()
    there_and_back = np.concatenate([motion.rotations, motion.rotations[-2::-1]])
    path = np.concatenate([motion.root_translation, motion.root_translation[-2::-1]])
    loop = Motion(motion.skeleton, motion.rate, there_and_back, path)
    for track in reduce_keys(loop):
        assert track.frames[0] == 0
        if len(track.frames) > 1:
            assert track.frames[-1] == len(loop) - 1
            sign = np.sign(track.values[0] @ track.values[-1]) if track.path == "rotation" else 1
            np.testing.assert_allclose(track.values[-1] * sign, track.values[0], atol=1e-9)


def test_a_loop_closed_to_a_millionth_is_stored_closed():
    """As loops are closed, and files hold them; the odd digits of its last pose make no seam."""
    motion = smooth_motion()
    back = np.concatenate([motion.rotations, motion.rotations[-2::-1]])
    off = 6e-7 * np.random.default_rng(0).normal(size=back[-1].shape).clip(-2, 2)
    back[-1] = quat.normalize(back[-1] + off)
    path = np.concatenate([motion.root_translation, motion.root_translation[-2::-1]])
    loop = Motion(motion.skeleton, motion.rate, back, path)
    settings = ReduceSettings(max_error_m=1e-5, max_error_deg=0.001)  # needs floats
    for track in reduce_keys(loop, settings):
        if track.path == "rotation" and len(track.frames) > 1:
            sign = np.sign(track.values[0] @ track.values[-1])
            np.testing.assert_array_equal(track.values[-1] * sign, track.values[0])


def slow_motion(frames: int = 121) -> Motion:
    """Slow, round and of many frames: what cubic curves are for."""
    motion = smooth_motion(frames)
    t = np.arange(frames)[:, None, None] / motion.rate
    waves = 0.25 * np.sin([2.0, 3.0, 2.5] * t + np.arange(len(motion.skeleton))[:, None])
    ahead = np.linspace([0.0, 0, 1], [0, -0.01 * frames, 1], frames)
    return replace(
        motion, rotations=quat.mul(motion.skeleton.rest_rotation, quat.exp(waves)), root_translation=ahead
    )


@pytest.mark.parametrize("interpolation", ["cubic", "smallest"])
@pytest.mark.parametrize("make", [smooth_motion, slow_motion])
def test_cubic_curves_keep_the_bound_in_the_file_at_and_between_frames(make, interpolation):
    """Read by a reader that shares no code with the writer; no joint reaches less than 2 cm."""
    motion = make(61)
    inside = in_gltf(motion)
    tracks = reduce_keys(inside, ReduceSettings(interpolation=interpolation))
    assert any(track.slopes is not None for track in tracks) or interpolation == "smallest"
    assert largest_error_m(inside, tracks) <= 0.0005
    assert in_file(motion, tracks, probe_m=0.02) <= 0.0005


def test_the_smaller_of_straight_and_cubic_keys_is_taken():
    """Slow rotations: 16 bits hold their slopes. Fast ones would need floats, and stay straight."""

    def size(motion: Motion, interpolation: str) -> int:
        tracks = reduce_keys(in_gltf(motion), ReduceSettings(interpolation=interpolation))
        clip = clip_of("c", motion, lambda _: tracks)
        return len(append_animations(skeleton_glb(motion.skeleton), [clip]))

    slow, fast = slow_motion(481), smooth_motion()
    assert size(slow, "smallest") < 0.95 * size(slow, "linear")
    assert size(fast, "smallest") <= size(fast, "linear") < size(fast, "cubic")
    cubic = [t for t in reduce_keys(slow, ReduceSettings(interpolation="smallest")) if t.slopes is not None]
    assert {track.storage for track in cubic if track.path == "rotation"} == {"int16"}


def test_what_stands_still_stays_as_it_was():
    dense = {(t.joint, t.path): len(t.frames) for t in dense_tracks(MOTION)}
    reduced = {(t.joint, t.path): len(t.frames) for t in reduce_keys(MOTION)}
    assert dense.keys() == reduced.keys()
    assert {key for key, count in dense.items() if count == 1} == {
        key for key, count in reduced.items() if count == 1
    }


def test_the_bound_in_degrees_holds_where_the_one_in_metres_is_wide():
    motion = smooth_motion(61)
    tracks = reduce_keys(in_gltf(motion), ReduceSettings(max_error_m=0.5, max_error_deg=0.2))
    glb = read_glb(append_animations(skeleton_glb(motion.skeleton), [clip_of("c", motion, lambda _: tracks)]))
    right = motion.model()[0]
    worst = 0.0
    for frame in range(len(motion)):
        world = glb.world_at("c", frame / 120)
        for joint, name in enumerate(motion.skeleton.names):
            y_up = world[glb.node(name)][:3, :3]
            found = quat.from_matrix(np.stack([y_up[0], -y_up[2], y_up[1]]))
            worst = max(worst, float(quat.angle_between(found, right[frame, joint])))
    assert 0.1 < np.degrees(worst) <= 0.2


def test_planted_joints_are_held_tighter():
    motion = smooth_motion()
    planted = np.zeros((len(motion), len(motion.skeleton)), bool)
    planted[:, 6] = True
    settings = ReduceSettings(max_error_m=0.003, planted_error_m=0.0002, max_error_deg=9)

    def error_of_joint_6(tracks: tuple[Track, ...]) -> float:
        glb = read_glb(
            append_animations(skeleton_glb(motion.skeleton), [clip_of("c", motion, lambda _: tracks)])
        )
        times = np.arange(len(motion)) / motion.rate
        gap = glb.positions("c", times, ("j6",))[:, 0] - motion.model()[1][:, 6]
        return float(np.linalg.norm(gap, axis=-1).max())

    assert error_of_joint_6(reduce_keys(in_gltf(motion), settings, planted)) <= 0.0002
    assert error_of_joint_6(reduce_keys(in_gltf(motion), settings)) > 0.0002


def test_rotations_of_fingers_take_eight_bits_and_others_sixteen():
    tracks = reduce_keys(smooth_motion(), ReduceSettings(max_error_m=0.0015, max_error_deg=3.0))
    stored = {t.joint: t.storage for t in tracks if t.path == "rotation"}
    assert stored[8] == "int8"
    assert set(stored.values()) == {"int8", "int16"}
    plain = reduce_keys(smooth_motion(), ReduceSettings(storage="float32"))
    assert {track.storage for track in plain} == {"float32"}


def test_the_turn_of_the_travel_is_not_rounded_to_sixteen_bits():
    """What a cycle turns too far leads astray in all cycles after it."""
    joint = NAMES.index("second root")
    stored = {
        root_joints: next(
            track
            for track in reduce_keys(MOTION, root_joints=root_joints)
            if (track.joint, track.path) == (joint, "rotation")
        )
        for root_joints in (None, joint)
    }
    assert stored[None].storage == "int16"
    assert stored[joint].storage == "float32"
    np.testing.assert_allclose(
        quat.angle_between(stored[joint].values[[0, -1]], MOTION.rotations[[0, -1], joint]), 0, atol=1e-6
    )


def test_a_bound_that_no_rounding_meets_gives_every_frame_as_floats():
    tracks = reduce_keys(MOTION, ReduceSettings(max_error_m=1e-9))
    assert all(track.storage == "float32" for track in tracks)
    assert {len(track.frames) for track in tracks} == {1, len(MOTION)}


def test_the_odd_skeleton_keeps_its_bound_too():
    inside = in_gltf(MOTION)
    tracks = reduce_keys(inside)
    assert largest_error_m(inside, tracks) <= 0.0005
    assert in_file(MOTION, tracks, 2, probe_m=0.02) <= 0.0005


def test_keys_come_out_the_same_twice():
    one, two = (reduce_keys(smooth_motion()) for _ in range(2))
    for a, b in zip(one, two, strict=True):
        np.testing.assert_array_equal(a.frames, b.frames)
        np.testing.assert_array_equal(a.values, b.values)


def test_many_clips_at_once_come_out_as_each_alone():
    motions = [smooth_motion(61), smooth_motion(90).slice(20, 90), smooth_motion(200).slice(150, 152)]
    motions += [replace(motion, skeleton=motions[0].skeleton) for motion in motions]
    still = np.repeat(motions[0].rotations[:1], 40, axis=0)
    motions.append(Motion(motions[0].skeleton, 120.0, still, motions[0].root_translation[:40]))
    planted = [None, np.ones((70, 9), bool), None, None, None, None, None]
    root_joints = [None, None, None, 0, None, None, 0]
    together = reduce_clips(motions, None, planted, root_joints)
    for motion, found, feet, joint in zip(motions, together, planted, root_joints, strict=True):
        alone = reduce_keys(motion, None, feet, joint)
        assert [(t.joint, t.path, t.storage) for t in found] == [(t.joint, t.path, t.storage) for t in alone]
        for one, other in zip(found, alone, strict=True):
            np.testing.assert_array_equal(one.frames, other.frames)
            np.testing.assert_array_equal(one.values, other.values)


def test_what_differs_by_less_than_a_file_can_hold_gives_the_same_keys():
    """Other builds of numpy take sines and sums that differ in the last digits."""
    motion = smooth_motion()
    rng = np.random.default_rng(0)
    noise = 1e-13 * rng.normal(size=motion.rotations.shape)
    other = motion.with_rotations(motion.rotations + noise)
    for a, b in zip(reduce_keys(motion), reduce_keys(other), strict=True):
        np.testing.assert_array_equal(a.frames, b.frames)
        np.testing.assert_allclose(a.values, b.values, atol=1e-6)


@pytest.mark.parametrize("frames", [1, 2, 3, 4])
def test_short_clips_keep_their_poses(frames):
    motion = MOTION.slice(0, frames)
    tracks = reduce_keys(motion)
    assert largest_error_m(motion, tracks) <= 0.0005
    assert max(track.frames[-1] for track in tracks) == frames - 1


@pytest.mark.parametrize(
    ("changes", "message"),
    [
        ({"max_error_m": 0.0}, "max_error_m"),
        ({"planted_error_m": -1.0}, "planted_error_m"),
        ({"max_error_deg": float("nan")}, "max_error_deg"),
        ({"probe_m": float("inf")}, "probe_m"),
        ({"storage": "int4"}, "storage"),
        ({"interpolation": "step"}, "interpolation"),
    ],
)
def test_settings_that_make_no_sense_are_refused(changes, message):
    with pytest.raises(InputError, match=message):
        ReduceSettings(**changes)


def test_contacts_of_another_shape_are_refused():
    with pytest.raises(InputError, match="planted"):
        reduce_keys(MOTION, planted=np.zeros((3, len(NAMES)), bool))


@pytest.mark.parametrize(("interpolation", "values"), [("linear", 1), ("cubic", 3)])
def test_a_cubic_key_is_counted_as_three_values_and_a_straight_one_as_one(interpolation, values, monkeypatch):
    """What a key takes in the file: glTF 2.0, appendix C.5; rotations 8 bytes of int16, places 12."""
    counted: set[int] = set()

    def noted(reach, widths):
        counted.update(np.asarray(widths).tolist())
        return share_times(reach, widths)

    monkeypatch.setattr(reduce_search, "share_times", noted)
    reduce_keys(MOTION, ReduceSettings(interpolation=interpolation))
    rotations, places, fingers = 8 * values, 12 * values, 4 * values
    assert {rotations, places} <= counted <= {rotations, places, fingers}
    counted.clear()
    reduce_keys(MOTION, ReduceSettings(interpolation=interpolation, storage="float32"))
    assert counted == {16 * values, places}
