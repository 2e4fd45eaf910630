"""Sensors that were exchanged left for right, found by which side's joints they fit.

Any pairs of the arms or of the legs are tried together, whole limbs too: if their segments stood exchanged,
how far would shoulders, elbows and wrists, or hips, knees and ankles, be bent as no joint bends? Pairs are
reported when the limbs as they are bend so by far more than with those exchanged. Whole legs bend well on
either side: then it counts how they lie to each other and step (sides.py). Motion that is the same on both
sides shows nothing.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from itertools import combinations

import numpy as np

from ..base.checks import Array
from ..body.body_map import BodyMap
from ..body.body_parts import SIDES
from ..body.motion import Motion
from ..maths import quat
from .finding import Finding
from .limb_frames import ARM, FRONT, LEG, Frames, limb_frames
from .misfit import Known, misfit_deg
from .sides import LegSizes, Sides, leg_sizes, sides, thin_frames

# All chosen by eye.
_MAX_LOOKED_FRAMES = 1500  # in which joints are looked at, evenly over the take
_MIN_MISFIT_DEG = 1.5  # mean misfit of a joint that counts
_MAX_REMAINING_SHARE = 0.33  # of the misfit may be left with the pairs exchanged; a file of bvhtoolbox: 0.30
_MAX_TIE_DEG = 0.3  # exchanges that explain a take so nearly alike are all named
# How the right and left arm hang beside a body, seen from a T: a right angle about the front.
_HANGING = {"left": quat.from_axis_angle(FRONT, -np.pi / 2), "right": quat.from_axis_angle(FRONT, np.pi / 2)}
_WORDS = {"UpperArm": "upper arms", "LowerArm": "forearms", "Hand": "hands", "UpperLeg": "thighs",
          "LowerLeg": "shins", "Foot": "feet"}  # fmt: skip

Parts = tuple[str, ...]
"""Some parts of a limb, from the body outward, without their side."""


@dataclass(frozen=True)
class _Exchange:
    """An exchange: the pairs that it may be, why, and by how many degrees joints are off."""

    tied: Sequence[Parts]
    why: str
    off_deg: float


def swapped_pairs(motion: Motion, body: BodyMap) -> list[Finding]:
    """Findings of kind "swapped": at most one of the arms and one of the legs."""
    step = max(len(motion) // _MAX_LOOKED_FRAMES, 1)
    looked = limb_frames(motion.sampled(np.arange(0, len(motion), step, dtype=np.float64), motion.rate), body)
    still = motion.skeleton.reference_rotation[None]
    rest = limb_frames(Motion(motion.skeleton, motion.rate, still, np.zeros((1, 3))), body)
    arms = _find_by_joints(looked, rest, ARM) if _has_limb(looked, ARM) else None
    legs = None
    if _has_limb(looked, LEG):
        walk = _Walk.of(motion, body, rest)
        walk = walk.with_exchanged(arms.tied[0]) if arms else walk
        legs = _find_by_joints(looked, rest, LEG)
        legs = replace(legs, tied=walk.keep_standing(legs.tied)) if legs else walk.find_exchanged_legs()
        walk = walk.with_exchanged(legs.tied[0]) if legs else walk
        arms = arms or walk.find_exchanged_arms()
    out = []
    for exchange in (arms, legs):
        if exchange:
            joint = motion.skeleton.names[body.require(f"left{exchange.tied[0][0]}")]
            pairs = ", or ".join(map(_name_parts, exchange.tied))
            text = f"the sensors of both {pairs} seem exchanged: {exchange.why}"
            out.append(Finding("swapped", joint, 0, len(motion), exchange.off_deg, "deg", False, text))
    return out


def _has_limb(frames: Frames, limb: Parts) -> bool:
    return all(side + part in frames for side in SIDES for part in limb)


def _name_parts(parts: Parts) -> str:
    if parts in (ARM, LEG):
        return "whole arms" if parts == ARM else "whole legs"
    return " and ".join(_WORDS[part] for part in parts)


def _find_by_joints(frames: Frames, rest: Frames, limb: Parts) -> _Exchange | None:
    """The exchange of pairs of a limb without which its joints bend as joints do."""
    known: Known = {}
    own = misfit_deg(frames, limb, known)
    others = [_exchange_sides(frames, rest, pose, limb) for pose in _calibration_poses(limb)]
    tried: dict[Parts, float] = {}
    for count in range(1, len(limb) + 1):
        for parts in combinations(limb, count):
            chosen = [side + part for side in SIDES for part in parts]
            mixed = [{**frames, **{name: other[name] for name in chosen}} for other in others]
            tried[parts] = min(misfit_deg(one, limb, known) for one in mixed)
    least = min(tried.values())
    if own - least < _MIN_MISFIT_DEG or least > _MAX_REMAINING_SHARE * own:
        return None
    tied = [parts for parts, misfit in tried.items() if misfit <= least + _MAX_TIE_DEG]
    why = f"the joints bend {own:.0f} degrees too far on average, and {least:.0f} with left for right"
    return _Exchange(tied, why, own)


def _calibration_poses(parts: Parts) -> Parts:
    """The poses in which a body may have stood when its suit was calibrated, by name."""
    return ("straight", "rest", "hanging") if parts[0] in ARM else ("straight", "rest")


def _exchange_sides(frames: Frames, rest: Frames, pose: str, parts: Parts) -> dict[str, Array]:
    """The frames (F, 4) that the sensors of some pairs would have said on the other side.

    A sensor says how it turned since the suit was calibrated: the body stood straight then, or as the rig
    rests, with arms held sideways or hanging.
    """
    out = {}
    for part in parts:
        left, right = f"left{part}", f"right{part}"
        over = quat.IDENTITY
        if pose == "rest":
            over = quat.mul(quat.inv(rest[right]), rest[left])
        elif pose == "hanging":
            over = quat.mul(quat.inv(_HANGING["right"]), _HANGING["left"])
        out[left] = quat.mul(frames[right], over)
        out[right] = quat.mul(frames[left], quat.inv(over))
    return out


@dataclass(frozen=True)
class _Walk:
    """A take at the pace of steps: its frames, those at rest, its legs and its rate."""

    frames: Frames
    rest: Frames
    sizes: LegSizes
    rate: float

    @classmethod
    def of(cls, motion: Motion, body: BodyMap, rest: Frames) -> _Walk:
        slow = thin_frames(motion)
        return cls(limb_frames(slow, body), rest, leg_sizes(motion.skeleton, body), slow.rate)

    @cached_property
    def sides(self) -> Sides:
        return sides(self.frames, self.sizes, self.rate)

    def with_exchanged(self, parts: Parts) -> _Walk:
        """The same take with some pairs of sensors exchanged."""
        limb = ARM if parts[0] in ARM else LEG
        mixed = [
            {**self.frames, **_exchange_sides(self.frames, self.rest, pose, parts)}
            for pose in _calibration_poses(parts)
        ]
        known: Known = {}
        best = min(mixed, key=lambda one: misfit_deg(one, limb, known))
        return _Walk(best, self.rest, self.sizes, self.rate)

    def find_exchanged_legs(self) -> _Exchange | None:
        """Whole legs that stand and step on the wrong sides."""
        if not len(self.frames["hips"]):
            return None
        other = self.with_exchanged(LEG)
        why = self.sides.explain_legs(other.sides)
        return _Exchange([LEG], why, self._off_deg(other, LEG)) if why else None

    def find_exchanged_arms(self) -> _Exchange | None:
        """Whole arms that swing with the leg of their own side."""
        if not _has_limb(self.frames, ARM):
            return None
        why = self.sides.explain_arms()
        return _Exchange([ARM], why, self._off_deg(self.with_exchanged(ARM), ARM)) if why else None

    def keep_standing(self, tied: Sequence[Parts]) -> Sequence[Parts]:
        """Of exchanges that a leg's joints fit alike, those that leave legs on their sides."""
        if len(tied) < 2:
            return tied
        return [parts for parts in tied if not self.with_exchanged(parts).find_exchanged_legs()] or tied

    def _off_deg(self, other: _Walk, limb: Parts) -> float:
        """Degrees between a limb's bones here and there, mean over frames."""
        names = [side + part for side in SIDES for part in limb]
        off = [quat.angle_between(self.frames[name], other.frames[name]) for name in names]
        return float(np.degrees(np.mean(off)))
