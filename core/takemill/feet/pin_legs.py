"""Legs bent so that feet reach their places, and hips moved so that knees bend little."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from ..base.checks import Array, Mask
from ..body.body_map import BodyMap, rest_facing
from ..body.motion import Motion
from ..body.posed import chain_in_model, joint_in_model
from ..maths import filters, quat
from ..maths.blocks import each_solved
from .leg_ik import bend_cost, reach
from .pin_course import fade
from .pin_pelvis import pelvis_roll

# Chosen by eye. Trial of each: a third less or half as much again changes the repair's error by 0.6 % at most
# (sensitivity.py).
_HIPS_COST_LEGS = 3.0  # of a step of the hips, in those of a leg's step
# A leg that was straighter than asked for may become longer by so much, before the hips sink: less than the
# noise that repair leaves in pelvis and foot asks for. Trial: twice as much changes nothing, without it legs
# of one who stands straight turn by 10 % more (ground_table.py).
_MAX_STRETCH_M = 0.001
# Share of its length that it may become so long by: of one who stands with knees bent by 4 degrees. Trial: at
# 0.9995, a bend of 3.6, a bow with legs as straight turns joints by 1.17 of the sensors' own error, so 1.145;
# nearer to 1 changes nothing more (ground_table.py).
_MAX_REACH_SHARE = 0.9998


@dataclass(frozen=True)
class Stand:
    """How a foot must change so that it stands.

    Attributes:
        known: (F,) frames in which it stands.
        rest: (F, 3) metres; how far its ankle must go beyond the hips' own correction, where it stands.
        turn: (F, 4) of the foot about its ankle in model space; everywhere.
    """

    known: Mask
    rest: Array
    turn: Array


@dataclass(frozen=True)
class Leg:
    """A leg before it is bent: where it is, and what it hangs in.

    Attributes:
        joints: hip, knee and foot.
        at: (F, 3, 3) their places in model space, metres.
        above: (F, 3, 4) model rotations of their parents.
        foot: (F, 4) model rotation of the foot.
        axis: (F, 3) the knee's unit hinge when the leg is straight.
        cost: (F, 3, 3) what it turns by for a small step of its ankle, see `bend_cost`.
    """

    joints: tuple[int, ...]
    at: Array
    above: Array
    foot: Array
    axis: Array
    cost: Array


def find_leg(motion: Motion, body: BodyMap, foot: str) -> Leg:
    """The leg of a mapped foot.

    Raises:
        BodyMapError: a joint of it is not mapped.
    """
    joints = tuple(body.require(foot.replace("Foot", name)) for name in ("UpperLeg", "LowerLeg", "Foot"))
    chain, turned, at = chain_in_model(motion, joints[-1])
    place = [chain.index(joint) for joint in joints]
    still = np.broadcast_to(quat.IDENTITY, (len(motion), 1, 4))
    rest = motion.skeleton.reference_model[0][joints[0]]
    side = quat.rotate(quat.from_yaw(rest_facing(motion.skeleton, body)), np.array([1.0, 0.0, 0.0]))
    axis = quat.rotate(quat.mul(turned[:, place[0]], quat.inv(rest)), side)
    above = np.concatenate([still, turned], axis=1)[:, place]
    at = at[:, place]
    return Leg(joints, at, above, turned[:, -1], axis, bend_cost(*np.moveaxis(at, 1, 0)))


def bend_legs(
    motion: Motion, legs: list[Leg], corrections: list[Stand], hips: Array, straight: float, blend: int
) -> Motion:
    """The motion with its hips moved by `hips` (F, 3) and its feet standing: legs make up the difference."""
    down = np.stack([stand.known for stand in corrections], axis=1)
    motion, roll, legs, corrections = _roll_pelvis(motion, legs, corrections, down)
    rest = [fade(stand.rest, stand.known, motion.rate, blend) for stand in corrections]
    spared = _spare_straight_knees(legs, rest, filters.moving_mean(down.astype(float), max(blend // 4, 1)))
    hips = hips + spared
    goals = [
        leg.at[:, 2] + hips + fade(stand.rest - spared, stand.known, motion.rate, blend)
        for leg, stand in zip(legs, corrections, strict=True)
    ]
    missing = [
        _shortfall_m(leg.at + hips[:, None], goal, straight) for leg, goal in zip(legs, goals, strict=True)
    ]
    hips = hips - _smooth_cover(np.max(missing, axis=0), blend)[:, None] * np.array([0.0, 0.0, 1.0])
    rotations = motion.rotations.copy()
    for leg, goal, stand in zip(legs, goals, corrections, strict=True):
        hip, knee, ankle = np.moveaxis(leg.at + hips[:, None], 1, 0)
        swing, bend = reach(hip, knee, ankle, goal, leg.axis, _MAX_REACH_SHARE)
        # A leg that need not move keeps even a knee that is bent the wrong way.
        moved = (np.linalg.norm(goal - ankle, axis=-1) > 1e-9)[:, None]
        swing, bend = (np.where(moved, turn, quat.IDENTITY) for turn in (swing, bend))
        back = quat.mul(quat.inv(quat.mul(swing, bend)), stand.turn)
        if roll is not None:  # the thigh hangs on the pelvis that was rolled
            swing = quat.mul(quat.inv(roll), swing)
        for n, turn in enumerate((swing, bend, back)):
            # A turn in model space, applied to a joint, is this turn seen from the joint's parent.
            seen = quat.mul(quat.mul(quat.inv(leg.above[:, n]), turn), leg.above[:, n])
            rotations[:, leg.joints[n]] = quat.mul(seen, rotations[:, leg.joints[n]])
    return replace(motion, rotations=rotations, root_translation=motion.root_translation + hips)


def _roll_pelvis(
    motion: Motion, legs: list[Leg], corrections: list[Stand], down: Mask
) -> tuple[Motion, Array | None, list[Leg], list[Stand]]:
    """The motion with its pelvis rolled for two straight legs, the roll (F, 4), and what the legs are then.

    Thighs keep their direction in model space; what their ankles are moved by is taken off what they must go.
    """
    if len(legs) != 2 or not down.all(axis=1).any():
        return motion, None, legs, corrections
    skeleton = motion.skeleton
    at = np.stack([leg.at for leg in legs], axis=1)
    roll = pelvis_roll(at, np.stack([stand.rest for stand in corrections], axis=1), down, motion.rate)
    pelvis = [
        one for one in skeleton.path_to(legs[0].joints[0]) if one in skeleton.path_to(legs[1].joints[0])
    ][-1]
    turned, place = joint_in_model(motion, pelvis)
    middle = at[:, :, 0].mean(axis=1)
    rotations = motion.rotations.copy()
    above = quat.mul(turned, quat.inv(rotations[:, pelvis]))  # of its parent
    rotations[:, pelvis] = quat.mul(quat.mul(quat.mul(quat.inv(above), roll), above), rotations[:, pelvis])
    moved = quat.rotate(roll, place - middle) - (place - middle)
    shift = quat.rotate(roll[:, None], at[:, :, 0] - middle[:, None]) - (at[:, :, 0] - middle[:, None])
    legs = [replace(leg, at=leg.at + shift[:, k, None]) for k, leg in enumerate(legs)]
    corrections = [replace(stand, rest=stand.rest - shift[:, k]) for k, stand in enumerate(corrections)]
    rolled = replace(motion, rotations=rotations, root_translation=motion.root_translation + moved)
    return rolled, roll, legs, corrections


def _spare_straight_knees(legs: list[Leg], rest: list[Array], down: Array) -> Array:
    """A further step of the hips (F, 3), so that nearly straight knees need not bend.

    To lengthen a standing leg by a little, a nearly straight knee must turn by many degrees, while the hips
    need move by millimetres only. So in each frame the hips take the step that fits best along the legs; a
    leg counts by how firmly it is down (F, K) and how straight it is.
    """
    normal = np.broadcast_to(_HIPS_COST_LEGS * np.eye(3), (len(down), 3, 3)).copy()
    wanted = np.zeros((len(down), 3, 1))
    for k, leg in enumerate(legs):
        along = (leg.cost - np.eye(3)) * down[:, k, None, None]
        normal += along
        wanted += along @ rest[k][..., None]
    return each_solved(normal, wanted)[..., 0]


def _shortfall_m(here: Array, goal: Array, straight: float) -> Array:
    """How far (F,) the hips must sink for hip, knee, ankle (F, 3, 3) to reach the ankle's goal (F, 3)."""
    hip, knee, ankle = np.moveaxis(here, 1, 0)
    length = np.linalg.norm(knee - hip, axis=-1) + np.linalg.norm(ankle - knee, axis=-1)
    own = np.linalg.norm(ankle - hip, axis=-1)
    longer = np.minimum(own + _MAX_STRETCH_M, _MAX_REACH_SHARE * length)
    longest = np.max([straight * length, own, longer], axis=0)
    aside = np.linalg.norm((goal - hip)[:, :2], axis=-1)
    return np.maximum(hip[:, 2] - goal[:, 2] - np.sqrt(np.maximum(longest**2 - aside**2, 0.0)), 0.0)


def _smooth_cover(values: Array, frames: int) -> Array:
    """A smooth curve (F,) nowhere below values (F,): their highest within `frames`, averaged over as many."""
    half = max(frames // 2, 1)
    return filters.moving_mean(filters.moving_mean(filters.moving_max(values, frames), half), half)
