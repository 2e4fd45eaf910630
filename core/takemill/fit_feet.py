"""Feet after a fit: what stood on the floor stands again, although legs and feet have other proportions.

While a foot is planted its target's path is the performer's, scaled, and one constant step aside (wider
hips stand wider): what the performer's foot does not slide, the target's does not. A foot pivots on the lower
of heel and ball, so a longer foot rolls over its own ball instead of through the floor. In the air the foot
goes over into the pose that the fitted rotations give it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from . import quat
from .body_map import BodyMap
from .checks import Array, Mask
from .contacts import Contacts, foot_points, joint_in_model, sole_offsets
from .leg_ik import place_ankles
from .motion import Motion
from .series import runs

_BLEND_S = 0.25  # from the planted to the fitted pose, before and after each contact
_PIVOT = 0.15  # share of the foot's length by which one end lies lower when it bears the foot alone
_TOES_BEND = np.radians(60.0)  # about as far as toes bend up (common practice, no source)
_STRAIGHT = 0.999  # share of the leg's length that the hips leave to a planted leg
_SETTLE_S = 0.2  # the hips sink this long before a leg would not reach


@dataclass(frozen=True)
class Scale:
    """Source metres to target metres: along the floor, and above it."""

    path: float
    height: float
    floor_m: float

    def apply(self, points: Array) -> Array:
        """Points (..., 3) of the source where the target should have them."""
        return (points - np.array([0.0, 0.0, self.floor_m])) * np.array([self.path, self.path, self.height])


def plant_feet(
    source: Motion, body: BodyMap, contacts: Contacts, fitted: Motion, target_body: BodyMap, scale: Scale
) -> Motion:
    """The fitted motion with its planted feet where the performer's stood, and hips low enough for both."""
    soles = sole_offsets(fitted.skeleton, target_body)
    theirs = scale.apply(foot_points(source, body))
    goals: dict[str, Array] = {}
    rotations = fitted.rotations.copy()
    for k, foot in enumerate(contacts.feet):
        planted = contacts.planted[:, k]
        if foot not in target_body.feet or not planted.any():
            continue
        turned, ankle = joint_in_model(fitted, target_body.require(foot))
        arms = quat.rotate(turned[:, None], soles[target_body.feet.index(foot)])
        wanted = _ankle_goal(theirs[:, body.feet.index(foot)], ankle, arms, planted)
        near = _nearness(planted, round(_BLEND_S * source.rate))
        goals[foot] = ankle + near[:, None] * (wanted - ankle)
        toes = target_body.get(foot.replace("Foot", "Toes"))
        if toes is not None and body.get(foot.replace("Foot", "Toes")) is None:
            rotations[:, toes] = _level_toes(fitted, toes, arms[:, 1] - arms[:, 0], near)
    if not goals:
        return fitted
    return place_ankles(_sunk(fitted.with_rotations(rotations), target_body, goals), target_body, goals)


def _ankle_goal(theirs: Array, ankle: Array, arms: Array, planted: Mask) -> Array:
    """Where the ankle goes (F, 3), from the performer's scaled heel and ball (F, 2, 3).

    `ankle` (F, 3) and `arms` (F, 2, 3), from ankle to heel and ball, are those of the fitted pose.
    """
    foot, other = arms[:, 1] - arms[:, 0], theirs[:, 1] - theirs[:, 0]
    length, other_length = (np.linalg.norm(v, axis=-1).max() for v in (foot, other))
    ahead = foot * np.array([1.0, 1.0, 0.0])
    ahead /= np.maximum(np.linalg.norm(ahead, axis=-1, keepdims=True), 1e-9)
    # The ball counts; the heel goes where a flat foot of the target's own length has it.
    heel = theirs[:, 0] + (other_length - length) * ahead
    on_ball = _eased(0.5 + (theirs[:, 0, 2] - theirs[:, 1, 2]) / (2 * _PIVOT * other_length))[:, None]
    by_heel, by_ball = heel - arms[:, 0], theirs[:, 1] - arms[:, 1]
    pivot = (1 - on_ball) * by_heel + on_ball * by_ball
    # The end that touches the floor rules the height alone: a longer foot's is the one that asks for more.
    rules = np.maximum if length > other_length else np.minimum
    pivot[:, 2] = rules(by_heel[:, 2], by_ball[:, 2])
    pivot[:, :2] += _steps_aside((ankle - pivot)[:, :2], planted)
    return pivot


