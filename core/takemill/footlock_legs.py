"""Legs that follow: feet put where they are to stand, hips that spare the knees."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from . import filters, quat
from .body_map import BodyMap, rest_facing
from .checks import Array, Mask
from .contacts import chain_in_model
from .grounding import faded
from .leg_ik import reach
from .motion import Motion

_BENT = 0.1  # a leg drawn in by this share of its length bends its knee easily


@dataclass(frozen=True)
class Stand:
    """How a foot must change to stand.

    Attributes:
        known: (F,) frames in which it stands.
        rest: (F, 3) metres; how far its ankle must go beyond the hips' own correction, where it stands.
        turn: (F, 4) of the foot about its ankle in model space; everywhere.
    """

    known: Mask
    rest: Array
    turn: Array


@dataclass(frozen=True)
class _Leg:
    """A leg before it is bent: where it is, and what it hangs in.

    Attributes:
        joints: hip, knee and foot.
        at: (F, 3, 3) their places in model space, metres.
        above: (F, 3, 4) model rotations of their parents.
        axis: (F, 3) the knee's unit hinge when the leg is straight.
    """

    joints: tuple[int, ...]
    at: Array
    above: Array
    axis: Array


def _leg(motion: Motion, body: BodyMap, foot: str) -> _Leg:
    joints = tuple(body.require(foot.replace("Foot", name)) for name in ("UpperLeg", "LowerLeg", "Foot"))
    chain, turned, at = chain_in_model(motion, joints[-1])
    place = [chain.index(joint) for joint in joints]
    still = np.broadcast_to(quat.IDENTITY, (len(motion), 1, 4))
    rest = motion.skeleton.rest_model[0][joints[0]]
    side = quat.rotate(quat.from_yaw(rest_facing(motion.skeleton, body)), np.array([1.0, 0.0, 0.0]))
    axis = quat.rotate(quat.mul(turned[:, place[0]], quat.inv(rest)), side)
    return _Leg(joints, at[:, place], np.concatenate([still, turned], axis=1)[:, place], axis)


def legs_to(
    motion: Motion, body: BodyMap, stands: dict[str, Stand], hips: Array, straight: float, blend: int
) -> Motion:
    """The motion with its hips moved by `hips` (F, 3) and its feet standing: legs make up the difference."""
    down = np.stack([stand.known for stand in stands.values()], axis=1)
    legs = [_leg(motion, body, part) for part in stands]
    rest = [faded(stand.rest, stand.known, blend) for stand in stands.values()]
    spared = _along_legs(legs, rest, filters.moving_mean(down.astype(float), max(blend // 4, 1)))
    goals = [
        leg.at[:, 2] + hips + spared + faded(stand.rest - spared, stand.known, blend)
        for leg, stand in zip(legs, stands.values(), strict=True)
    ]
    hips = hips + spared
    missing = [
        _missing(leg.at + hips[:, None], goal, straight) for leg, goal in zip(legs, goals, strict=True)
    ]
    hips = hips - _smooth_cover(np.max(missing, axis=0), blend)[:, None] * np.array([0.0, 0.0, 1.0])
    rotations = motion.rotations.copy()
    for leg, goal, stand in zip(legs, goals, stands.values(), strict=True):
        hip, knee, ankle = np.moveaxis(leg.at + hips[:, None], 1, 0)
        swing, bend = reach(hip, knee, ankle, goal, leg.axis)
        # A leg that need not move keeps even a knee that is bent the wrong way.
        moved = (np.linalg.norm(goal - ankle, axis=-1) > 1e-9)[:, None]
        swing, bend = (np.where(moved, turn, quat.IDENTITY) for turn in (swing, bend))
        back = quat.mul(quat.inv(quat.mul(swing, bend)), stand.turn)
        for n, turn in enumerate((swing, bend, back)):
            # A turn in model space, applied to a joint, is this turn seen from the joint's parent.
            seen = quat.mul(quat.mul(quat.inv(leg.above[:, n]), turn), leg.above[:, n])
            rotations[:, leg.joints[n]] = quat.mul(seen, rotations[:, leg.joints[n]])
    return replace(motion, rotations=rotations, root_translation=motion.root_translation + hips)


def _along_legs(legs: list[_Leg], rest: list[Array], down: Array) -> Array:
    """A further step of the hips (F, 3) that spares nearly straight knees.

    What a standing leg must be lengthened by costs a straight knee many degrees and the hips millimetres: so
    per frame the hips take the step that fits best along the legs; each counts as it is down (F, K) and
    straight.
    """
    normal = np.broadcast_to(0.05 * np.eye(3), (len(down), 3, 3)).copy()
    wanted = np.zeros((len(down), 3))
    for k, leg in enumerate(legs):
        hip, knee, ankle = np.moveaxis(leg.at, 1, 0)
        line = ankle - hip
        length = np.linalg.norm(line, axis=-1, keepdims=True)
        line = line / length
        whole = np.linalg.norm(knee - hip, axis=-1) + np.linalg.norm(ankle - knee, axis=-1)
        weight = (down[:, k] * np.exp(-(((1 - length[:, 0] / whole) / _BENT) ** 2)))[:, None]
        normal += weight[..., None] * line[:, :, None] * line[:, None, :]
        wanted += weight * line * np.einsum("fi,fi->f", line, rest[k])[:, None]
    return np.linalg.solve(normal, wanted[..., None])[..., 0]


def _missing(here: Array, goal: Array, straight: float) -> Array:
    """How far (F,) the hips must sink for hip, knee, ankle (F, 3, 3) to reach the ankle's goal (F, 3)."""
    hip, knee, ankle = np.moveaxis(here, 1, 0)
    length = np.linalg.norm(knee - hip, axis=-1) + np.linalg.norm(ankle - knee, axis=-1)
    longest = np.maximum(straight * length, np.linalg.norm(ankle - hip, axis=-1))
    aside = np.linalg.norm((goal - hip)[:, :2], axis=-1)
    return np.maximum(hip[:, 2] - goal[:, 2] - np.sqrt(np.maximum(longest**2 - aside**2, 0.0)), 0.0)


def _smooth_cover(values: Array, frames: int) -> Array:
    """A smooth curve (F,) nowhere below values (F,): their highest within `frames`, averaged over as many."""
    half = max(frames // 2, 1)
    return filters.moving_mean(filters.moving_mean(filters.moving_max(values, frames), half), half)
