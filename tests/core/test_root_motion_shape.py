"""Shaped root tracks: straight, even, exact; the pose beside the track stays."""

from __future__ import annotations

import numpy as np
import pytest

import synthetic
from takemill.base.errors import InputError
from takemill.body.body_map import BodyMap, find_body_map
from takemill.body.motion import Motion
from takemill.clip.root_motion import RootMotion, RootMotionSettings, find_root_motion, without_root_motion
from takemill.clip.root_motion_shape import ShapeSettings, shape_root_motion
from takemill.loops.loop_close import close_loop
from takemill.maths import quat


def curved(turn_deg: float = 130.0) -> tuple[Motion, BodyMap, RootMotion]:
    motion = synthetic.walk(rate=60.0, steps=6, turn_deg=turn_deg).motion
    body = find_body_map(motion.skeleton)
    return motion, body, find_root_motion(motion, body)


@pytest.mark.parametrize("turn_deg", [90.0, 180.0, -90.0, 0.0])
@pytest.mark.parametrize("make", ["walk", "spot"])
def test_a_turn_ends_on_the_angle(make: str, turn_deg: float) -> None:
    if make == "walk":
        motion, body, root_motion = curved()
    else:
        motion = synthetic.turn_in_place(rate=60.0, turn_deg=83.0).motion
        body = find_body_map(motion.skeleton)
        root_motion = find_root_motion(motion, body)
    turned, track = shape_root_motion(motion, root_motion, ShapeSettings(turn_deg=turn_deg))
    assert track.turn_deg == pytest.approx(turn_deg, abs=1e-9)
    assert find_root_motion(turned, body).turn_deg == pytest.approx(turn_deg, abs=0.01)


def test_what_the_body_does_beside_the_track_stays() -> None:
    motion, _, root_motion = curved()
    shaped, track = shape_root_motion(motion, root_motion, ShapeSettings(True, True, 20.0, True))
    a, b = without_root_motion(motion, root_motion), without_root_motion(shaped, track)
    assert np.abs(a.model()[1] - b.model()[1]).max() < 1e-9


def test_a_straight_path_is_as_long_as_the_curved_one() -> None:
    motion, body, _ = curved()
    smooth = find_root_motion(motion, body, RootMotionSettings(smooth_hz=0.5))
    _, track = shape_root_motion(motion, smooth, ShapeSettings(straight=True))
    assert abs(track.turn_deg) < 1e-6
    length = np.linalg.norm(np.diff(smooth.position[:, :2], axis=0), axis=-1).sum()
    assert track.distance_m == pytest.approx(length, rel=0.03)
    x, y = track.relative().position[:, :2].T
    aside = (x * y[-1] - y * x[-1]) / track.distance_m
    assert np.abs(aside).max() < 0.05


def test_an_arc_becomes_a_line_exactly() -> None:
    t = np.linspace(0, 1, 50)
    arc = RootMotion(
        30.0, np.stack([2 - 2 * np.cos(1.2 * t), -2 * np.sin(1.2 * t), 0 * t], axis=-1), 1.2 * t
    )  # turning left from -Y, radius 2
    still = Motion(synthetic.skeleton(), 30.0, np.tile(quat.IDENTITY, (50, 21, 1)), np.zeros((50, 3)))
    _, track = shape_root_motion(still, arc, ShapeSettings(straight=True), loop=True)
    # The chords of the 49 steps are shorter than the arc.
    length = 49 * 2 * 2 * np.sin(1.2 / 49 / 2)
    assert np.abs(track.position - np.stack([0 * t, -length * t, 0 * t], axis=-1)).max() < 1e-9
    assert np.abs(track.heading).max() < 1e-12


def test_a_path_that_winds_and_ends_as_it_began_becomes_a_line() -> None:
    """Slow bends of 40 degrees to both sides, about a heading of 60: on the whole it does not turn."""
    t = np.arange(1800) / 60.0
    heading = np.radians(60 + 40 * np.sin(2 * np.pi * t / 15))
    steps = 0.02 * np.stack([np.sin(heading), -np.cos(heading), 0 * t], axis=-1)
    winding = RootMotion(60.0, np.cumsum(steps, axis=0), heading)
    still = Motion(synthetic.skeleton(), 60.0, np.tile(quat.IDENTITY, (len(t), 21, 1)), np.zeros((len(t), 3)))
    _, track = shape_root_motion(still, winding, ShapeSettings(straight=True))
    assert np.degrees(np.abs(track.heading - heading[0])).max() < 1.0
    assert track.distance_m == pytest.approx(0.02 * (len(t) - 1), rel=0.001)


def test_constant_speed_is_constant() -> None:
    motion, _, root_motion = curved()
    _, track = shape_root_motion(motion, root_motion, ShapeSettings(constant_speed=True))
    steps = np.linalg.norm(np.diff(track.position, axis=0), axis=-1)
    assert np.std(steps) < 0.02 * np.mean(steps)
    assert np.abs(track.position[[0, -1]] - root_motion.position[[0, -1]]).max() < 1e-9
    assert np.ptp(np.diff(track.heading)) < 1e-12


def test_forward_starts_at_the_origin() -> None:
    motion, body, root_motion = curved()
    loop = close_loop(motion.slice(100, 167), body)
    moved, track = shape_root_motion(loop, find_root_motion(loop, body), ShapeSettings(forward=True))
    assert np.abs(track.position[0]).max() < 1e-12
    assert track.heading[0] == 0
    assert np.abs(find_root_motion(moved, body).position[0]).max() < 1e-9
    assert len(root_motion) == len(motion)


def test_a_track_without_way_or_frames_stays() -> None:
    motion = synthetic.idle(rate=30.0).motion
    none = RootMotion(30.0, np.zeros((len(motion), 3)), np.zeros(len(motion)))
    _, track = shape_root_motion(motion, none, ShapeSettings(True, True, 0.0, True))
    assert np.abs(track.position).max() == 0
    one = RootMotion(30.0, np.zeros((1, 3)), np.zeros(1))
    _, track = shape_root_motion(motion.slice(0, 1), one, ShapeSettings(True, True, 90.0, True))
    assert len(track) == 1
    with pytest.raises(InputError, match="turn_deg"):
        shape_root_motion(motion, none, ShapeSettings(turn_deg=float("nan")))
