"""Soles of a fitted character on the floor, as its mesh shows them."""

from __future__ import annotations

import numpy as np

from ..base.checks import Array
from ..body.body_map import BodyMap, leg_length
from ..body.posed import Posed
from ..body.skeleton import Skeleton
from ..feet.contacts import Contacts
from ..feet.soles import foot_points

# A planted foot that seems further off its floor may not stand there, leg lengths of the target. The first
# and last frames of the demo's contacts have it up to 0.012 off.
_MAX_HOVER_LEGS = 0.02


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


def soles_under_ankles(posed: Posed, body: BodyMap) -> Array:
    """How high (F, K) the lowest point of each foot's sole lies over its ankle: below 0."""
    ankles = [posed.at(body.require(foot))[1][:, 2] for foot in body.feet]
    return np.asarray(foot_points(posed.motion, body, posed)[..., 2].min(axis=-1) - np.stack(ankles, axis=1))
