"""Feet of an idle that stand still, each at one place and in one direction for the whole of it."""

from __future__ import annotations

import numpy as np

from ..base.checks import Array, Mask
from ..body.body_map import BodyMap
from ..body.motion import Motion
from ..body.posed import joint_in_model
from ..feet.pin import PinSettings
from ..feet.pin_legs import Stand, bend_legs, find_leg
from ..maths import filters, quat
from .idle_pool import joined

_PAD_S = 1.0  # of the loop, before and after it, so that its ends are as all else
_CUTOFF_HZ = 2.0  # below, the hips take what both feet slide, and the legs the rest: a sway is slower


def stand_still(
    loop: Motion, body: BodyMap, feet: tuple[str, ...], planted: Mask, settings: PinSettings
) -> Motion:
    """A loop whose feet keep their mean place and direction; toes keep theirs.

    Args:
        loop: F frames; the last one is the first again.
        body: of its skeleton.
        feet: K of them.
        planted: (K, 2) which heels and toes stand; a foot of which one end stands may go on turning.
        settings: how far legs may be stretched.
    """
    rate, count = loop.rate, len(loop) - 1
    pad = min(round(_PAD_S * rate), count)
    whole = joined([loop.slice(count - pad, count), loop.slice(0, count), loop.slice(0, pad + 1)])
    standing = [foot for foot, ends in zip(feet, planted, strict=True) if ends.any()]
    if not standing:
        return loop
    for foot, ends in zip(feet, planted, strict=True):
        if ends.all():
            whole = _without_turning(whole, body, foot)
    legs = [find_leg(whole, body, foot) for foot in standing]
    # The mean of one cycle, so that the loop closes.
    away = [leg.at[pad : pad + count, -1].mean(axis=0) - leg.at[:, -1] for leg in legs]
    hips = np.mean(away, axis=0)
    if rate > 2 * _CUTOFF_HZ:
        hips = filters.butterworth(hips, rate, _CUTOFF_HZ, order=2)
    still = np.tile(quat.IDENTITY, (len(whole), 1))
    stands = [Stand(np.ones(len(whole), bool), one - hips, still) for one in away]
    blend = max(round(settings.blend_s * rate), 2)
    held = bend_legs(whole, legs, stands, hips, settings.straight, blend)
    return joined([held.slice(pad, pad + count), held.slice(pad, pad + 1)])


def _without_turning(motion: Motion, body: BodyMap, foot: str) -> Motion:
    """The motion with one foot turned as it is on average."""
    rotations, joint = motion.rotations.copy(), body.require(foot)
    turned = joint_in_model(motion, joint)[0]
    above = quat.mul(turned, quat.inv(motion.rotations[:, joint]))  # of the joint that it hangs in
    rotations[:, joint] = quat.mul(quat.inv(above), _mean(turned))
    toes = body.get(foot.replace("Foot", "Toes"))
    if toes is not None:
        rotations[:, toes] = _mean(rotations[:, toes])
    return motion.with_rotations(quat.continuous(rotations))


def _mean(turns: Array) -> Array:
    """The mean (4,) of rotations (F, 4) that lie near each other."""
    return quat.normalize(quat.continuous(turns).mean(axis=0))
