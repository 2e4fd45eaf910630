"""What the suit did to the take: seeded faults of an inertial recording, each written down.

The amounts are common practice for such suits, no source.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from ferry_curves import wander

from takemill.base.checks import Array
from takemill.body.motion import Motion
from takemill.maths import quat

WHITE_DEG = 0.25  # per axis, joint and frame, standard deviation
HEADING_DEG_PER_MIN = 3.0
DRIFT_M = 0.04  # slow wander of the hips' path
FLOOR_M = 0.035  # the whole take floats this high
SPIKES, FROZEN = 36, 18


@dataclass(frozen=True)
class Fault:
    """A stretch in which one joint was recorded wrongly: half-open frames, and degrees for a spike."""

    joint: str
    start: int
    stop: int
    kind: str
    amount_deg: float = 0.0


def damage(clean: Motion, rng: np.random.Generator) -> tuple[Motion, list[Fault]]:
    """The take as recorded, and the list of its faults in order of time."""
    frames, joints = clean.rotations.shape[:2]
    times = np.arange(frames) / clean.rate
    noise = np.radians(WHITE_DEG) * rng.standard_normal((frames, joints, 3))
    rotations = quat.mul(clean.rotations, quat.exp(noise))
    faults = _plan(clean, rng)
    for fault in faults:
        joint = clean.skeleton.index(fault.joint)
        place = slice(fault.start, fault.stop)
        if fault.kind == "frozen":
            rotations[place, joint] = rotations[fault.start - 1, joint]
        else:
            axis = rng.standard_normal(3)
            turn = np.radians(fault.amount_deg) * np.ones(fault.stop - fault.start)
            rotations[place, joint] = quat.mul(rotations[place, joint], quat.from_axis_angle(axis, turn))
    drift = quat.from_yaw(np.radians(HEADING_DEG_PER_MIN / 60) * times)
    rotations[:, 0] = quat.mul(drift, rotations[:, 0])
    path = _turned_path(clean.root_translation, drift)
    for axis in (0, 1):
        slow = wander(times, rng, 90.0, 25.0)
        path[:, axis] += DRIFT_M * (slow - slow[0])
    path[:, 2] += FLOOR_M
    return Motion(clean.skeleton, clean.rate, rotations, path), faults


def _plan(clean: Motion, rng: np.random.Generator) -> list[Fault]:
    """Spikes of 1 to 3 frames and frozen stretches of 4 to 15, no two within half a second on one joint."""
    names, frames = clean.skeleton.names, len(clean)
    faults: list[Fault] = []
    while len(faults) < SPIKES + FROZEN:
        kind, low, high = ("spike", 1, 3) if len(faults) < SPIKES else ("frozen", 4, 15)
        length, joint = int(rng.integers(low, high + 1)), str(rng.choice(names))
        start = int(rng.integers(60, frames - 60))
        amount = round(float(rng.uniform(8, 35)), 2) if kind == "spike" else 0.0
        if all(other.joint != joint or abs(other.start - start) > 30 for other in faults):
            faults.append(Fault(joint, start, start + length, kind, amount))
    return sorted(faults, key=lambda fault: (fault.start, fault.joint))


def _turned_path(path: Array, drift: Array) -> Array:
    """The path (F, 3) with every step turned by that frame's drift (F, 4), as dead reckoning does."""
    steps = quat.rotate(drift[1:], np.diff(path, axis=0))
    return np.concatenate([path[:1], path[:1] + np.cumsum(steps, axis=0)])
