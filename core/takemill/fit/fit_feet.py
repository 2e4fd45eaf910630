"""Feet after a fit: what stood on the floor stands again, although legs and feet have other proportions.

While a foot is planted its target's path is the performer's, scaled, and one constant step aside (wider
hips stand wider): what the performer's foot does not slide, the target's does not. A foot pivots on the lower
of heel and ball, so a longer foot rolls over its own ball instead of through the floor. In the air the foot
goes over into the pose that the fitted rotations give it.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace

import numpy as np

from ..base.checks import Array, Mask
from ..body.body_map import BodyMap
from ..body.motion import Motion
from ..body.posed import joint_in_model
from ..feet.contacts import Contacts
from ..feet.leg_ik import place_ankles
from ..feet.soles import ball_drop_m, foot_points, sole_offsets
from ..maths import filters, quat
from ..maths.easing import smoothstep
from ..maths.series import runs
from .fit_scale import Scale

# Those without a note were chosen by eye.
_BLEND_S = 0.25  # from the planted to the fitted pose, before and after each contact
# Share of the foot's length by which one end lies lower when it bears the foot alone.
_PIVOT_FOOT_SHARE = 0.15
_MAX_TOES_BEND_RAD = np.radians(60.0)  # about as far as toes bend up (common practice, no source)
_FLAT_PITCH_RAD = np.radians(15.0)  # feet pitched by more count little for the height of the hips
_MAX_REACH_SHARE = 0.999  # of the leg's length that the hips leave to a planted leg
_HIPS_SMOOTHING_S = 0.2  # the hips change their height no faster


def plant_feet(
    source: Motion, body: BodyMap, contacts: Contacts, fitted: Motion, target_body: BodyMap, scale: Scale
) -> Motion:
    """The fitted motion with its planted feet where the performer's stood.

    The hips rise or sink smoothly with the flat feet, so that knees stay as bent as the performer's, and sink
    where a leg would not reach.
    """
    soles = sole_offsets(fitted.skeleton, target_body)
    theirs = scale.apply(foot_points(source, body))
    rotations = fitted.rotations.copy()
    feet: dict[str, _Foot] = {}
    for k, foot in enumerate(contacts.feet):
        planted = contacts.planted[:, k]
        if foot not in target_body.feet or not planted.any():
            continue
        turned, ankle = joint_in_model(fitted, target_body.require(foot))
        arms = quat.rotate(turned[:, None], soles[target_body.feet.index(foot)])
        near = _nearness(planted, round(_BLEND_S * source.rate))
        found = _Foot(ankle, ankle, near, arms[:, 1] - arms[:, 0])
        toes, level = target_body.get(foot.replace("Foot", "Toes")), fitted
        if toes is not None and body.get(foot.replace("Foot", "Toes")) is None:
            rotations[:, toes] = _level_toes(fitted, toes, found)
            level = fitted.with_rotations(rotations)
        drop = ball_drop_m(level, target_body, foot, ankle + arms[:, 1])
        wanted = _ankle_goal(theirs[:, body.feet.index(foot)], ankle, arms, drop, planted)
        feet[foot] = replace(found, wanted=wanted)
    if not feet:
        return fitted
    width = round(_HIPS_SMOOTHING_S * source.rate)
    lift = _average(_rise(feet.values()), width)
    drop = _average(filters.moving_max(_shortfall_m(fitted, target_body, feet, lift), width), width)
    lifted = _lift_hips(fitted, rotations, target_body, lift - drop)
    return place_ankles(lifted, target_body, {foot: data.goal(lift - drop) for foot, data in feet.items()})


@dataclass(frozen=True)
class _Foot:
    """One foot of the target: as fitted, and where it should stand.

    Attributes:
        ankle: (F, 3) as fitted, metres.
        wanted: (F, 3) where it should be while planted.
        near: (F,) how much that counts.
        sole: (F, 3) from heel to ball.
    """

    ankle: Array
    wanted: Array
    near: Array
    sole: Array

    def goal(self, lift: Array) -> Array:
        """Where the ankle goes (F, 3) when the hips are lifted by (F,)."""
        ankle = self.ankle + _as_height(lift)
        return ankle + self.near[:, None] * (self.wanted - ankle)

    @property
    def pitch(self) -> Array:
        """How far the ball lies below the heel (F,), radians."""
        return np.arctan2(-self.sole[:, 2], np.linalg.norm(self.sole[:, :2], axis=-1))


def _as_height(height: Array) -> Array:
    """Heights (F,) as vectors (F, 3)."""
    return height[:, None] * np.array([0.0, 0.0, 1.0])


def _ankle_goal(theirs: Array, ankle: Array, arms: Array, drop: Array, planted: Mask) -> Array:
    """Where the ankle goes (F, 3), from the performer's scaled heel and ball (F, 2, 3).

    `ankle` (F, 3) and `arms` (F, 2, 3), from ankle to heel and ball, are those of the fitted pose; by `drop`
    (F,) its toes have the ball lower.
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
    pivot[:, :2] += _steps_aside((ankle - pivot)[:, :2], planted)
    return pivot