def _level_toes(motion: Motion, toes: int, foot: Array, near: Array) -> Array:
    """Local rotations (F, 4) of toes that lie flat while the heel rises, although the source has none.

    `foot` (F, 3) leads from heel to ball; `near` (F,) is how much of it counts.
    """
    flat = np.linalg.norm(foot[:, :2], axis=-1)
    pitch = np.clip(np.arctan2(-foot[:, 2], flat), 0.0, _TOES_BEND)
    side = np.stack([foot[:, 1], -foot[:, 0], np.zeros(len(foot))], axis=-1)
    above = joint_in_model(motion, motion.skeleton.parents[toes])[0]
    turn = quat.from_axis_angle(quat.rotate(quat.inv(above), side), pitch * near)
    return quat.mul(turn, motion.rotations[:, toes])


def _steps_aside(aside: Array, planted: Mask) -> Array:
    """Values (F, 2): in each planted range their mean; between ranges an eased way from one to the next."""
    starts, stops = runs(planted)
    means = np.array([aside[a:b].mean(axis=0) for a, b in zip(starts, stops, strict=True)])
    knots = np.stack([starts, stops - 1], axis=-1).ravel() + np.tile([0.0, 1e-9], len(starts))
    place = np.interp(np.arange(len(aside)), knots, np.repeat(np.arange(len(starts)), 2))
    low = np.floor(place).astype(np.intp)
    part = _eased(place - low)[:, None]
    return means[low] * (1 - part) + means[np.minimum(low + 1, len(starts) - 1)] * part


def _nearness(planted: Mask, frames: int) -> Array:
    """1 (F,) while planted, easing to 0 over `frames` before and after."""
    count = np.arange(len(planted))
    before = np.maximum.accumulate(np.where(planted, count, -len(planted)))
    after = np.minimum.accumulate(np.where(planted, count, 2 * len(planted))[::-1])[::-1]
    return _eased(1 - np.minimum(count - before, after - count) / max(frames, 1))


def _sunk(motion: Motion, body: BodyMap, goals: dict[str, Array]) -> Motion:
    """The hips lowered, smoothly, where a leg would not reach its goal."""
    drop = np.zeros(len(motion))
    for foot, goal in goals.items():
        hip, knee, ankle = (
            joint_in_model(motion, body.require(foot.replace("Foot", part)))[1]
            for part in ("UpperLeg", "LowerLeg", "Foot")
        )
        length = np.linalg.norm(knee - hip, axis=-1) + np.linalg.norm(ankle - knee, axis=-1)
        longest = np.maximum(_STRAIGHT * length, np.linalg.norm(ankle - hip, axis=-1))
        aside = np.linalg.norm((goal - hip)[:, :2], axis=-1)
        height = np.sqrt(np.maximum(longest**2 - aside**2, 0.0))
        drop = np.maximum(drop, hip[:, 2] - goal[:, 2] - height)
    if drop.max() <= 0:
        return motion
    drop = _softened(drop, round(_SETTLE_S * motion.rate))
    hips = body.require("hips")
    down = np.stack([np.zeros_like(drop), np.zeros_like(drop), -drop], axis=-1)
    parent = motion.skeleton.parents[hips]
    if parent >= 0:
        down = quat.rotate(quat.inv(joint_in_model(motion, parent)[0]), down)
    return motion.with_translation(hips, motion.translation_of(hips) + down)


def _softened(drop: Array, frames: int) -> Array:
    """A smooth curve (F,) nowhere below `drop` (F,): its running maximum, averaged over the same frames."""
    window = np.hanning(2 * frames + 3)[1:-1]
    padded = np.pad(drop, 2 * frames, mode="edge")
    highest = np.lib.stride_tricks.sliding_window_view(padded, 2 * frames + 1).max(axis=-1)
    return np.convolve(highest, window / window.sum(), mode="valid")


def _eased(part: Array) -> Array:
    """0 to 1 with level ends; clamped outside."""
    part = np.clip(part, 0.0, 1.0)
    return part * part * (3 - 2 * part)
