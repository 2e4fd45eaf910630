"""How a fitted take lies on its supports, as it is seen: by skinned vertices, not by capsules."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

import skinned_depth
from hand_takes import HandTake, Relation
from puppet import Puppet
from takemill.base.checks import Array, Mask
from takemill.body.body_map import BodyMap, leg_length
from takemill.body.motion import Motion
from takemill.shape.skin import Skin

_TOUCH_M = 0.003  # vertices that lie no higher over the lowest one touch, too


@dataclass(frozen=True)
class Lies:
    """How a part lies on a support while it surely does.

    Attributes:
        under_mm, over_mm: how far the lowest vertex is under and over the performer's height, scaled.
        slide_cm_s: how fast the stillest of the vertices that touch goes over it, the median of all frames.
        rise_cm_s: how fast the lowest vertex rises or sinks, the fastest.
    """

    under_mm: float
    over_mm: float
    slide_cm_s: float
    rise_cm_s: float

    @property
    def off_mm(self) -> float:
        return max(self.under_mm, self.over_mm)


def lies(take: HandTake, one: Relation, fitted: Motion, body: BodyMap, skin: Skin, height_m: float) -> Lies:
    """How a part lies on what the performer has at a height, metres."""
    frames = np.arange(one.start, one.stop)
    size = leg_length(fitted.skeleton, body) / leg_length(take.motion.skeleton, take.body)
    chosen = np.flatnonzero(_of(skin, fitted, body, one.part))
    some = Skin(skin.points[chosen], skin.joints[chosen], skin.weights[chosen])
    places = skinned_depth.posed(some, fitted, frames)
    low = places[..., 2].min(axis=1)
    off = 1000 * (low - size * height_m)
    steps = np.linalg.norm(np.diff(places[..., :2], axis=0), axis=-1) * fitted.rate * 100
    touching = (
        np.maximum(places[1:, :, 2], places[:-1, :, 2]) < np.maximum(low[1:], low[:-1])[:, None] + _TOUCH_M
    )
    stillest = np.where(touching, steps, np.inf).min(axis=1)
    return Lies(float(-off.min()), float(off.max()), float(np.median(stillest)),
                float(100 * fitted.rate * np.abs(np.diff(low)).max()))  # fmt: skip


def _of(skin: Skin, motion: Motion, body: BodyMap, part: str) -> Mask:
    """The vertices (V,) of a part: of hips also the upper third of thighs, of a knee the nearest of shins."""
    at = motion.skeleton.rest_model[1]
    main = skin.joints[np.arange(len(skin.points)), skin.weights.argmax(axis=1)]
    out = main == body.require(part)
    if part == "hips":
        for side in ("left", "right"):
            hip, knee = at[body.require(f"{side}UpperLeg")], at[body.require(f"{side}LowerLeg")]
            along = (skin.points - hip) @ (knee - hip) / ((knee - hip) @ (knee - hip))
            out |= (main == body.require(f"{side}UpperLeg")) & (along < 1 / 3)
    if part.endswith("LowerLeg"):
        knee, foot = at[body.require(part)], at[body.require(part.replace("LowerLeg", "Foot"))]
        out &= (skin.points - knee) @ (foot - knee) < 0.1 * (foot - knee) @ (foot - knee)
    return np.asarray(out)


def height_m(take: HandTake, one: Relation) -> float:
    """How high the performer's part lies, the middle of the time in which it surely does."""
    shape = Puppet(0.1, 30.0).shape
    mine = shape.of(one.part)
    ends = shape.placed(*take.motion.model(), mine)
    lowest: Array = (np.minimum(ends[0][..., 2], ends[1][..., 2]) - shape.radius[mine]).min(axis=1)
    return float(np.median(lowest[one.start : one.stop]))
