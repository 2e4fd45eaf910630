"""Feet after a fit: what stood on the floor stands again, although legs and feet have other proportions.

While a foot is planted its target's path is the performer's, scaled, and one constant step aside (wider
hips stand wider): what the performer's foot does not slide, the target's does not. A foot pivots where the
performer's sole is stillest among what touches the floor, so a longer foot rolls over its own heel and ball
instead of through the floor, and turns on the same place. In the air the foot goes over into the pose that
the fitted rotations give it.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import numpy as np

from ..base.checks import Array, Index, Mask
from ..body.body_map import BodyMap
from ..body.motion import Motion
from ..body.posed import Posed
from ..feet.contacts import Contacts
from ..feet.leg_ik import hinge_axis, reach_ankles
from ..feet.sole_patches import sole_patches
from ..feet.soles import foot_points, sole_offsets
from ..maths import quat
from ..maths.series import runs
from ..shape.scale import Scale
from .fit_hips import BLEND_S, Leg, average, ease, fade, hips_shift
from .fit_soles import Stance, put_on_floor

# Those without a note were chosen by eye.
# Share of the foot's length by which one end lies lower when it bears the foot alone.
_PIVOT_FOOT_SHARE = 0.15
# Trial: on 13 open motions toes turn at most 1.14 times as sharply as any of the performer's joints.
_TOES_SMOOTHING_S = 0.06
# A heel that hangs on foot and shin alike moves with the shin, which each pass bends a little further. Trial
# (feet_table.py slides): of 13,034 steps on the samples one leaves 201 to 272 over 0.3 cm/s, three 9 to 58.
_PASSES, _DONE_M = 3, 1e-4
_MAX_TOES_BEND_RAD = np.radians(60.0)  # about as far as toes bend up (common practice, no source)


def plant_feet(
    source: Posed, body: BodyMap, contacts: Contacts, fitted: Motion, target_body: BodyMap, scale: Scale
) -> Motion:
    """The fitted motion with its planted feet where the performer's stood.

    The hips rise or sink smoothly, so that the straightest of the legs that stand keeps its bend, and sink in
    advance where a leg would not reach. They shift aside as far as the feet stand further aside.
    """
    skeleton, scaled = fitted.skeleton, contacts.scaled(scale.height)
    theirs = scale.apply(foot_points(source.motion, body, source))
    theirs = put_on_floor(theirs, source.motion.skeleton, body, scaled, skeleton, target_body)
    posed, toes = Posed(fitted), {}
    legs: dict[str, Leg] = {}
    stances: dict[str, Stance] = {}
    for k, foot in enumerate(contacts.feet):
        planted = contacts.planted[:, k]
        if foot not in target_body.feet or not planted.any():
            continue
        leg, arms = _fitted_leg(posed, target_body, foot, planted)
        end, level = target_body.get(foot.replace("Foot", "Toes")), posed
        if end is not None and body.get(foot.replace("Foot", "Toes")) is None:
            toes[end] = _level_toes(posed, target_body, foot, end, leg)
            level = Posed(fitted.with_joints(toes)) if len(skeleton.sole_points) else posed
        other = sole_patches(source, body, foot).scaled(scale.path, scale.height)
        stances[foot] = stance = Stance.of(other, level, target_body, foot)
        wanted, aside = _ankle_goal(theirs[:, body.feet.index(foot)], leg.ankle, arms, stance, planted)
        held = (wanted - leg.ankle)[_nearest(planted)]
        under = 0.0 if contacts.rise_m is None else contacts.rise_m[:, k].min(axis=-1) * scale.height
        lowest = np.minimum(theirs[:, body.feet.index(foot), :, 2].min(axis=-1), under)
        legs[foot] = replace(leg, wanted=leg.ankle + held, aside=aside, floor=lowest - stance.bottom)
    if not legs:
        return fitted
    placed = _place_feet(posed, toes, target_body, legs)
    for _ in range(_PASSES if len(skeleton.sole_points) else 0):
        moved, most = Posed(placed), 0.0
        for foot, leg in legs.items():
            old, new = stances[foot], Stance.of(stances[foot].theirs, moved, target_body, foot)
            off = np.column_stack([new.path - old.path, old.bottom - new.bottom])
            off[:, :2] -= _steps_aside(off[:, :2], leg.planted)
            most = max(most, np.abs(off[leg.planted]).max())
            stances[foot], off = new, np.append(off[_nearest(leg.planted)], off[:, 2:], axis=1)
            legs[foot] = replace(leg, wanted=leg.wanted + off[:, :3], floor=leg.floor + off[:, 3])
        if most < _DONE_M:
            break
        placed = _place_feet(posed, toes, target_body, legs)
    return placed


def _fitted_leg(posed: Posed, body: BodyMap, foot: str, planted: Mask) -> tuple[Leg, Array]:
    """A leg as it is fitted, and from its ankle to heel and ball (F, 2, 3)."""
    joints = [body.require(foot.replace("Foot", part)) for part in ("UpperLeg", "LowerLeg", "Foot")]
    hip, knee, ankle = (posed.at(joint)[1] for joint in joints)
    offsets = sole_offsets(posed.motion.skeleton, body)[body.feet.index(foot)]
    arms = quat.rotate(posed.at(joints[2])[0][:, None], offsets)
    away = np.abs(np.arange(len(planted)) - _nearest(planted))
    near = ease(1 - away / max(round(BLEND_S * posed.motion.rate), 1))
    pelvis, sole = posed.at(body.require("hips"))[0], arms[:, 1] - arms[:, 0]
    hinge = hinge_axis(posed, body, joints[0])
    still = arms[:, 0, :2]
    return Leg(hip, knee, ankle, ankle, still, planted, away, near, ankle[:, 2], pelvis, sole, hinge), arms


def _place_feet(posed: Posed, toes: dict[int, Array], body: BodyMap, legs: Mapping[str, Leg]) -> Motion:
    """The fitted motion with its toes turned, its hips moved, and its feet placed as the legs want."""
    rate = posed.motion.rate
    shift = hips_shift(list(legs.values()), rate)
    found = {foot: leg.goal(shift, rate) for foot, leg in legs.items()}
    goals = {foot: goal for foot, (goal, _) in found.items()}
    backwards = {foot: mask for foot, (_, mask) in found.items()}
    return _move_hips(posed, toes | reach_ankles(posed, body, goals, backwards), body, shift)


def _ankle_goal(
    theirs: Array, ankle: Array, arms: Array, stance: Stance, planted: Mask
) -> tuple[Array, Array]:
    """Where the ankle goes (F, 3), and its step aside (F, 2).

    `theirs` are the performer's heel and ball (F, 2, 3), scaled. `ankle` (F, 3) and `arms` (F, 2, 3), from
    ankle to heel and ball, are those of the fitted pose, `stance` is that of its foot.
    """
    foot, other = arms[:, 1] - arms[:, 0], theirs[:, 1] - theirs[:, 0]
    length, other_length = (quat.length(v).max() for v in (foot, other))
    ahead = foot * np.array([1.0, 1.0, 0.0])
    ahead /= np.maximum(quat.length(ahead)[:, None], 1e-9)
    # The ball counts; the heel goes where a flat foot of the target's own length has it.
    heel = theirs[:, 0] + (other_length - length) * ahead
    on_ball = ease(0.5 + (theirs[:, 0, 2] - theirs[:, 1, 2]) / (2 * _PIVOT_FOOT_SHARE * other_length))[
        :, None
    ]
    by_heel, by_ball = heel - arms[:, 0], theirs[:, 1] - arms[:, 1]
    pivot = (1 - on_ball) * by_heel + on_ball * by_ball
    # The end that touches the floor decides the height alone.
    pivot[:, 2] = theirs[..., 2].min(axis=1) - stance.bottom
    pivot[:, :2] = stance.path + _steps_aside(pivot[:, :2] - stance.path, planted)
    aside = _steps_aside((ankle - pivot)[:, :2], planted)
    pivot[:, :2] += aside
    return pivot, aside


def _level_toes(posed: Posed, body: BodyMap, name: str, toes: int, foot: Leg) -> Array:
    """Local rotations (F, 4) of toes that lie flat while the heel rises, although the source has none."""
    rate = posed.motion.rate
    bend = fade(np.clip(foot.pitch, 0.0, _MAX_TOES_BEND_RAD)[:, None], foot.planted, rate)[:, 0]
    bend = average(bend, max(round(_TOES_SMOOTHING_S * rate), 1))
    # The foot's own side axis: a sole that stands upright has no level one.
    skeleton = posed.motion.skeleton
    turned, parent = skeleton.reference_model[0], skeleton.parents[toes]
    heel, ball = quat.rotate(turned[body.require(name)], sole_offsets(skeleton, body)[body.feet.index(name)])
    side = np.cross(ball - heel, [0.0, 0.0, 1.0])
    turn = quat.from_axis_angle(quat.rotate(quat.inv(turned[parent]), side), bend)
    return quat.mul(turn, posed.motion.rotations[:, toes])


def _steps_aside(aside: Array, planted: Mask) -> Array:
    """Values (F, 2): in each planted range their mean; between ranges they ease from one to the next."""
    starts, stops = runs(planted)
    sums = np.concatenate([np.zeros((1, 2)), np.cumsum(np.where(planted[:, None], aside, 0.0), axis=0)])
    means = (sums[stops] - sums[starts]) / (stops - starts)[:, None]
    knots = np.stack([starts, stops - 1], axis=-1).ravel() + np.tile([0.0, 1e-9], len(starts))
    place = np.interp(np.arange(len(aside)), knots, np.repeat(np.arange(len(starts)), 2))
    low = np.floor(place).astype(np.intp)
    part = ease(place - low)[:, None]
    return means[low] * (1 - part) + means[np.minimum(low + 1, len(starts) - 1)] * part


def _nearest(planted: Mask) -> Index:
    """The planted frame that is nearest to each frame (F,)."""
    count, there = np.arange(len(planted)), np.flatnonzero(planted)
    after = np.searchsorted(there, count).clip(0, len(there) - 1)
    before = np.maximum(after - 1, 0)
    nearer = np.abs(there[before] - count) <= np.abs(there[after] - count)
    return np.asarray(np.where(nearer, there[before], there[after]))


def _move_hips(posed: Posed, rotations: dict[int, Array], body: BodyMap, shift: Array) -> Motion:
    """The motion with other local rotations (F, 4) of some joints, its hips moved by (F, 3) metres."""
    motion, hips = posed.motion.with_joints(rotations), body.require("hips")
    parent = motion.skeleton.parents[hips]
    if parent >= 0:
        shift = quat.rotate(quat.inv(posed.at(parent)[0]), shift)
    root, tracks = motion.root_translation, dict(motion.translations)
    if hips == 0:
        root = root + shift
    else:
        tracks[hips] = motion.translation_of(hips) + shift
    return Motion.trusted(motion.skeleton, motion.rate, motion.rotations, root, tracks)
