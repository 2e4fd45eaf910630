"""A character's legs beside the performer's: straighter knees, lower hips, and how his own feet slide."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field

import numpy as np

from ..base.checks import Array
from ..body.body_map import BodyMap, leg_length
from ..body.body_parts import SIDES
from ..body.motion import Motion
from ..body.posed import Posed
from ..feet.contacts import Contacts
from ..feet.soles import foot_points
from ..fit.fit_rotations import ankle_height
from ..maths import quat, series

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
        slides_m_s: by foot (F,), how fast the performer's own sole slides over the floor where it is
            stillest, scaled; NaN where it is not planted.
    """

    beyond_rad: Array
    lowered_m: Array
    slides_m_s: Mapping[str, Array] = field(default_factory=dict)

    @property
    def straight_share(self) -> float:
        """The share of frames in which a leg is straighter than its limit."""
        return float((self.beyond_rad > _SEEN_RAD).mean()) if len(self.beyond_rad) else 0.0

    @property
    def lowered_share(self) -> float:
        """The share of frames in which the hips are lower by more than 5 mm."""
        return float((self.lowered_m > _SEEN_M).mean()) if len(self.lowered_m) else 0.0

    @property
    def worst_slides_m_s(self) -> dict[str, float]:
        """By foot, how fast the performer's own slides, the mean of the worst contact; none where none is."""
        found = {}
        for foot, speed in self.slides_m_s.items():
            spans = zip(*series.runs(np.isfinite(speed)), strict=True)
            if means := [float(speed[start:stop].mean()) for start, stop in spans]:
                found[foot] = max(means)
        return found

    def within(self, ranges: Iterable[tuple[int, int]]) -> LegReach:
        """The same of the frames in some ranges [start, stop)."""
        mine = np.concatenate([np.zeros(0, np.intp), *(np.arange(*one) for one in ranges)])
        mine = np.unique(mine[mine < len(self.beyond_rad)])
        slides = {foot: speed[mine] for foot, speed in self.slides_m_s.items()}
        return LegReach(self.beyond_rad[mine], self.lowered_m[mine], slides)


def find_leg_reach(
    source: Motion,
    body: BodyMap,
    fitted: Motion,
    fitted_body: BodyMap,
    floor_m: float = 0.0,
    contacts: Contacts | None = None,
) -> LegReach:
    """What the legs of a fitted motion (F frames) lack beside the performer's, whose contacts may be given.

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
    lowered = np.maximum(wanted - _hips(character, fitted_body), 0.0)
    return LegReach(beyond, lowered, {} if contacts is None else _slides(performer, body, contacts, ratio))


def _slides(performer: Posed, body: BodyMap, contacts: Contacts, ratio: float) -> dict[str, Array]:
    """By foot (F,), how fast the stillest of heel and ball that are planted slides, scaled; NaN else."""
    points = foot_points(performer.motion, body, performer)
    speed = ratio * quat.length(series.derivative(points, contacts.rate)[..., :2])
    found = {}
    for k, foot in enumerate(contacts.feet):
        ends = np.stack([contacts.heel[:, k], contacts.toe[:, k]], axis=-1)
        stillest = np.where(ends, speed[:, body.feet.index(foot)], np.inf).min(axis=-1)
        found[foot] = np.where(np.isfinite(stillest), stillest, np.nan)
    return found


def _knee(posed: Posed, body: BodyMap, side: str) -> Array:
    """The bend (F,) of a knee, radians."""
    hip, knee, ankle = (posed.at(body.require(side + part))[1] for part in ("UpperLeg", "LowerLeg", "Foot"))
    thigh, shin = knee - hip, ankle - knee
    across = quat.length(np.cross(thigh, shin))
    return np.asarray(np.arctan2(across, np.einsum("fi,fi->f", thigh, shin)))


def _hips(posed: Posed, body: BodyMap) -> Array:
    """The height (F,) of the middle of the hip joints."""
    return np.asarray(np.mean([posed.at(body.require(f"{side}UpperLeg"))[1][:, 2] for side in SIDES], axis=0))
