"""Root motion: root track x in-place pose is the motion, whatever the skeleton."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import signal

import open_data
import synthetic
from takemill.base.checks import Array
from takemill.base.errors import InputError
from takemill.body.body_map import BodyMap, find_body_map
from takemill.body.motion import Motion
from takemill.clip import root_motion as root_motion_file
from takemill.clip.root_motion import (
    RootMotion,
    RootMotionSettings,
    add_root_joint,
    apply_root_motion,
    bend_to_ends,
    find_root_motion,
    move_to_origin,
    steady_root_motion,
    with_root_motion,
    without_root_motion,
)
from takemill.loops.loop_close import close_loop
from takemill.maths import quat

ALL = [
    RootMotionSettings(),
    RootMotionSettings(turn=False),
    RootMotionSettings(planar=False),
    RootMotionSettings(height=True),
    RootMotionSettings(smooth_hz=1.0),
]


def curved() -> tuple[Motion, BodyMap]:
    motion = synthetic.walk(rate=60.0, steps=6, turn_deg=130.0).motion
    return motion, find_body_map(motion.skeleton)


def rigged() -> tuple[Motion, BodyMap]:
    """The same with a mapped root joint that stands on end at rest and carries part of the way already."""
    motion, body = curved()
    rooted, body = add_root_joint(motion, body)
    upright = quat.from_axis_angle(np.array([1.0, 0.0, 0.0]), np.pi / 2)
    skeleton = rooted.skeleton
    rest_q = skeleton.rest_rotation.copy()
    rest_q[0] = upright
    rest_q[1] = quat.mul(quat.inv(upright), rest_q[1])
    rest_p = skeleton.rest_translation.copy()
    rest_p[1] = quat.rotate(quat.inv(upright), rest_p[1])
    other = type(skeleton)(
        skeleton.names, skeleton.parents, rest_p, rest_q, skeleton.tip_joints, skeleton.tip_offsets
    )
    count = len(rooted)
    way = np.linspace(0, 1, count)[:, None] * np.array([0.5, 0.2, 0.0])
    turn = quat.mul(quat.from_yaw(np.linspace(0, 0.7, count)), upright)
    q, p = rooted.model()
    rotations = rooted.rotations.copy()
    rotations[:, 0] = turn
    rotations[:, 1] = quat.mul(quat.inv(turn), q[:, 1])
    hips = quat.rotate(quat.inv(turn), p[:, 1] - way)
    return Motion(other, rooted.rate, rotations, way, {1: hips}), body


def world(motion: Motion, joints: list[str]) -> tuple[Array, Array]:
    q, p = motion.model()
    places = [motion.skeleton.index(name) for name in joints]
    return q[:, places], p[:, places]


@pytest.mark.parametrize("settings", ALL)
@pytest.mark.parametrize("make", [curved, rigged])
def test_root_track_times_in_place_pose_is_the_motion(make: object, settings: RootMotionSettings) -> None:
    motion, body = make()  # type: ignore[operator]
    root_motion = find_root_motion(motion, body, settings)
    names = [name for name in motion.skeleton.names if name != "root"]
    want_q, want_p = world(motion, names)
    still_q, still_p = world(apply_root_motion(motion, body, root_motion, "in_place"), names)
    turn = quat.from_yaw(root_motion.heading)[:, None]
    assert np.abs(root_motion.position[:, None] + quat.rotate(turn, still_p) - want_p).max() < 1e-6
    assert quat.angle_between(quat.mul(turn, still_q), want_q).max() < 1e-6
    root_q, root_p = world(apply_root_motion(motion, body, root_motion, "root"), names)
    assert np.abs(root_p - want_p).max() < 1e-6
    assert quat.angle_between(root_q, want_q).max() < 1e-6
    again = with_root_motion(without_root_motion(motion, root_motion), root_motion)
    assert np.abs(again.model()[1] - motion.model()[1]).max() < 1e-12


@pytest.mark.parametrize("make", [curved, rigged])
def test_the_root_joint_follows_the_track(make: object) -> None:
    motion, body = make()  # type: ignore[operator]
    root_motion = find_root_motion(motion, body)
    moved = apply_root_motion(motion, body, root_motion, "root")
    root = moved.skeleton.index("root")
    q, p = moved.model()
    rest_q = moved.skeleton.rest_model[0][root]
    assert np.abs(p[:, root] - root_motion.position).max() < 1e-9
    wanted = quat.mul(quat.from_yaw(root_motion.heading), rest_q)
    assert quat.angle_between(q[:, root], wanted).max() < 1e-9
    rests = apply_root_motion(motion, body, root_motion, "in_place")
    if "root" in rests.skeleton.names:
        assert quat.angle_between(rests.rotations[:, root], rests.skeleton.rest_rotation[root]).max() < 1e-9


def test_in_place_the_hips_stay_over_the_origin_and_face_one_way() -> None:
    motion, body = curved()
    still = apply_root_motion(motion, body, find_root_motion(motion, body), "in_place")
    hips = still.model()[1][:, body.require("hips")]
    assert np.abs(hips[:, :2]).max() < 1e-9
    assert np.ptp(hips[:, 2]) > 0.005, "the hips keep their rise and fall"
    assert np.abs(find_root_motion(still, body).heading).max() < 1e-9


def test_the_path_and_turn_are_those_of_the_walk() -> None:
    """The synthetic walk's path is known by construction; the hips sway 2 cm beside it."""
    known = synthetic.walk(rate=60.0, steps=6, turn_deg=130.0)
    body = find_body_map(known.motion.skeleton)
    root_motion = find_root_motion(known.motion, body)
    assert np.abs(root_motion.position[:, :2] - known.path).max() < 0.03
    assert root_motion.turn_deg == pytest.approx(130.0, abs=0.01)
    assert root_motion.relative().position[0] == pytest.approx(0)
    assert root_motion.distance_m == pytest.approx(
        float(np.linalg.norm(known.path[-1] - known.path[0])), abs=0.01
    )
    assert root_motion.speed_m_s == pytest.approx(root_motion.distance_m / known.motion.duration_s)


