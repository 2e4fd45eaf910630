"""Feet after a fit: what stood on the floor stands again, although legs and feet have other proportions.

While a foot is planted its target's path is the performer's, scaled, and one constant step aside (wider
hips stand wider): what the performer's foot does not slide, the target's does not. A foot pivots on the lower
of heel and ball, so a longer foot rolls over its own ball instead of through the floor. In the air the foot
goes over into the pose that the fitted rotations give it.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from ..base.checks import Array, Index, Mask
from ..body.body_map import BodyMap
from ..body.motion import Motion
from ..body.posed import joint_in_model
from ..feet.contacts import Contacts
from ..feet.leg_ik import place_ankles
from ..feet.soles import ball_drop_m, foot_points, sole_offsets
from ..maths import quat
from ..maths.easing import smoothstep
from ..maths.series import runs
from .fit_hips import BLEND_S, Leg, hips_shift
from .fit_scale import Scale

# Those without a note were chosen by eye.
# Share of the foot's length by which one end lies lower when it bears the foot alone.
_PIVOT_FOOT_SHARE = 0.15
_MAX_TOES_BEND_RAD = np.radians(60.0)  # about as far as toes bend up (common practice, no source)


def plant_feet(
    source: Motion, body: BodyMap, contacts: Contacts, fitted: Motion, target_body: BodyMap, scale: Scale
) -> Motion:
    """The fitted motion with its planted feet where the performer's stood.

    The hips rise or sink smoothly, so that the straightest of the legs that stand keeps its bend, and sink in
    advance where a leg would not reach. They shift aside as far as the feet stand further aside.
    """
    soles = sole_offsets(fitted.skeleton, target_body)
    theirs = scale.apply(foot_points(source, body))
    rotations = fitted.rotations.copy()
    legs: dict[str, Leg] = {}
    for k, foot in enumerate(contacts.feet):
        planted = contacts.planted[:, k]
        if foot not in target_body.feet or not planted.any():
            continue
        joints = [target_body.require(foot.replace("Foot", part)) for part in ("UpperLeg", "LowerLeg")]
        hip, knee = (joint_in_model(fitted, joint)[1] for joint in joints)
        turned, ankle = joint_in_model(fitted, target_body.require(foot))
        arms = quat.rotate(turned[:, None], soles[target_body.feet.index(foot)])
        near = _nearness(planted, round(BLEND_S * source.rate))
        pelvis = joint_in_model(fitted, target_body.require("hips"))[0]
        leg = Leg(
            hip,
            knee,
            ankle,
            ankle,
            arms[:, 0, :2],
            near,
            planted,
            ankle[:, 2],
            pelvis,
            arms[:, 1] - arms[:, 0],
        )
        toes, level = target_body.get(foot.replace("Foot", "Toes")), fitted
        if toes is not None and body.get(foot.replace("Foot", "Toes")) is None:
            rotations[:, toes] = _level_toes(fitted, toes, leg)
            level = fitted.with_rotations(rotations)
        drop = ball_drop_m(level, target_body, foot, ankle + arms[:, 1])
        wanted, aside = _ankle_goal(theirs[:, body.feet.index(foot)], ankle, arms, drop, planted)
        held = (wanted - ankle)[_nearest(planted)]
        under = 0.0 if contacts.rise_m is None else contacts.rise_m[:, k].min(axis=-1) * scale.height
        lowest = np.minimum(theirs[:, body.feet.index(foot), :, 2].min(axis=-1), under)
        sole = np.minimum(arms[:, 0, 2], arms[:, 1, 2] + drop)
        legs[foot] = replace(leg, wanted=ankle + held, aside=aside, floor=lowest - sole)
    if not legs:
        return fitted
    shift = hips_shift(list(legs.values()), source.rate)
    lifted = _move_hips(fitted, rotations, target_body, shift)
    return place_ankles(
        lifted, target_body, {foot: leg.goal(shift, source.rate) + shift for foot, leg in legs.items()}
    )


def _ankle_goal(theirs: Array, ankle: Array, arms: Array, drop: Array, planted: Mask) -> tuple[Array, Array]:
    """Where the ankle goes (F, 3), and its step aside (F, 2).

    `theirs` are the performer's heel and ball (F, 2, 3), scaled. `ankle` (F, 3) and `arms` (F, 2, 3), from
    ankle to heel and ball, are those of the fitted pose; by `drop` (F,) its toes have the ball lower.
    """
    foot, other = arms[:, 1] - arms[:, 0], theirs[:, 1] - theirs[:, 0]
    length, other_length = (np.linalg.norm(v, axis=-1).max() for v in (foot, other))
    ahead = foot * np.array([1.0, 1.0, 0.0])
    ahead /= np.maximum(np.linalg.norm(ahead, axis=-1, keepdims=True), 1e-9)
    # The ball counts; the heel goes where a flat foot of the target's own length has it.
    heel = theirs[:, 0] + (other_length - length) * ahead
    on_ball = _ease(0.5 + (theirs[:, 0, 2] - theirs[:, 1, 2]) / (2 * _PIVOT_FOOT_SHARE * other_length))[
        :, None
    ]
    by_heel, by_ball = heel - arms[:, 0], theirs[:, 1] - arms[:, 1]
    pivot = (1 - on_ball) * by_heel + on_ball * by_ball
    # The end that touches the floor decides the height alone: for a longer foot the higher of both goals.
    rules = np.maximum if length > other_length else np.minimum
    pivot[:, 2] = rules(by_heel[:, 2], by_ball[:, 2]) - drop
    aside = _steps_aside((ankle - pivot)[:, :2], planted)
    pivot[:, :2] += aside
    return pivot, aside


def _level_toes(motion: Motion, toes: int, foot: Leg) -> Array:
    """Local rotations (F, 4) of toes that lie flat while the heel rises, although the source has none."""
    bend = np.clip(foot.pitch, 0.0, _MAX_TOES_BEND_RAD) * foot.near
    side = np.stack([foot.sole[:, 1], -foot.sole[:, 0], np.zeros(len(motion))], axis=-1)
    above = joint_in_model(motion, motion.skeleton.parents[toes])[0]
    turn = quat.from_axis_angle(quat.rotate(quat.inv(above), side), bend)
    return quat.mul(turn, motion.rotations[:, toes])


def _steps_aside(aside: Array, planted: Mask) -> Array:
    """Values (F, 2): in each planted range their mean; between ranges they ease from one to the next."""
    starts, stops = runs(planted)
    means = np.array([aside[a:b].mean(axis=0) for a, b in zip(starts, stops, strict=True)])
    knots = np.stack([starts, stops - 1], axis=-1).ravel() + np.tile([0.0, 1e-9], len(starts))
    place = np.interp(np.arange(len(aside)), knots, np.repeat(np.arange(len(starts)), 2))
    low = np.floor(place).astype(np.intp)
    part = _ease(place - low)[:, None]
    return means[low] * (1 - part) + means[np.minimum(low + 1, len(starts) - 1)] * part


def _nearness(planted: Mask, frames: int) -> Array:
    """1 (F,) while planted, easing to 0 over `frames` before and after."""
    return _ease(1 - np.abs(np.arange(len(planted)) - _nearest(planted)) / max(frames, 1))


def _nearest(planted: Mask) -> Index:
    """The planted frame that is nearest to each frame (F,)."""
    count, there = np.arange(len(planted)), np.flatnonzero(planted)
    after = np.searchsorted(there, count).clip(0, len(there) - 1)
    before = np.maximum(after - 1, 0)
    nearer = np.abs(there[before] - count) <= np.abs(there[after] - count)
    return np.asarray(np.where(nearer, there[before], there[after]))


def _move_hips(motion: Motion, rotations: Array, body: BodyMap, shift: Array) -> Motion:
    """The motion with other rotations (F, J, 4), and its hips, and all on them, moved by (F, 3) metres."""
    hips = body.require("hips")
    parent = motion.skeleton.parents[hips]
    if parent >= 0:
        shift = quat.rotate(quat.inv(joint_in_model(motion, parent)[0]), shift)
    track = motion.translation_of(hips) + shift
    if hips == 0:
        return replace(motion, rotations=rotations, root_translation=track)
    return replace(motion, rotations=rotations, translations={**motion.translations, hips: track})


def _ease(part: Array) -> Array:
    """0 to 1 with level ends; clamped outside."""
    return smoothstep(np.clip(part, 0.0, 1.0))
