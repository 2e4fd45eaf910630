"""When feet bear the body that they belong to."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from ..base.checks import Mask
from ..body.body_map import BodyMap, leg_length
from ..body.motion import Motion
from ..body.posed import joint_in_model
from ..maths import filters
from .contacts import Contacts
from .soles import foot_points

# Feet bear a body whose hips are higher than this over the lowest of its feet, leg lengths: one that stands,
# crouches (hips on the heels: about 0.4) or crawls, and none that lies (a hip's half width: about 0.15).
# Common practice, no source.
_MIN_HIP_HEIGHT_LEGS = 0.3
# Of the second around a frame the body must be as high as that for more than this share: one that lies may
# kick for a moment. An estimate, no source.
_MIN_BEARING_SHARE = 0.75


def keep_bearing(motion: Motion, body: BodyMap, contacts: Contacts) -> Contacts:
    """The contacts of feet that bear a body: those of one that lies or swims show nothing of its path."""
    bears = bears_body(motion, body)[:, None]
    return replace(contacts, heel=contacts.heel & bears, toe=contacts.toe & bears)


def bears_body(motion: Motion, body: BodyMap) -> Mask:
    """Where (F,) hips are so high over the lowest foot, for most of a second, that feet can bear the body."""
    hips = joint_in_model(motion, body.require("hips"))[1][:, 2]
    lowest = foot_points(motion, body)[..., 2].min(axis=(1, 2))
    high = hips - lowest > _MIN_HIP_HEIGHT_LEGS * leg_length(motion.skeleton, body)
    mostly = filters.moving_mean(high.astype(float), round(motion.rate)) > _MIN_BEARING_SHARE
    return np.asarray(high & mostly)
