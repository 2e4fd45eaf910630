"""Pins planted feet: they stay in place on the floor, roll from heel to ball, and do not turn while flat.

A foot in contact stands on one end, or goes over from heel to ball; the end on which it stands must not
slide. So each step of that end between two frames is a step that the body slid, and the hips take it back:
calmly, so that a leg's noise does not shake the whole body, and most where a leg is nearly straight and would
bend a lot. What is left, and what two feet disagree by, the legs make up by two-bone inverse kinematics. Each
foot keeps its performer's rotation, but for the yaw of a flat one that hardly turned, which turns no more.
Corrections come and go outside of a contact, small ones quickly. Where a leg would be a little too short, the
hips sink by as much.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from ..base.checks import Array, Mask, expect_positive
from ..body.body_map import BodyMap, leg_length
from ..body.motion import Motion
from ..body.posed import Posed
from ..maths import quat
from ..maths.series import eroded, runs, without_short
from .bearing_end import end_course, is_on_ball, trim_lifts
from .contacts import Contacts
from .pin_course import drop_sliding, fade, pinned_course
from .pin_legs import Stand, bend_legs, find_leg
from .soles import end_drops_m, sole_offsets

# A contact's first and last moments, in which a foot still lands or leaves. Trial: a third less misses 10 %
# more contacts, half as much again lets planted feet skate ten times as fast (sensitivity.py).
_CONTACT_EDGE_S = 0.04
# A flat foot that strays no further from its mean heading did not turn; nor did one that turned more slowly
# than this. Trial: a third less or half as much again changes the error by 0.6 % at most (sensitivity.py).
_MAX_STILL_YAW_RAD, _MAX_STILL_TURN_RAD_S = np.radians(4.0), np.radians(8.0)
_MIN_STAND_S = 0.05  # shorter stands are none; trial: a third less or half as much again changes nothing
_MAX_FLAT_PITCH_RAD = np.radians(10.0)  # a foot pitched further stands on one end (no source)


@dataclass(frozen=True)
class PinSettings:
    """How feet are pinned.

    Attributes:
        blend_s: a large correction takes this long to come and to go, a small one less.
        longest_slip: leg lengths, half of it in height; of two planted feet that both are further from
            standing together, the quicker (or higher) one takes a small step where it is worst, or is let go.
        straight: share of its length that a leg is stretched to, unless it was longer before.
    """

    blend_s: float = 0.15
    longest_slip: float = 0.045
    straight: float = 0.995


def pin_feet(
    motion: Motion,
    body: BodyMap,
    contacts: Contacts,
    settings: PinSettings = PinSettings(),
    rests: Mask | None = None,
) -> tuple[Motion, Contacts]:
    """The motion with its planted feet still, on the floor of `contacts`; and the contacts that were pinned.

    Where something else carries the body, `rests` (F,), it stays where it is.

    Raises:
        InputError: a setting is not above 0.
        BodyMapError: a joint of a mapped foot's leg is not mapped.
    """
    for name in ("blend_s", "longest_slip", "straight"):
        expect_positive(getattr(settings, name), f"pin {name}")
    if not contacts.planted.any() or len(motion) < 3:
        return motion, contacts
    blend = max(round(settings.blend_s * motion.rate), 2)
    leg = leg_length(motion.skeleton, body)
    soles = sole_offsets(motion.skeleton, body)
    feet = []
    posed, legs = Posed(motion), [find_leg(motion, body, part) for part in contacts.feet]
    for k, (part, one) in enumerate(zip(contacts.feet, legs, strict=True)):
        planted = np.stack([contacts.heel[:, k], contacts.toe[:, k]], axis=-1)
        sole = soles[body.feet.index(part)]
        ends = one.at[:, -1, None] + quat.rotate(one.foot[:, None], sole)
        floor = contacts.floor_m + (0.0 if contacts.rise_m is None else contacts.rise_m[:, k])
        foot = _Foot(one.foot, one.at[:, -1], sole, end_drops_m(posed, body, part, ends), floor)
        feet.append(_foot_course(foot, planted, motion.rate, blend))
    known, step, height = (
        np.stack([getattr(foot, name) for foot in feet], axis=1) for name in ("known", "step", "height")
    )
    foot_m = np.linalg.norm(soles[:, 1] - soles[:, 0], axis=-1)[
        [body.feet.index(part) for part in contacts.feet]
    ]
    known &= trim_lifts(height, known, foot_m, motion.rate, 0.0)
    known = drop_sliding(step, height, known, settings.longest_slip * leg, blend)
    known = np.stack([without_short(column, int(_MIN_STAND_S * motion.rate)) for column in known.T], axis=-1)
    if not known.any():
        return motion, replace(contacts, heel=known, toe=known)
    cost = np.stack([one.cost for one in legs], axis=1)
    slid, beyond = pinned_course(step, height, known, cost, motion.rate, rests)
    corrections = [Stand(known[:, k], -beyond[:, k], foot.turn) for k, foot in enumerate(feet)]
    pinned = bend_legs(motion, legs, corrections, -slid, settings.straight, blend)
    return pinned, replace(contacts, heel=contacts.heel & known, toe=contacts.toe & known)


@dataclass(frozen=True)
class _Foot:
    """One foot as it was.

    Attributes:
        turned: (F, 4) model rotation.
        ankle: (F, 3)
        sole: (2, 3) heel and ball in the foot's space.
        drops: (F, 2) how much higher the mesh shows them, metres.
        floor: height of the floor under both, metres, or (F, 2) under heel and ball.
    """

    turned: Array
    ankle: Array
    sole: Array
    drops: Array
    floor: Array | float

    def points(self, turn: Array) -> Array:
        """Heel and ball (F, 2, 3) over their floor after a model-space turn (F, 4) about the ankle."""
        points = self.ankle[:, None] + quat.rotate(quat.mul(turn, self.turned)[:, None], self.sole)
        points[..., 2] += self.drops - self.floor
        return points


@dataclass(frozen=True)
class _FootCourse:
    """What a foot does while it should stand.

    Attributes:
        known: (F,) frames in which it should stand.
        step: (F - 1, 2) metres that it slides from frame to frame.
        height: (F,) metres over the floor.
        turn: (F, 4) of the foot about its ankle in model space.
    """

    known: Mask
    step: Array
    height: Array
    turn: Array


def _foot_course(foot: _Foot, planted: Mask, rate: float, blend: int) -> _FootCourse:
    """What a foot with planted heel and ball (F, 2) does while it should stand."""
    frames = len(planted)
    points = foot.points(np.tile(quat.IDENTITY, (frames, 1)))
    along = points[:, 1] - points[:, 0]
    flat = planted.all(axis=1) & (
        np.abs(along[:, 2]) < np.sin(_MAX_FLAT_PITCH_RAD) * np.linalg.norm(along, axis=-1)
    )
    known = eroded(planted.any(axis=1), int(_CONTACT_EDGE_S * rate))
    yaw = np.unwrap(quat.arctan2(along[:, 1], along[:, 0]))
    away, locked = np.zeros(frames), np.zeros(frames, bool)
    for start, stop in zip(*runs(flat & known), strict=True):
        off = np.median(yaw[start:stop]) - yaw[start:stop]
        if np.abs(off).max() < min(_MAX_STILL_YAW_RAD, _MAX_STILL_TURN_RAD_S * (stop - start) / rate):
            away[start:stop], locked[start:stop] = off, True
    turn = quat.from_yaw(fade(away[:, None], locked, rate, blend)[:, 0])
    points = foot.points(turn)
    # From one end to the other within a frame: a foot that turns while it goes over would slide on both.
    ball = is_on_ball(points[:, None], planted[:, None])
    step, height = end_course(points[:, None], ball[1:].astype(float), rate)
    return _FootCourse(known, step[:, 0], height[:, 0], turn)
