"""Sensors that were exchanged left for right, told by which side's joints they fit.

Any pairs of the arms or of the legs are tried together, whole limbs too: if their segments stood exchanged,
how far would shoulders, elbows and wrists, or hips, knees and ankles, be bent as no joint bends? Pairs are
reported when the limbs as they are bend so by far more than with those exchanged. Whole legs bend well on
either side: how they lie to each other and step tells then (health_sides). In motion that is the same on both
sides nothing can be told.
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
from .sides import LegSizes, Sides, leg_sizes, sides, thinned

_FRAMES = 1500  # in which joints are looked at, evenly over the take
_LEAST_DEG = 1.5  # mean misfit of a joint that counts
_SHARE = 0.3  # of the misfit may be left with the pairs exchanged
_TIED_DEG = 0.3  # exchanges that explain a take so nearly alike are all named
_HANGING = {"left": quat.from_axis_angle(FRONT, -np.pi / 2), "right": quat.from_axis_angle(FRONT, np.pi / 2)}
_WORDS = {"UpperArm": "upper arms", "LowerArm": "forearms", "Hand": "hands", "UpperLeg": "thighs",
          "LowerLeg": "shins", "Foot": "feet"}  # fmt: skip

Parts = tuple[str, ...]
"""Some parts of a limb, from the body outward, without their side."""


@dataclass(frozen=True)
class _Told:
    """An exchange: the pairs that it may be, why, and by how many degrees joints are off."""

    tied: Sequence[Parts]
    why: str
    off_deg: float


def swapped_pairs(motion: Motion, body: BodyMap) -> list[Finding]:
    """Findings of kind "swapped": at most one of the arms and one of the legs."""
    step = max(len(motion) // _FRAMES, 1)
    looked = limb_frames(motion.sampled(np.arange(0, len(motion), step, dtype=np.float64), motion.rate), body)
    still = motion.skeleton.reference_rotation[None]
    rest = limb_frames(Motion(motion.skeleton, motion.rate, still, np.zeros((1, 3))), body)
    arms = _by_joints(looked, rest, ARM) if _has(looked, ARM) else None
    legs = None
    if _has(looked, LEG):
        walk = _Walk.of(motion, body, rest)
        walk = walk.put_right(arms.tied[0]) if arms else walk
        legs = _by_joints(looked, rest, LEG)
        legs = replace(legs, tied=walk.standing_right(legs.tied)) if legs else walk.legs()
        walk = walk.put_right(legs.tied[0]) if legs else walk
        arms = arms or walk.arms()
    out = []
    for told in (arms, legs):
        if told:
            joint = motion.skeleton.names[body.require(f"left{told.tied[0][0]}")]
            text = f"the sensors of both {', or '.join(map(_named, told.tied))} seem exchanged: {told.why}"
            out.append(Finding("swapped", joint, 0, len(motion), told.off_deg, "deg", False, text))
    return out


def _has(frames: Frames, limb: Parts) -> bool:
    return all(side + part in frames for side in SIDES for part in limb)


def _named(parts: Parts) -> str:
    if parts in (ARM, LEG):
        return "whole arms" if parts == ARM else "whole legs"
    return " and ".join(_WORDS[part] for part in parts)


def _by_joints(frames: Frames, rest: Frames, limb: Parts) -> _Told | None:
    """The exchange of pairs of a limb without which its joints bend as joints do."""
    known: Known = {}
    own = misfit_deg(frames, limb, known)
    others = [_other_side(frames, rest, held, limb) for held in _held(limb)]
    tried: dict[Parts, float] = {}
    for count in range(1, len(limb) + 1):
        for parts in combinations(limb, count):
            chosen = [side + part for side in SIDES for part in parts]
            mixed = [{**frames, **{name: other[name] for name in chosen}} for other in others]
            tried[parts] = min(misfit_deg(one, limb, known) for one in mixed)
    least = min(tried.values())
    if own - least < _LEAST_DEG or least > _SHARE * own:
        return None
    tied = [parts for parts, misfit in tried.items() if misfit <= least + _TIED_DEG]
    why = f"the joints bend {own:.0f} degrees too far on average, and {least:.0f} with left for right"
    return _Told(tied, why, own)


def _held(parts: Parts) -> Parts:
    """How a body may have stood when its suit was calibrated."""
    return ("straight", "rest", "hanging") if parts[0] in ARM else ("straight", "rest")


def _other_side(frames: Frames, rest: Frames, held: str, parts: Parts) -> dict[str, Array]:
    """The frames (F, 4) that the sensors of some pairs would have said on the other side.

    A sensor says how it turned since the suit was calibrated: the body stood straight then, or as the rig
    rests, with arms held sideways or hanging.
    """
    out = {}
    for part in parts:
        left, right = f"left{part}", f"right{part}"
        over = quat.IDENTITY
        if held == "rest":
            over = quat.mul(quat.inv(rest[right]), rest[left])
        elif held == "hanging":
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
        slow = thinned(motion)
        return cls(limb_frames(slow, body), rest, leg_sizes(motion.skeleton, body), slow.rate)

    @cached_property
    def sides(self) -> Sides:
        return sides(self.frames, self.sizes, self.rate)

    def put_right(self, parts: Parts) -> _Walk:
        """The same with some pairs exchanged."""
        limb = ARM if parts[0] in ARM else LEG
        mixed = [{**self.frames, **_other_side(self.frames, self.rest, held, parts)} for held in _held(parts)]
        known: Known = {}
        best = min(mixed, key=lambda one: misfit_deg(one, limb, known))
        return _Walk(best, self.rest, self.sizes, self.rate)

    def legs(self) -> _Told | None:
        """Whole legs that stand and step on the wrong sides."""
        if not len(self.frames["hips"]):
            return None
        other = self.put_right(LEG)
        why = self.sides.legs_wrong(other.sides)
        return _Told([LEG], why, self._off_deg(other, LEG)) if why else None

    def arms(self) -> _Told | None:
        """Whole arms that swing with the leg of their own side."""
        if not _has(self.frames, ARM):
            return None
        why = self.sides.arms_wrong()
        return _Told([ARM], why, self._off_deg(self.put_right(ARM), ARM)) if why else None

    def standing_right(self, tied: Sequence[Parts]) -> Sequence[Parts]:
        """Of exchanges that a leg's joints cannot tell apart, those that leave legs on their sides."""
        if len(tied) < 2:
            return tied
        return [parts for parts in tied if not self.put_right(parts).legs()] or tied

    def _off_deg(self, other: _Walk, limb: Parts) -> float:
        """Degrees between a limb's bones here and there, mean over frames."""
        names = [side + part for side in SIDES for part in limb]
        off = [quat.angle_between(self.frames[name], other.frames[name]) for name in names]
        return float(np.degrees(np.mean(off)))
