"""Guards that bounce, breathe and step, and motions that go over into one another, for labelled takes."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import numpy as np

import open_data
from takemill.base.checks import Array
from takemill.body.body_map import BodyMap, find_body_map, heading
from takemill.body.motion import Motion
from takemill.feet.leg_ik import place_ankles
from takemill.maths import quat

RATE = 60.0
_FEET = ("leftFoot", "rightFoot")
UP = np.array([0.0, 0.0, 1.0])
AHEAD = np.array([0.0, 1.0, 0.0])  # the axis about which trunk and limbs of this body swing ahead and back


@cache
def the_body() -> BodyMap:
    return find_body_map(open_data.humanoid3d("walk")[0].skeleton)


@cache
def open_motion(name: str, count: int = 1) -> Motion:
    """An open motion, `count` times over, at RATE."""
    one = open_data.humanoid3d(name)[0]
    return (open_data.repeated(one, count) if count > 1 else one).resampled(RATE)


def ease(part: Array) -> Array:
    """From 0 to 1 with speed and acceleration 0 at both ends (the minimum-jerk quintic)."""
    t = np.clip(part, 0.0, 1.0)
    return t**3 * (10 - 15 * t + 6 * t * t)


def section(motion: Motion, start_s: float, stop_s: float | None = None) -> Motion:
    stop = len(motion) if stop_s is None else min(len(motion), round(stop_s * RATE))
    return motion.slice(round(start_s * RATE), stop)


def turned(motion: Motion, yaw: float, shift: Array) -> Motion:
    """The motion turned about the world's +Z by `yaw`, then moved by `shift` (3,)."""
    turn = quat.from_yaw(yaw)
    rotations = motion.rotations.copy()
    rotations[:, 0] = quat.mul(turn, rotations[:, 0])
    return Motion(motion.skeleton, motion.rate, rotations, quat.rotate(turn, motion.root_translation) + shift)


def ankles(motion: Motion) -> tuple[Array, Array]:
    """World places (F, 2, 3) and rotations (F, 2, 4) of both ankles."""
    turns, places = motion.model()
    joints = [the_body().require(foot) for foot in _FEET]
    return places[:, joints], turns[:, joints]


def stand(motion: Motion, places: Array, turns: Array) -> Motion:
    """The motion with its ankles at places (F, 2, 3), its feet turned as `turns` (F, 2, 4) in the world."""
    moved = place_ankles(motion, the_body(), {foot: places[:, k] for k, foot in enumerate(_FEET)})
    rotations, world = moved.rotations.copy(), moved.model()[0]
    for k, foot in enumerate(_FEET):
        joint = the_body().require(foot)
        rotations[:, joint] = quat.mul(quat.inv(world[:, moved.skeleton.parents[joint]]), turns[:, k])
    return moved.with_rotations(rotations)


def slerp(a: Array, b: Array, part: Array) -> Array:
    """From a to b, both (..., 4), the shorter way."""
    between = quat.mul(quat.inv(a), b)
    between = np.where(between[..., :1] < 0, -between, between)
    return quat.mul(a, quat.exp(quat.log(between) * part[..., None]))


def join(first: Motion, second: Motion, over: int) -> Motion:
    """The two cross-faded: the last `over` frames of `first` lie over the first ones of `second`.

    `second` is brought to where `first` stands in the middle of that. One foot goes over in the first half of
    it and the other in the second, lifted by as much as the step is long.
    """
    half = over // 2
    here, there = first.slice(len(first) - over, len(first)), second.slice(0, over)
    yaw = heading(here, the_body())[half] - heading(there, the_body())[half]
    spots = [ankles(one)[0][half].mean(axis=0) for one in (here, turned(there, yaw, np.zeros(3)))]
    second = turned(second, yaw, (spots[0] - spots[1]) * [1, 1, 0])
    there = second.slice(0, over)
    t = np.linspace(0, 1, over)
    weight = ease(t)
    rotations = slerp(here.rotations, there.rotations, np.repeat(weight[:, None], len(first.skeleton), 1))
    root = here.root_translation + weight[:, None] * (there.root_translation - here.root_translation)
    (a, turn_a), (b, turn_b) = ankles(here), ankles(there)
    # The foot that the second motion lifts sooner goes first.
    lead = int(np.argmax([np.ptp(b[:half, k], axis=0).max() for k in (0, 1)]))
    swing = np.stack([ease(2 * t) if k == lead else ease(2 * t - 1) for k in (0, 1)], axis=-1)
    step = np.minimum(0.25 * np.linalg.norm(b - a, axis=-1), 0.09) * np.sin(np.pi * swing) ** 2
    places = a + swing[..., None] * (b - a) + step[..., None] * UP
    middle = stand(Motion(first.skeleton, RATE, rotations, root), places, slerp(turn_a, turn_b, swing))
    parts = [first.slice(0, len(first) - over), middle, second.slice(over, len(second))]
    return Motion(
        first.skeleton,
        RATE,
        np.concatenate([one.rotations for one in parts if one is not None]),
        np.concatenate([one.root_translation for one in parts if one is not None]),
    )


