"""One seeded corruptor: what an inertial suit does to a take, with the truth kept (design.md, 'Tests').

The amplitudes are common practice for such suits, no source: they are the defaults of `Damage` and every
table names them.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from takemill.base.checks import Array, Mask
from takemill.body.motion import Motion
from takemill.maths import quat


@dataclass(frozen=True)
class Damage:
    """How much of each fault.

    Attributes:
        white_deg: standard deviation, about each axis of each joint, of noise that is new in every frame.
        slow_deg: the same for noise below `slow_hz`.
        spikes_per_min, frozen_per_min: events of each joint a minute; spikes last 1 to 3 frames (8 to 35
            degrees,
            each frame about its own axis), freezes 4 to 15.
        heading_deg_per_min: yaw drift of the whole take.
        path_drift: planar drift as a share of the distance walked, in one direction.
        floor_m: the whole take raised by this much.
    """

    white_deg: float = 0.5
    slow_deg: float = 0.15
    slow_hz: float = 0.3
    spikes_per_min: float = 12.0
    frozen_per_min: float = 6.0
    heading_deg_per_min: float = 12.0
    path_drift: float = 0.1
    floor_m: float = 0.03


NONE = Damage(0, 0, 0.3, 0, 0, 0, 0, 0)


@dataclass(frozen=True)
class Damaged:
    """The damaged motion and where: spikes and frozen frames (F, J)."""

    motion: Motion
    spikes: Mask
    frozen: Mask


def corrupt(motion: Motion, seed: int, damage: Damage = Damage()) -> Damaged:
    """Damage a clean motion; the same seed gives the same damage."""
    rng = np.random.default_rng(seed)
    frames, joints = motion.rotations.shape[:2]
    q = motion.rotations.copy()
    t = np.arange(frames) / motion.rate
    q = quat.mul(q, quat.exp(np.radians(damage.white_deg) * rng.normal(size=(frames, joints, 3))))
    q = quat.mul(q, quat.exp(np.radians(damage.slow_deg) * _slow_noise(rng, t, (joints, 3), damage.slow_hz)))
    spikes, frozen = np.zeros((frames, joints), bool), np.zeros((frames, joints), bool)
    minutes = frames / motion.rate / 60
    for joint in range(joints):
        for kind, per_min, low, high in (
            ("frozen", damage.frozen_per_min, 4, 15),
            ("spike", damage.spikes_per_min, 1, 3),
        ):
            for _ in range(rng.poisson(per_min * minutes)):
                length = int(rng.integers(low, high + 1))
                start = int(rng.integers(2, max(frames - length - 2, 3)))
                place = slice(start, min(start + length, frames))
                busy = slice(max(start - 2, 0), place.stop + 2)
                if spikes[busy, joint].any() or frozen[busy, joint].any():
                    continue
                if kind == "frozen":
                    q[place, joint] = q[start - 1, joint]
                    frozen[place, joint] = True
                else:
                    axes = rng.normal(size=(place.stop - start, 3))
                    turn = np.radians(rng.uniform(8, 35, size=place.stop - start))
                    q[place, joint] = quat.mul(q[place, joint], quat.from_axis_angle(axes, turn))
                    spikes[place, joint] = True
    drift = quat.from_yaw(np.radians(damage.heading_deg_per_min) / 60 * t)
    q[:, 0] = quat.mul(drift, q[:, 0])
    root = _drifted_path(motion.root_translation, drift)
    step = np.linalg.norm(np.diff(root[:, :2], axis=0, prepend=root[:1, :2]), axis=1)
    where = rng.uniform(0, 2 * np.pi)
    aside = np.array([np.cos(where), np.sin(where)])
    root[:, :2] += damage.path_drift * np.cumsum(step)[:, None] * aside
    root[:, 2] += damage.floor_m
    return Damaged(Motion(motion.skeleton, motion.rate, q, root, motion.translations), spikes, frozen)


def _drifted_path(path: Array, drift: Array) -> Array:
    """The path (F, 3), every step turned by that frame's drift (F, 4), as dead reckoning does."""
    steps = quat.rotate(drift[1:], np.diff(path, axis=0))
    return np.concatenate([path[:1], path[:1] + np.cumsum(steps, axis=0)])


def _slow_noise(rng: np.random.Generator, t: Array, shape: tuple[int, ...], top_hz: float) -> Array:
    """Noise (F, *shape) of unit variance whose spectrum is flat up to `top_hz`: a sum of 24 sines."""
    out = np.zeros((len(t), *shape))
    for _ in range(24):
        hz, phase = rng.uniform(0.02, top_hz, size=shape), rng.uniform(0, 2 * np.pi, size=shape)
        out += np.sin(2 * np.pi * hz * t.reshape(-1, *([1] * len(shape))) + phase)
    return out / np.sqrt(12)