def _level_toes(motion: Motion, toes: int, foot: _Foot) -> Array:
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
    count = np.arange(len(planted))
    before = np.maximum.accumulate(np.where(planted, count, -len(planted)))
    after = np.minimum.accumulate(np.where(planted, count, 2 * len(planted))[::-1])[::-1]
    return _ease(1 - np.minimum(count - before, after - count) / max(frames, 1))


def _rise(feet: Iterable[_Foot]) -> Array:
    """How far (F,) the hips must rise for flat feet to stand with their legs as fitted, metres."""
    total, weight = 0.0, 0.1  # in the air it fades to nothing
    for foot in feet:
        flat = foot.near * np.exp(-((foot.pitch / _FLAT_PITCH_RAD) ** 2))
        total = total + flat * (foot.wanted - foot.ankle)[:, 2]
        weight = weight + flat
    return np.asarray(total / weight)


def _shortfall_m(motion: Motion, body: BodyMap, feet: Mapping[str, _Foot], lift: Array) -> Array:
    """How far (F,) the hips, lifted by `lift`, must sink for each leg to reach its goal, metres."""
    missing = np.zeros(len(motion))
    for name, foot in feet.items():
        hip, knee = (
            joint_in_model(motion, body.require(name.replace("Foot", part)))[1]
            for part in ("UpperLeg", "LowerLeg")
        )
        length = np.linalg.norm(knee - hip, axis=-1) + np.linalg.norm(foot.ankle - knee, axis=-1)
        longest = np.maximum(_MAX_REACH_SHARE * length, np.linalg.norm(foot.ankle - hip, axis=-1))
        goal = foot.goal(lift)
        aside = np.linalg.norm((goal - hip)[:, :2], axis=-1)
        height = np.sqrt(np.maximum(longest**2 - aside**2, 0.0))
        missing = np.maximum(missing, hip[:, 2] + lift - goal[:, 2] - height)
    return missing


def _lift_hips(motion: Motion, rotations: Array, body: BodyMap, lift: Array) -> Motion:
    """The motion with other rotations (F, J, 4), and its hips, and all on them, lifted by (F,) metres."""
    hips, up = body.require("hips"), _as_height(lift)
    parent = motion.skeleton.parents[hips]
    if parent >= 0:
        up = quat.rotate(quat.inv(joint_in_model(motion, parent)[0]), up)
    track = motion.translation_of(hips) + up
    if hips == 0:
        return replace(motion, rotations=rotations, root_translation=track)
    return replace(motion, rotations=rotations, translations={**motion.translations, hips: track})


def _average(values: Array, frames: int) -> Array:
    """Values (F,) smoothed by a bell that reaches `frames` to either side."""
    bell = np.hanning(2 * frames + 3)[1:-1]
    return np.convolve(np.pad(values, frames, mode="edge"), bell / bell.sum(), mode="valid")


def _ease(part: Array) -> Array:
    """0 to 1 with level ends; clamped outside."""
    return smoothstep(np.clip(part, 0.0, 1.0))