def test_a_smoothed_track_leaves_the_sway_to_the_hips() -> None:
    known = synthetic.walk(rate=60.0, steps=10)
    body = find_body_map(known.motion.skeleton)
    start, stop = known.steady
    clip = known.motion.slice(start, start + known.period + 1)
    loop = close_loop(clip, body)
    rough, smooth = (
        find_root_motion(loop, body, RootMotionSettings(smooth_hz=hz), loop=True) for hz in (0.0, 0.3)
    )
    assert np.ptp(rough.position[:, 0]) > 0.03
    assert np.ptp(smooth.position[:, 0]) < 0.01
    assert stop > start
    # Per cycle, the track's way stays exact.
    for track in (rough, smooth):
        way = track.relative()
        assert way.position[-1] == pytest.approx(rough.relative().position[-1], abs=0.01)
    assert smooth.position[-1] - smooth.position[0] == pytest.approx(
        rough.position[-1] - rough.position[0], abs=1e-9
    )


@pytest.mark.parametrize("turn_deg", [0.0, 1e-7, 40.0, -179.0, 350.0, 720.0])
def test_a_steady_track_repeats_itself_cycle_after_cycle(turn_deg: float) -> None:
    """Its speed and turning speed, seen from itself, are constant: a cycle goes on as the last one ended."""
    heading = 0.3 + np.linspace(0, np.radians(turn_deg), 61)
    position = np.stack([np.linspace(1, 3, 61), np.linspace(2, -1, 61), np.zeros(61)], axis=-1)
    steady = steady_root_motion(RootMotion(30.0, position, heading))
    assert np.abs(steady.position[[0, -1]] - position[[0, -1]]).max() < 1e-12
    steps = quat.rotate(quat.from_yaw(-steady.heading[:-1]), np.diff(steady.position, axis=0))
    assert np.ptp(steps, axis=0).max() < 1e-12
    difference = steady.heading[-1] - heading[-1]
    assert abs(difference / (2 * np.pi) - round(difference / (2 * np.pi))) < 1e-12


def test_a_new_root_joint_changes_nothing_in_model_space() -> None:
    motion, body = curved()
    rooted, rooted_body = add_root_joint(motion, body)
    assert rooted.skeleton.names[0] == "root"
    assert rooted_body.require("root") == 0
    assert rooted_body.names(rooted.skeleton) == body.names(motion.skeleton) | {"root": "root"}
    assert np.abs(rooted.model()[1][:, 1:] - motion.model()[1]).max() < 1e-12
    assert np.abs(rooted.skeleton.rest_tips - motion.skeleton.rest_tips).max() < 1e-12
    assert add_root_joint(rooted, rooted_body) == (rooted, rooted_body)


