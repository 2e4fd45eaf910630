"""How legs reach their planted feet without a snap, and how the hips help them.

Near its full length a leg turns its knee by degrees for each millimetre. So the hips follow the straightest
leg that stands; a goal further than the leg is long is approached, never met; and between the fitted pose and
the planted one a leg blends its direction and the bend of its knee, not the place of its ankle.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from ..base.checks import Array, Mask
from ..maths import filters, quat
from ..maths.easing import smoothstep
from ..maths.series import runs

# Those without a note were chosen by eye.
BLEND_S = 0.25  # from the planted to the fitted pose, before and after each contact
_SLOPE_S, _COAST_S = 0.05, 0.06  # how long a change is looked at, and how long it goes on
_FLOOR_S = 0.08  # a sole is raised out of the floor no faster
_FLAT_PITCH_RAD = np.radians(15.0)  # feet pitched by more count little for the height of the hips
_HIPS_SMOOTHING_S = 0.2  # the hips change their height no faster
# Leg lengths that the hips shift aside at most. A short-legged body whose stance is three times as wide as
# the performer's would swing by a quarter of its legs: cuts then tell its shift of weight as two actions.
_MOST_SHIFT_LEGS = 0.1
_RAISED_LEGS = 0.003  # leg lengths: a foot raised by more bends a knee that was backwards the right way
_PASSES_RAD = np.radians(10.0)  # people's knees pass a straight leg by up to so much (from memory)
_STRAIGHT_RAD = np.radians(6.0)  # a knee bent by less is spared no more than one bent by this
# Of 1 - cosine of a knee's bend, that a standing leg keeps: hips sink until it does. Trial, 66 fits of open
# motion: with none a knee turns up to 1.26 times as sharply as any of the performer's, with .5 1.24, .7 1.13.
_KEPT_BEND_SHARE = 0.6
# Of 1 - cosine of a knee's bend, below which it straightens ever slower.
_SOFT_BEND = 1 - np.cos(np.radians(8.0))


@dataclass(frozen=True)
class Leg:
    """One leg of the target: as fitted, and where its foot should stand. Metres.

    Attributes:
        hip, knee, ankle: (F, 3) as fitted.
        wanted: (F, 3) where the ankle should be while the foot is planted.
        aside: (F, 2) how much further aside than the performer's foot, scaled, that is.
        planted: (F,) when the foot is.
        away: (F,) how many frames away that is.
        near: (F,) how much `wanted` counts.
        floor: (F,) how high the ankle must be for the sole to be no deeper in the floor than the performer's.
        pelvis: (F, 4) what carries the leg, in model space.
        sole: (F, 3) from heel to ball.
        hinge: (F, 3) the body's side axis at the thigh, about which a knee bends the right way.
    """

    hip: Array
    knee: Array
    ankle: Array
    wanted: Array
    aside: Array
    planted: Mask
    away: Array
    near: Array
    floor: Array
    pelvis: Array
    sole: Array
    hinge: Array

    @cached_property
    def pitch(self) -> Array:
        """How far the ball lies below the heel (F,), radians."""
        return np.arctan2(-self.sole[:, 2], quat.length(self.sole[:, :2]))

    @cached_property
    def bones_m(self) -> tuple[Array, Array]:
        """The lengths (F,) of thigh and shin."""
        return quat.length(self.knee - self.hip), quat.length(self.ankle - self.knee)

    def bend(self, distance: Array) -> Array:
        """1 - cosine of the knee's bend (F,) with ankle and hip so far apart (F,); below 0: out of reach."""
        thigh, shin = self.bones_m
        return ((thigh + shin) ** 2 - distance**2) / (2 * thigh * shin)

    def distance(self, bend: Array) -> Array:
        """How far (F,) the ankle is from the hip with such a `bend` (F,)."""
        thigh, shin = self.bones_m
        return np.sqrt(np.maximum((thigh + shin) ** 2 - 2 * thigh * shin * bend, 0.0))

    @cached_property
    def fitted_bend(self) -> Array:
        """The `bend` (F,) of the fitted pose."""
        return self.bend(quat.length(self.ankle - self.hip))

    @cached_property
    def fitted_turn(self) -> Array:
        """The turn (F,) of the knee in the fitted pose, radians; below 0 where it bends the wrong way."""
        across = np.einsum("fi,fi->f", quat.cross(self.knee - self.hip, self.ankle - self.knee), self.hinge)
        return np.where(across < 0, -1.0, 1.0) * _knee_turn(self.fitted_bend)

    @cached_property
    def passes(self) -> Array:
        """How much (F,) a knee that bends the wrong way only passes the straight leg, as people's do."""
        return ease(2 + self.fitted_turn / _PASSES_RAD)

    @cached_property
    def least_bend(self) -> Array:
        """The `bend` (F,) below which the leg straightens ever slower: as far as the fitted pose does."""
        return np.clip(self.fitted_bend, 1e-14, _SOFT_BEND)

    def goal(self, shift: Array, rate: float) -> tuple[Array, Mask]:
        """Where the ankle goes (F, 3), seen from hips moved by (F, 3), and which knees (F,) stay backwards.

        While the foot is planted it is where it should be, or as near as the leg reaches. Elsewhere the turns
        of knee and leg that this takes fade, and go on at first as they changed before.
        """
        fitted, wanted = self.ankle - self.hip, self.wanted - self.hip - shift
        least, needed = self.least_bend, self.bend(quat.length(wanted))
        soft = np.where(needed < least, least * np.exp(np.minimum(needed / least, 1.0) - 1.0), needed)
        bent = self.fitted_turn
        swing = quat.rotate(quat.inv(self.pelvis), quat.log(quat.between(fitted, wanted)))
        needed_turn = _knee_turn(soft)
        # A knee that only passes the straight leg bends the right way where it must bend more.
        over = np.where(bent < 0, self.passes * ease((needed_turn - np.abs(bent)) / _PASSES_RAD), 1.0)
        change = np.concatenate([((2 * over - 1) * needed_turn - bent)[:, None], swing], axis=-1)
        change = fade(change, self.planted, rate)
        turn = np.clip(bent + change[:, 0], np.where(self.passes > 0, np.minimum(bent, 0.0), -np.pi), np.pi)
        distance = self.distance(1 - np.cos(turn))
        way = quat.rotate(quat.exp(quat.rotate(self.pelvis, change[:, 1:])), fitted)
        goal = self.hip + way * (distance / quat.length(fitted))[:, None]
        # On its way a foot that is longer than the performer's must not go through the floor.
        deep = np.maximum(self.floor - (goal + shift)[:, 2], 0.0)
        width = round(_FLOOR_S * rate)
        clear = 1 - ease(1 - self.away / (2 * width + 1))
        rise = average(filters.moving_max(np.where(self.planted, 0.0, deep), width), width) * clear
        goal[:, 2] += rise
        return self._forwards(goal, turn, rise)

    def _forwards(self, goal: Array, turn: Array, rise: Array) -> tuple[Array, Mask]:
        """Goals (F, 3) for knees that pass straight legs: raised by (F,) they bend forwards.

        `turn` (F,) are their knees' turns before; in between they go over from one to the other.
        """
        line = goal - self.hip
        far = quat.length(line)
        raised = self.passes * ease(rise / (_RAISED_LEGS * np.sum(self.bones_m, axis=0)))
        turn = np.where(turn < 0, turn + raised * (_knee_turn(self.bend(far)) - turn), 0.0)
        backwards = turn < 0
        passing = (turn != 0) & (raised > 0)
        share = np.where(passing, self.distance(np.asarray(1 - np.cos(turn))) / np.maximum(far, 1e-9), 1.0)
        return self.hip + line * share[:, None], backwards


