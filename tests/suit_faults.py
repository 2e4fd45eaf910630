"""What single sensors of a suit do wrong for long, put into the world orientations of a clean take.

The amounts are those that the aims of the project name (`SuitFaults`); every table says them.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from takemill.base.checks import Array, Mask
from takemill.body.body_map import BodyMap
from takemill.body.body_parts import SIDES
from takemill.body.motion import Motion
from takemill.maths import quat

# Parts that a suit has a sensor on; what hangs below (fingers, eyes) keeps its local turns.
SENSED = (
    "hips", "spine", "chest", "upperChest", "neck", "head",
    *(side + part for side in SIDES for part in (
        "Shoulder", "UpperArm", "LowerArm", "Hand", "UpperLeg", "LowerLeg", "Foot", "Toes")),
)  # fmt: skip
_SLIP_FRAMES = (1, 6)  # a strap gives way within a tenth of a second (an estimate, no source)


@dataclass(frozen=True)
class SuitFaults:
    """How much of each fault.

    Attributes:
        drift_deg_per_min: standard deviation, over segments, of a constant rate about the vertical.
        bow: of each segment's drift over the whole take, the height of half a sine wave of random sign.
        slip_deg: one segment's sensor turns by this much about a random axis of its own, for good.
        dropout_s: one segment's orientation in the world is held for so long.
        lag_frames: one segment comes so much later than the others, all along.
        noise_deg: standard deviation about each axis of each segment, new in each frame.
    """

    drift_deg_per_min: float = 8.0
    bow: float = 0.4
    slip_deg: float = 10.0
    dropout_s: float = 0.5
    lag_frames: int = 3
    noise_deg: float = 0.25


ALL = SuitFaults()
NONE = SuitFaults(0, 0, 0, 0, 0, 0)
ALONE = {
    "drift": replace(NONE, drift_deg_per_min=ALL.drift_deg_per_min, bow=ALL.bow),
    "slip": replace(NONE, slip_deg=ALL.slip_deg),
    "dropout": replace(NONE, dropout_s=ALL.dropout_s),
    "lag": replace(NONE, lag_frames=ALL.lag_frames),
    "noise": replace(NONE, noise_deg=ALL.noise_deg),
    "all but lag": replace(ALL, lag_frames=0),
    "all": ALL,
}


@dataclass(frozen=True)
class Faulty:
    """A damaged take, and where.

    Attributes:
        motion: as the suit reports it.
        heading: (F, J) what each joint's sensor has turned by about the vertical, radians.
        slip: joint, frame from which it has slipped, and by which turn (4,) in its own frame.
        dropout: joint and frames [start, stop) in which it is held.
        lag: joint that comes late, frames.
    """

    motion: Motion
    heading: Array
    slip: tuple[int, int, Array] | None
    dropout: tuple[int, int, int] | None
    lag: tuple[int, int] | None


def sensed(body: BodyMap) -> list[int]:
    return sorted(body.joints[part] for part in SENSED if part in body.joints)


def with_world(motion: Motion, world: Array, joints: list[int]) -> Motion:
    """The motion with the world orientations (F, J, 4) of some joints; the others keep their local turns."""
    parents, out = motion.skeleton.parents, motion.rotations.copy()
    now = np.empty_like(world)
    for joint, parent in enumerate(parents):
        above = now[:, parent] if parent >= 0 else np.tile(quat.IDENTITY, (len(world), 1))
        if joint in joints:
            now[:, joint] = world[:, joint]
            out[:, joint] = quat.mul(quat.inv(above), world[:, joint])
        else:
            now[:, joint] = quat.mul(above, motion.rotations[:, joint])
    return motion.with_rotations(quat.continuous(out))


def with_faults(
    motion: Motion, body: BodyMap, seed: int, faults: SuitFaults, inner: slice | None = None
) -> Faulty:
    """Damage a clean motion, the slip and the dropout within `inner`; the same seed, the same places."""
    rng = np.random.default_rng(seed)
    joints = sensed(body)
    frames, rate = len(motion), motion.rate
    inner = inner or slice(0, frames)
    world = motion.model()[0].copy()
    slipped, dropped, late = (int(joints[k]) for k in rng.permutation(len(joints))[:3])
    length = inner.stop - inner.start
    middle = inner.start + int(length * rng.uniform(0.25, 0.75))
    axis, frames_of_slip = rng.normal(size=3), int(rng.integers(_SLIP_FRAMES[0], _SLIP_FRAMES[1] + 1))
    held = inner.start + int(length * rng.uniform(0.1, 0.85))
    rates, signs = rng.normal(size=len(joints)), rng.choice([-1.0, 1.0], size=len(joints))
    noise = rng.normal(size=(frames, len(joints), 3))

    if faults.lag_frames:
        world[:, late] = world[np.maximum(np.arange(frames) - faults.lag_frames, 0), late]
    if faults.slip_deg:
        turn = np.radians(faults.slip_deg) * np.clip((np.arange(frames) - middle + 1) / frames_of_slip, 0, 1)
        world[:, slipped] = quat.mul(world[:, slipped], quat.from_axis_angle(axis, turn))
    part = np.arange(frames) / max(frames - 1, 1)
    total = np.radians(faults.drift_deg_per_min) * (frames - 1) / rate / 60 * rates
    heading = np.zeros(world.shape[:2])
    heading[:, joints] = total * (part[:, None] + faults.bow * signs * np.sin(np.pi * part)[:, None])
    world[:, joints] = quat.mul(quat.from_yaw(heading[:, joints]), world[:, joints])
    world[:, joints] = quat.mul(world[:, joints], quat.exp(np.radians(faults.noise_deg) * noise))
    gap = round(faults.dropout_s * rate)
    world[held : held + gap, dropped] = world[held - 1, dropped]
    slip = quat.from_axis_angle(axis, np.radians(faults.slip_deg))
    return Faulty(
        with_world(motion, world, joints),
        heading,
        (slipped, middle + frames_of_slip - 1, slip) if faults.slip_deg else None,
        (dropped, held, held + gap) if gap else None,
        (late, faults.lag_frames) if faults.lag_frames else None,
    )


def moving_joints(motion: Motion) -> Mask:
    """Joints (J,) that turn at all: what never moves in the open motion has no truth to miss."""
    return np.asarray(np.ptp(motion.rotations, axis=0).max(axis=-1) > 1e-6)