def test_a_clip_can_start_at_the_origin_facing_forward() -> None:
    motion = open_data.humanoid3d("walk")[0]
    body = find_body_map(motion.skeleton)
    moved, root_motion = move_to_origin(motion, find_root_motion(motion, body))
    again = find_root_motion(moved, body)
    assert np.abs(again.position[0]).max() < 1e-9
    assert abs(again.heading[0]) < 1e-9
    assert np.abs(again.position - root_motion.position).max() < 1e-9
    assert np.abs(again.heading - root_motion.heading).max() < 1e-9


def test_every_cycle_of_ten_travels_alike() -> None:
    motion, body = curved()
    loop = close_loop(motion.slice(100, 167), body)
    root_motion = find_root_motion(loop, body).relative()
    place, heading = np.zeros(3), 0.0
    ways = []
    for _ in range(10):
        step = quat.rotate(quat.from_yaw(heading), root_motion.position[-1])
        ways.append(quat.rotate(quat.from_yaw(-heading), step))
        place, heading = place + step, heading + root_motion.heading[-1]
    assert np.ptp(np.array(ways), axis=0).max() < 1e-6


def test_what_makes_no_sense_is_refused() -> None:
    motion, body = curved()
    root_motion = find_root_motion(motion, body)
    with pytest.raises(InputError, match="mode"):
        apply_root_motion(motion, body, root_motion, "stay")
    with pytest.raises(InputError, match="frames"):
        apply_root_motion(motion.slice(0, 10), body, root_motion, "root")
    for verb in (with_root_motion, without_root_motion):
        with pytest.raises(InputError, match="frames"):
            verb(motion.slice(0, 10), root_motion)
    with pytest.raises(InputError):
        RootMotion(30.0, np.zeros((3, 3)), np.zeros(2))
    with pytest.raises(InputError):
        find_root_motion(motion, body, RootMotionSettings(smooth_hz=-1.0))
    with pytest.raises(InputError):
        find_root_motion(motion, body, RootMotionSettings(smooth_hz=40.0), loop=True)


def test_a_track_is_bent_through_other_ends() -> None:
    rng = np.random.default_rng(4)
    one, other = (RootMotion(30.0, rng.normal(size=(9, 3)), rng.normal(size=9)) for _ in range(2))
    bent = bend_to_ends(one, other)
    for name in ("position", "heading"):
        ends = getattr(bent, name)[[0, -1]] - getattr(other, name)[[0, -1]]
        assert np.abs(ends).max() < 1e-12
        bend = np.diff(getattr(bent, name) - getattr(one, name), 2, axis=0)
        assert np.abs(bend).max() < 1e-12


def test_a_smoothed_one_shot_starts_and_ends_where_the_hips_do() -> None:
    motion, body = curved()
    rough, smooth = (find_root_motion(motion, body, RootMotionSettings(smooth_hz=hz)) for hz in (0.0, 0.5))
    assert np.abs((smooth.position - rough.position)[[0, -1]]).max() < 1e-12
    assert np.abs((smooth.heading - rough.heading)[[0, -1]]).max() < 1e-12
    assert np.abs(smooth.position - rough.position).max() > 0.005


@pytest.mark.parametrize("waves", [1, 3, 8])
def test_the_track_of_a_loop_is_smoothed_as_by_a_butterworth_both_ways(waves: int) -> None:
    """SciPy's gain of an analogue one of second order, squared; whole waves beside a straight path."""
    rate, frames, cutoff_hz = 60.0, 121, 1.5
    t = np.arange(frames) / (frames - 1)
    sway = np.sin(2 * np.pi * waves * t)
    position = np.stack([0.1 * sway, -2.0 * t, 0.05 * sway], axis=-1)
    found = root_motion_file._smooth_loop(RootMotion(rate, position, 0.2 * sway), cutoff_hz)
    frequency = waves / (frames - 1) * rate
    _, (response,) = signal.freqs(
        *signal.butter(2, 2 * np.pi * cutoff_hz, analog=True), [2 * np.pi * frequency]
    )
    gain = abs(response) ** 2
    wanted = np.stack([0.1 * gain * sway, -2.0 * t, 0.05 * gain * sway], axis=-1)
    np.testing.assert_allclose(found.position, wanted, atol=1e-9)
    np.testing.assert_allclose(found.heading, 0.2 * gain * sway, atol=1e-9)
