"""How far a fit had to go for a character's legs to reach: straighter legs, lower hips."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np

from ..base.checks import Array
from ..body.body_map import BodyMap, leg_length
from ..body.body_parts import SIDES
from ..body.motion import Motion
from ..body.posed import Posed
from ..fit.fit_rotations import ankle_height
from ..maths import quat

# A knee that the performer bends by more may lose some of it; one that he bends by less should keep it
# (fit_hips.py: knees straighten ever slower below this bend).
_LIMIT_RAD = np.radians(8.0)
_SEEN_RAD = np.radians(1.0)  # less cannot be seen, and rounding is less (chosen by eye)
_SEEN_M = 0.005  # the same of hips


@dataclass(frozen=True)
class LegReach:
    """What the legs of a character lack beside the performer's, frame by frame of a take.

    Attributes:
        beyond_rad: (F,) by how much the straighter of the knees is straighter than its limit: than the
            performer's knee, or than a bend of 8 degrees where that bends by more.
        lowered_m: (F,) how much lower the hips are than the performer's, scaled; 0 where they are not.
    """

    beyond_rad: Array
    lowered_m: Array

    @property
    def straight_share(self) -> float:
        """The share of frames in which a leg is straighter than its limit."""
        return float((self.beyond_rad > _SEEN_RAD).mean()) if len(self.beyond_rad) else 0.0

    @property
    def lowered_share(self) -> float:
        """The share of frames in which the hips are lower by more than 5 mm."""
        return float((self.lowered_m > _SEEN_M).mean()) if len(self.lowered_m) else 0.0

    def within(self, ranges: Iterable[tuple[int, int]]) -> LegReach:
        """The same of the frames in some ranges [start, stop)."""
        mine = np.concatenate([np.zeros(0, np.intp), *(np.arange(*one) for one in ranges)])
        mine = np.unique(mine[mine < len(self.beyond_rad)])
        return LegReach(self.beyond_rad[mine], self.lowered_m[mine])


def find_leg_reach(
    source: Motion, body: BodyMap, fitted: Motion, fitted_body: BodyMap, floor_m: float = 0.0
) -> LegReach:
    """What the legs of a fitted motion (F frames) lack beside the performer's.

    Raises:
        BodyMapError: hips or a leg joint are not mapped.
    """
    performer, character = Posed(source), Posed(fitted)
    beyond = np.zeros(len(source))
    for side in SIDES:
        theirs, mine = (
            _knee(one, parts, side) for one, parts in ((performer, body), (character, fitted_body))
        )
        beyond = np.maximum(beyond, np.minimum(theirs, _LIMIT_RAD) - mine)
    ratio = leg_length(fitted.skeleton, fitted_body) / leg_length(source.skeleton, body)
    wanted = (_hips(performer, body) - ankle_height(source.skeleton, body) - floor_m) * ratio
    wanted += ankle_height(fitted.skeleton, fitted_body)
    return LegReach(beyond, np.maximum(wanted - _hips(character, fitted_body), 0.0))


def _knee(posed: Posed, body: BodyMap, side: str) -> Array:
    """The bend (F,) of a knee, radians."""
    hip, knee, ankle = (posed.at(body.require(side + part))[1] for part in ("UpperLeg", "LowerLeg", "Foot"))
    thigh, shin = knee - hip, ankle - knee
    across = quat.length(np.cross(thigh, shin))
    return np.asarray(np.arctan2(across, np.einsum("fi,fi->f", thigh, shin)))


def _hips(posed: Posed, body: BodyMap) -> Array:
    """The height (F,) of the middle of the hip joints."""
    return np.asarray(np.mean([posed.at(body.require(f"{side}UpperLeg"))[1][:, 2] for side in SIDES], axis=0))