@dataclass(frozen=True)
class Guard:
    """A calm pose and how it lives: bounce (m, Hz), steps a second, their length (m)."""

    pose: Motion
    bounce_m: float
    bounce_hz: float
    steps_hz: float
    step_m: float


def calm_pose(name: str, at_s: float) -> Motion:
    """One frame of an open motion, both feet put flat on the floor they stand on."""
    whole = open_motion(name)
    frame = round(at_s * RATE)
    return whole.slice(frame, frame + 1)


def _held(pose: Motion, frames: int) -> Motion:
    return Motion(
        pose.skeleton,
        RATE,
        np.repeat(pose.rotations, frames, axis=0),
        np.repeat(pose.root_translation, frames, axis=0),
    )


def _waves(rng: np.random.Generator, frames: int, count: int, low_hz: float, high_hz: float) -> Array:
    """Smooth noise (frames, count) of variance about 1: sums of sines in a band."""
    t = np.arange(frames)[:, None, None] / RATE
    hz, phase = rng.uniform(low_hz, high_hz, (1, count, 4)), rng.uniform(0, 2 * np.pi, (1, count, 4))
    return np.asarray(np.sin(2 * np.pi * hz * t + phase).sum(axis=-1) / np.sqrt(2.0))


def guard_motion(guard: Guard, frames: int, rng: np.random.Generator) -> Motion:
    """A guard that breathes, sways, bounces and steps."""
    still = _held(guard.pose, frames)
    t = np.arange(frames) / RATE
    places, turns = (values.copy() for values in ankles(still))
    ways = np.zeros((frames, 2, 2))
    time = rng.uniform(0.2, 0.6)
    while guard.steps_hz and time + 0.6 < frames / RATE:  # one foot, then the other after it
        way = rng.normal(size=2)
        way *= guard.step_m / np.linalg.norm(way)
        # It does not wander off: every second step leads back.
        way = -ways[-1, 0] if np.linalg.norm(ways[-1, 0]) > 0.02 else way
        order = rng.permutation(2)
        for k, begin in zip(order, (time, time + 0.22), strict=True):
            swing = ease((t - begin) / 0.24)
            ways[:, k] += swing[:, None] * way
            places[:, k, 2] += 0.025 * np.sin(np.pi * swing) ** 2
        time += 0.46 + rng.exponential(1 / guard.steps_hz)
    places[:, :, :2] += ways
    root = still.root_translation.copy()
    root[:, :2] += ways.mean(axis=1) + 0.006 * _waves(rng, frames, 2, 0.15, 0.5)
    phase = (
        2 * np.pi * (guard.bounce_hz * t + np.cumsum(0.05 * _waves(rng, frames, 1, 0.2, 0.6)[:, 0]) / RATE)
    )
    size = guard.bounce_m * (1 + 0.2 * _waves(rng, frames, 1, 0.2, 0.6)[:, 0])
    breath = np.sin(2 * np.pi * rng.uniform(0.22, 0.3) * t + rng.uniform(0, 6))
    root[:, 2] += 0.003 * breath - size * (1 - np.cos(phase)) / 2
    rotations = still.rotations.copy()
    body = the_body()
    sway = np.radians(0.5) * _waves(rng, frames, 3 * len(guard.pose.skeleton), 0.1, 0.6).reshape(
        frames, -1, 3
    )
    for part in ("spine", "head", "leftUpperArm", "rightUpperArm", "leftLowerArm", "rightLowerArm"):
        joint = body.require(part)
        turn = sway[:, joint].copy()
        turn[:, 1] += np.radians(0.8) * breath if part == "spine" else 0.0
        if "Arm" in part:
            turn[:, 1] += np.radians(90 * guard.bounce_m) * np.cos(phase - 0.6)
        rotations[:, joint] = quat.mul(rotations[:, joint], quat.exp(turn))
    return stand(Motion(still.skeleton, RATE, rotations, root), places, turns)
