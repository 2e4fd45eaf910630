"""Soles of a fitted character on the floor: as its mesh shows them, no higher than they stand, and still."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ..base.checks import Array
from ..body.body_map import BodyMap, leg_length
from ..body.posed import Posed
from ..body.skeleton import Skeleton
from ..feet.contacts import Contacts
from ..feet.sole_patches import SolePatches, sole_patches
from .fit_hips import ease

# A planted foot that seems further off its floor may not stand there, leg lengths of the target. The first
# and last frames of the demo's contacts have it up to 0.012 off.
_MAX_HOVER_LEGS = 0.02
# Leg lengths (4 mm of a person) by which one end of a sole is higher when it begins to touch no more, and how
# much more of that it then takes; and (5 mm) up to which a sole touches that no mesh shows. Trial, on 276
# steps of a spin: the samples are at most 0.1 cm/s faster than the performer, by the first two alone 25.
_TOUCH_LEGS, _LIFTING, _LINE_TOUCHES_LEGS = 0.005, 0.4, 0.006
_MIN_BETWEEN = 0.1  # of a sole's length: patches that lie nearer to each other show no turn of it


def put_on_floor(
    points: Array, source: Skeleton, body: BodyMap, contacts: Contacts, target: Skeleton, target_body: BodyMap
) -> Array:
    """A performer's heels and balls (F, K, 2, 3), scaled, the lower of each planted foot put on its floor.

    In a contact's first and last frames a foot still lands, or leaves, some millimetres up; a character that
    shows its soles stands by then. One that is the performer itself keeps its own height.
    """
    if not len(target.sole_points) or not source.difference(target):
        return points
    out, most = points.copy(), _MAX_HOVER_LEGS * leg_length(target, target_body)
    for k, foot in enumerate(contacts.feet):
        column = body.feet.index(foot)
        floor = 0.0 if contacts.rise_m is None else contacts.rise_m[:, k]
        over = np.clip((points[:, column, :, 2] - floor).min(axis=1), -most, most)
        out[:, column, :, 2] -= np.where(contacts.planted[:, k], over, 0.0)[:, None]
    return out


@dataclass(frozen=True)
class Stance:
    """Where a foot's ankle should go for its sole to stand; metres.

    Attributes:
        theirs: what touches of the performer's sole, scaled.
        path: (F, 2) of the ankle, on which the foot slides no more than that, but for a constant.
        bottom: (F,) how high the sole lies over the ankle: below 0.
    """

    theirs: SolePatches
    path: Array
    bottom: Array

    @classmethod
    def of(cls, theirs: SolePatches, posed: Posed, body: BodyMap, foot: str) -> Stance:
        """That of a foot in a pose of the target."""
        ankle, ours = posed.at(body.require(foot))[1], sole_patches(posed, body, foot)
        path = _still_path(theirs, ours, ankle, leg_length(posed.motion.skeleton, body))
        return cls(theirs, path, ours.height.min(axis=1) - ankle[:, 2])


def _still_path(theirs: SolePatches, ours: SolePatches, ankle: Array, leg_m: float) -> Array:
    """A path of the ankle (F, 2) on which the foot slides no more than the performer's.

    Of the places of the performer's sole that touch the floor one is the stillest; that of the target's which
    is as far ahead, or the nearest to it that touches, goes as fast. `theirs` are scaled, `ours` those of a
    pose with the ankle (F, 3), on a leg of `leg_m` metres.
    """
    turn = theirs.steps[:, 1] - theirs.steps[:, 0]
    square = np.maximum(np.einsum("fi,fi->f", turn, turn), 1e-18)
    slowest = -np.einsum("fi,fi->f", theirs.steps[:, 0], turn) / square
    slowest = theirs.share[:, 0] + slowest * (theirs.share[:, 1] - theirs.share[:, 0])
    each = np.diff(ankle[:, :2], axis=0)
    bears = slowest
    # Both by one measure, so that one's own body stays as it is, but for a mesh beside a line.
    their_share = _touching_share if ours.seen and not theirs.seen else _flatness
    for sole, sign, touching in ((theirs, 1.0, their_share), (ours, -1.0, _flatness)):
        over = _heel_over_ball(sole)
        flat = touching(np.abs(over) / leg_m)
        bears = np.clip(bears, np.where(over > 0, 1 - flat, 0.0), np.where(over > 0, 1.0, flat))
        each += sign * _step_at(sole, bears, flat)
    return np.concatenate([np.zeros((1, 2)), np.cumsum(each, axis=0)])


def _step_at(sole: SolePatches, share: Array, flat: Array) -> Array:
    """The steps (F - 1, 2) of the place so far ahead (F - 1,) on a sole that is so flat (F - 1,).

    On a flat one by where its patches lie; one that stands on an end alone has the patch there.
    """
    low, high = sole.share.T
    part = share + flat * ((share - low) / np.maximum(high - low, _MIN_BETWEEN) - share)
    return sole.steps[:, 0] + part[:, None] * (sole.steps[:, 1] - sole.steps[:, 0])


def _heel_over_ball(sole: SolePatches) -> Array:
    """How much higher the heel is than the ball (F - 1,), metres.

    In each step by where both are at their higher frame: what touches does so before it and after.
    """
    height = np.maximum(sole.height[1:], sole.height[:-1])
    return np.asarray(height[:, 0] - height[:, 1])


def _touching_share(over: Array) -> Array:
    """Of a straight sole, the share (F - 1,) that touches, one end so much higher (F - 1,), leg lengths."""
    return np.asarray(_LINE_TOUCHES_LEGS / np.maximum(over, _LINE_TOUCHES_LEGS))


def _flatness(over: Array) -> Array:
    """How flat a sole is (F - 1,), 0 to 1, one end so much higher (F - 1,), leg lengths."""
    return 1 - ease((over / _TOUCH_LEGS - 1) / _LIFTING)