def ease(part: Array) -> Array:
    """Shares (...) from 0 to 1 with level ends (...); clamped outside."""
    return smoothstep(np.clip(part, 0.0, 1.0))


def _knee_turn(bend: Array) -> Array:
    """The turn of a knee (F,), radians, of 1 - its cosine (F,)."""
    return 2 * np.arcsin(np.sqrt(np.clip(bend / 2, 0.0, 1.0)))


def fade(values: Array, planted: Mask, rate: float) -> Array:
    """Values (F, N) of planted frames as they are; before and after, fading to nothing.

    They go on as they changed at either end of a contact, ever slower; in a short gap one goes over into the
    other.
    """
    frames = np.arange(len(planted))
    starts, stops = runs(planted)
    before = np.searchsorted(starts, frames, side="right") - 1  # the contact that this frame is in or after
    gone = np.where(before >= 0, frames - stops[before] + 1, len(planted)).clip(0)
    after = np.minimum(before + 1, len(starts) - 1)
    ahead = np.where(before + 1 < len(starts), starts[after] - frames, len(planted))
    edge = max(round(_SLOPE_S * rate), 1)
    gap = np.minimum(BLEND_S * rate, gone + ahead)
    out = np.zeros_like(values)
    for ends, inner, away in (
        (stops[before] - 1, np.maximum(stops[before] - 1 - edge, starts[before]), gone),
        (starts[after], np.minimum(starts[after] + edge, stops[after] - 1), ahead),
    ):
        slope = (values[ends] - values[inner]) / np.maximum(np.abs(ends - inner), 1)[:, None]
        on = _COAST_S * rate * (1 - np.exp(-away / (_COAST_S * rate)))
        share = ease(1 - away / gap)
        out += share[:, None] * (values[ends] + slope * on[:, None])
    return np.where(planted[:, None], values, out)


