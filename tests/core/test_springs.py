"""The tail's springs against an independent solver, and against answers known in closed form."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from fit_bodies import Build, body, moved
from takemill.base.checks import Array
from takemill.base.errors import InputError
from takemill.body.body_map import BodyMap
from takemill.body.motion import Motion
from takemill.body.skeleton import Skeleton
from takemill.fit import springs
from takemill.fit.springs import SpringSettings, spring_tail
from takemill.maths import quat

FOX = Build(tail=4, roll_seed=3)
RATE = 60.0


def stand(skeleton: Skeleton, path: Array) -> Motion:
    rotations = np.tile(skeleton.rest_rotation, (len(path), 1, 1))
    return Motion(skeleton, RATE, rotations, skeleton.rest_translation[0] + path)


def tail_of(motion: Motion, parts: BodyMap) -> Array:
    return motion.rotations[:, list(parts.chain("tail"))]


@pytest.mark.parametrize("drag", [0.0, 0.35, 1.0])
def test_the_lag_solves_the_spring_equation(drag: float) -> None:
    # Source: scipy.integrate.solve_ivp (DOP853) on the equation in the module's docstring, frame by frame so
    # that the path's corners stand at the ends of its intervals.
    settings = SpringSettings(stiffness_hz=1.3, drag=drag, air=0.4, gravity=0.5)
    path = np.cumsum(np.random.default_rng(1).normal(size=(50, 3)), axis=0) * 0.02
    w, speeds = 2 * np.pi * 1.3, np.diff(path, axis=0) * RATE
    weight = np.array([0.0, 0.0, -0.5 * 9.80665])
    y = (weight - 2 * drag * w * 0.4 * speeds[0]) / w**2
    v = np.zeros(3)
    want = [y]
    for k, speed in enumerate(speeds):
        v = v - (speed - speeds[max(k - 1, 0)])
        force = weight - 2 * drag * w * 0.4 * speed

        def slope(_: float, state: Array, force: Array = force) -> Array:
            return np.concatenate([state[3:], force - 2 * drag * w * state[3:] - w**2 * state[:3]])

        state = solve_ivp(
            slope, (0, 1 / RATE), np.concatenate([y, v]), method="DOP853", rtol=1e-12, atol=1e-13
        )
        y, v = state.y[:3, -1], state.y[3:, -1]
        want.append(y)
    np.testing.assert_allclose(springs._lag(path, RATE, settings), want, atol=1e-9)


def test_a_body_at_rest_or_at_constant_speed_keeps_its_tail_still() -> None:
    skeleton, parts = body(FOX)
    still = stand(skeleton, np.zeros((90, 3)))
    assert quat.angle_between(spring_tail(still, parts).rotations, still.rotations).max() < 1e-12
    steady = spring_tail(stand(skeleton, np.arange(90)[:, None] / RATE * [0.0, -1.4, 0.0]), parts)
    tail = tail_of(steady, parts)
    assert quat.angle_between(tail, tail[:1]).max() < 1e-9
    no_air = SpringSettings(air=0.0)
    steady = spring_tail(stand(skeleton, np.arange(90)[:, None] / RATE * [0.0, -1.4, 0.0]), parts, no_air)
    assert (
        quat.angle_between(tail_of(steady, parts), skeleton.rest_rotation[list(parts.chain("tail"))]).max()
        < 1e-9
    )


def test_the_tail_swings_against_a_start_and_settles() -> None:
    skeleton, parts = body(FOX)
    t = np.arange(600) / RATE
    path = 0.3 * np.clip((t - 1) / 0.3, 0, 1)[:, None] * [1.0, 0.0, 0.0]  # a step to the left
    swung = spring_tail(stand(skeleton, path), parts, SpringSettings(stiffness_hz=1.6, drag=0.35))
    tips = swung.model()[1][:, parts.require("tail.3")]
    away = tips[:, 0] - tips[0, 0] - path[:, 0]
    assert away[66:76].max() < -0.02, "it stays behind at first"
    assert away[76:140].max() > 0.01, "then swings over"
    assert abs(away[-1]) < 1e-4, "and comes to rest"


def test_gravity_lets_it_hang_and_the_limit_holds() -> None:
    skeleton, parts = body(FOX)
    still = stand(skeleton, np.zeros((30, 3)))
    hung = spring_tail(still, parts, SpringSettings(gravity=0.1))
    assert (
        hung.model()[1][:, parts.require("tail.3"), 2] < still.model()[1][:, parts.require("tail.3"), 2]
    ).all()
    wild = spring_tail(moved(skeleton, 2, amount=2.0), parts, SpringSettings(limit_deg=20.0, drag=0.05))
    source = moved(skeleton, 2, amount=2.0)
    turn = quat.angle_between(tail_of(wild, parts), tail_of(source, parts))
    assert np.degrees(turn.max()) < 20.0
    assert np.degrees(turn.max()) > 10.0


def test_only_the_tail_changes_and_the_rate_does_not_matter() -> None:
    skeleton, parts = body(FOX)
    motion = moved(skeleton, 4, frames=121, amount=0.3)
    swung = spring_tail(motion, parts)
    others = [j for j in range(len(skeleton)) if j not in parts.chain("tail")]
    np.testing.assert_allclose(swung.rotations[:, others], motion.rotations[:, others], atol=1e-15)
    # Straight lines between frames have the same answer when more frames are put on them.
    path = np.random.default_rng(5).normal(size=(20, 3)) * 0.1
    coarse = springs._lag(path, 30.0, SpringSettings())
    fine_path = np.stack([np.interp(np.arange(77) / 4, np.arange(20), path[:, k]) for k in range(3)], axis=-1)
    np.testing.assert_allclose(springs._lag(fine_path, 120.0, SpringSettings())[::4], coarse, atol=1e-12)


def test_one_frame_and_no_tail() -> None:
    skeleton, parts = body(FOX)
    one = stand(skeleton, np.zeros((1, 3)))
    assert len(spring_tail(one, parts)) == 1
    plain, plain_parts = body(Build())
    motion = moved(plain, 1)
    assert spring_tail(motion, plain_parts) is motion


@pytest.mark.parametrize(
    ("settings", "message"),
    [
        (SpringSettings(stiffness_hz=0.0), "stiffness_hz"),
        (SpringSettings(drag=1.5), "drag: expected 0 to 1, got 1.5"),
        (SpringSettings(air=-0.1), "air"),
        (SpringSettings(gravity=float("nan")), "gravity"),
        (SpringSettings(limit_deg=0.0), "limit_deg"),
    ],
)
def test_bad_settings_are_named(settings: SpringSettings, message: str) -> None:
    skeleton, parts = body(FOX)
    with pytest.raises(InputError, match=message):
        spring_tail(moved(skeleton, 1), parts, settings)
