"""What carries a body while no foot does: hands, knees or hips that rest.

They show what the path slides, as standing feet do, and that it neither rises nor sinks meanwhile; how high
they lie is what feet before and after say, since nobody knows the seat.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ..base.checks import Array, Mask
from ..body.body_map import BodyMap, leg_length
from ..body.body_parts import SIDES
from ..body.motion import Motion
from ..body.posed import joint_in_model
from ..maths import filters, quat, series
from ..maths.series import runs, without_short
from .contacts import Contacts

# Slower than this, leg lengths a second, and for so long, a part may rest: a suit slides a body that rests by
# up to 0.3 (26 cm/s in the takes of the tests), one that shifts its weight moves its hips as fast. No source.
_MAX_SPEED_LEGS_S, _MIN_REST_S = 0.35, 0.3
_CUTOFF_HZ = 4.0  # of the places that speeds are taken from: a part that rests still trembles with its noise
# A part that rests does not rise or sink by more meanwhile, leg lengths; one in the air falls.
_MAX_SPAN_LEGS = 0.05
# Joints of a hand or a knee that lies on the floor are no higher than this, leg lengths: a wrist under a body
# that stands on it 0.1, a knee 0.08 (common practice, no source).
_MAX_LOW_LEGS = 0.15


@dataclass(frozen=True)
class Rests:
    """Parts that carry a body while no foot does.

    Attributes:
        local: (F, R, 3) where they are in the space of joint 0, metres.
        known: (F, R) when they rest.
    """

    local: Array
    known: Mask

    def points(self, motion: Motion) -> Array:
        """Where they are (F, R, 3) in a motion whose joint 0 was moved since."""
        return motion.root_translation[:, None] + quat.rotate(motion.rotations[:, None, 0], self.local)


HANDS = ("leftHand", "rightHand")
"""The parts that `find_rests` looks at besides those of the lower body."""


def may_rest(contacts: Contacts) -> bool:
    """Whether there is a time without a planted foot in which anything else could rest."""
    return bool(_times_alone(contacts).any())


def _times_alone(contacts: Contacts) -> Mask:
    """The frames (F,) without a planted foot, but for short times."""
    return without_short(~contacts.planted.any(axis=1), round(_MIN_REST_S * contacts.rate))


def find_rests(motion: Motion, body: BodyMap, contacts: Contacts) -> Rests | None:
    """Hands and knees low over the floor, or else the hips, where they are slow; None where feet carry.

    A part counts while no foot is planted, and hips while no hand or knee rests either.
    """
    rate = motion.rate
    if not may_rest(contacts):
        return None
    alone = _times_alone(contacts)
    leg = leg_length(motion.skeleton, body)
    limbs = [
        joint
        for side in SIDES
        for part in ("Hand", "LowerLeg")
        if (joint := body.get(side + part)) is not None
    ]
    joints = [*limbs, body.require("hips")]
    places = np.stack([joint_in_model(motion, joint)[1] for joint in joints], axis=1)
    calm = filters.butterworth(places, rate, _CUTOFF_HZ, order=2) if rate > 2.3 * _CUTOFF_HZ else places
    slow = np.linalg.norm(series.derivative(calm, rate), axis=-1) < _MAX_SPEED_LEGS_S * leg
    slow &= alone[:, None]
    slow[:, :-1] &= calm[:, :-1, 2] - contacts.floor_m < _MAX_LOW_LEGS * leg
    known = np.stack([_keep_level(slow[:, k], calm[:, k, 2], leg, rate) for k in range(len(joints))], axis=-1)
    known[:, -1] &= ~known[:, :-1].any(axis=1)
    if not known.any():
        return None
    back = quat.inv(motion.rotations[:, 0])[:, None]
    return Rests(quat.rotate(back, places - motion.root_translation[:, None]), known)


def _keep_level(slow: Mask, height: Array, leg: float, rate: float) -> Mask:
    """The runs of a mask (F,) that are long enough, in which heights (F,) stay what they are."""
    out = np.zeros_like(slow)
    for start, stop in zip(*runs(without_short(slow, round(_MIN_REST_S * rate))), strict=True):
        out[start:stop] = np.ptp(height[start:stop]) < _MAX_SPAN_LEGS * leg
    return out
