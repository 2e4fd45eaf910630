"""Idles whose breath is known: a body that stands, breathes and sways, and now and then fidgets."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

import ground_takes
import synthetic
from takemill.base.checks import Array
from takemill.body.body_map import BodyMap
from takemill.body.motion import Motion
from takemill.body.posed import joint_in_model
from takemill.feet.leg_ik import place_ankles
from takemill.maths import quat

_X, _Y = np.array([1.0, 0.0, 0.0]), np.array([0.0, 1.0, 0.0])


@dataclass(frozen=True)
class KnownIdle:
    """A take, its body, and the phase (F,) of its breath, in breaths; whole where the chest is highest."""

    motion: Motion
    body: BodyMap
    phase: Array


def known_idle(
    seed: int = 0,
    seconds: float = 12.0,
    rate: float = 60.0,
    breath_deg: float = 1.0,
    breath_hz: float = 0.25,
    noise_deg: float = 0.1,
    sway_deg: float = 0.4,
    fidgets: tuple[float, ...] = (),
) -> KnownIdle:
    """A standing body whose breath rises for two fifths of its time and sinks for the rest.

    So it is no sine, and of two poses half-way up one is on its way down: a join that only looks at poses
    takes the one for the other. Its pace wanders by 3 %. The sway wanders without a period. At the times of
    `fidgets` (seconds) the right arm goes up for two seconds.
    """
    rng = np.random.default_rng([seed, 12])
    frames = round(seconds * rate) + 1
    t = np.arange(frames) / rate
    pace = breath_hz * (1 + 0.03 * _wander(rng, frames, rate, 1)[:, 0])
    phase = rng.uniform() + np.cumsum(pace) / rate
    part = phase % 1
    # Down from the highest for three fifths, up again for two.
    lung = np.where(part < 0.6, np.cos(np.pi * part / 0.6), -np.cos(np.pi * (part - 0.6) / 0.4))
    standing = synthetic.idle(rate=rate, duration_s=2.0).motion
    body = BodyMap.from_names(standing.skeleton, synthetic.parts())
    rotations = np.repeat(standing.rotations[:1], frames, axis=0)
    sway = np.radians(sway_deg) * _wander(rng, frames, rate, 3 * len(standing.skeleton)).reshape(
        frames, -1, 3
    )
    turns = {name: sway[:, standing.skeleton.index(name)] for name in ("spine", "chest", "neck", "head")}
    turns |= {
        f"{side}_upper_arm": sway[:, standing.skeleton.index(f"{side}_upper_arm")]
        for side in ("left", "right")
    }
    turns["chest"] = turns["chest"] - np.radians(breath_deg) * lung[:, None] * _X
    for side, sign in (("left", -1.0), ("right", 1.0)):
        turns[f"{side}_shoulder"] = sign * np.radians(1.5 * breath_deg) * lung[:, None] * _Y
    raised = sum((_bump(t - at, 2.0) for at in fidgets), np.zeros(frames))
    turns["right_upper_arm"] = turns["right_upper_arm"] + raised[:, None] * np.radians(100.0) * _Y
    for name, turn in turns.items():
        joint = standing.skeleton.index(name)
        rotations[:, joint] = quat.mul(rotations[:, joint], quat.exp(turn))
    path = np.repeat(standing.root_translation[:1], frames, axis=0)
    path = path + 0.004 * _wander(rng, frames, rate, 3) * [1, 1, 0.2] - [0, 0, 0.012]
    held = standing.slice(0, 1)
    motion = Motion(standing.skeleton, rate, rotations, path)
    feet = {foot: joint_in_model(held, body.require(foot)) for foot in body.feet}
    placed = {foot: np.repeat(at, frames, axis=0) for foot, (_, at) in feet.items()}
    motion = place_ankles(motion, body, placed)
    motion = ground_takes.turn_feet(
        motion, body, {foot: np.repeat(turned, frames, axis=0) for foot, (turned, _) in feet.items()}
    )
    noise = np.radians(noise_deg) * rng.standard_normal((frames, len(motion.skeleton), 3))
    return KnownIdle(motion.with_rotations(quat.mul(motion.rotations, quat.exp(noise))), body, phase)


def _wander(rng: np.random.Generator, frames: int, rate: float, count: int) -> Array:
    """Smooth noise (F, count) of variance about 1 that changes within about a second."""
    size = int(2 * rate)
    white = rng.standard_normal((frames + size - 1, count))
    kernel = np.hanning(size)
    kernel /= np.sqrt((kernel**2).sum())
    return np.stack([np.convolve(one, kernel, mode="valid") for one in white.T], axis=-1)


def _bump(t: Array, seconds: float) -> Array:
    """0, up to 1 and back within so many seconds from 0 on."""
    part = np.clip(t / seconds, 0, 1)
    return np.sin(np.pi * part) ** 2