def hips_shift(legs: Sequence[Leg], rate: float) -> Array:
    """How the hips move (F, 3) for their legs to reach, metres."""
    width = round(_HIPS_SMOOTHING_S * rate)
    shift = np.zeros_like(legs[0].hip)
    if len(legs) == 2:
        shift[:, :2] = _weight_shift(legs)
        for axis in (0, 1):
            shift[:, axis] = average(shift[:, axis], width)
    shift[:, 2] = average(_rise(legs, shift), width)
    shift[:, 2] -= average(filters.moving_max(_shortfall_m(legs, shift), width), width)
    return shift


def _weight_shift(legs: Sequence[Leg]) -> Array:
    """How far aside (F, 2) the hips go with feet that stand further aside, metres.

    They stay as near to either foot, in shares of the stance's width, as the performer's.
    """
    middle = np.mean([leg.hip[:, :2] for leg in legs], axis=0)
    first, second = (leg.wanted[:, :2] - leg.aside for leg in legs)
    across = second - first
    over = np.einsum("fi,fi->f", middle - first, across) / np.maximum((across**2).sum(axis=-1), 1e-9)
    share = np.clip(over, 0.0, 1.0)
    side = legs[0].hip[:, :2] - legs[1].hip[:, :2]
    side = side / np.maximum(quat.length(side), 1e-9)[:, None]
    shift = np.zeros(len(middle))
    for leg, bears in zip(legs, (1 - share, share), strict=True):
        shift += bears * leg.near * np.einsum("fi,fi->f", leg.aside, side)
    most = _MOST_SHIFT_LEGS * sum(length.max() for length in legs[0].bones_m)
    return (most * np.tanh(shift / most))[:, None] * side


def _rise(legs: Sequence[Leg], shift: Array) -> Array:
    """How far (F,) the hips must rise for legs to keep their bend, metres; the straightest count most."""
    total, weight, standing = 0.0, 1e-12, 0.0
    for leg in legs:
        fitted, wanted = leg.ankle - leg.hip, leg.wanted - leg.hip - shift
        length = quat.length(fitted)
        height = np.sqrt(np.maximum(length**2 - (wanted[:, :2] ** 2).sum(axis=-1), 0.0))
        flat = leg.near * np.exp(-((leg.pitch / _FLAT_PITCH_RAD) ** 2))
        # A knee's turn for a millimetre of height goes with its leg's steepness, over the sine of its bend.
        steep = (height / length) ** 2
        counts = flat * steep / (leg.fitted_bend / 2 + np.sin(_STRAIGHT_RAD / 2) ** 2)
        total = total + counts * (wanted[:, 2] + height)
        weight, standing = weight + counts, standing + flat * steep
    return np.asarray(total / weight * standing / (standing + 0.1))  # in the air it fades to nothing


def _shortfall_m(legs: Sequence[Leg], shift: Array) -> Array:
    """How far (F,) the hips, moved by `shift`, must sink for each leg to reach its goal, metres."""
    missing = np.zeros(len(shift))
    for leg in legs:
        wanted = leg.wanted - leg.hip - shift
        longest = leg.distance(np.maximum(leg.least_bend, _KEPT_BEND_SHARE * leg.fitted_bend))
        height = np.sqrt(np.maximum(longest**2 - (wanted[:, :2] ** 2).sum(axis=-1), 0.0))
        missing = np.maximum(missing, leg.near**2 * (-wanted[:, 2] - height))
    return missing


def average(values: Array, frames: int) -> Array:
    """Values (F,) smoothed by a bell that reaches `frames` to either side."""
    bell = np.hanning(2 * frames + 3)[1:-1]
    return np.convolve(np.pad(values, frames, mode="edge"), bell / bell.sum(), mode="valid")
