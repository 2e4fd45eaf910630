"""Sensors that were exchanged left for right, told by which side's joints they fit.

Each pair is tried: if its two segments stood exchanged, how far would shoulders, elbows and wrists, or hips,
knees and ankles, be bent as no joint bends? A pair is reported when the limbs as they are bend so by far
more than with that pair exchanged. In motion that is the same on both sides nothing can be told.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from . import quat
from .body_map import BodyMap
from .body_parts import SIDES
from .checks import Array
from .health_findings import Finding
from .health_joints import ARM, FRONT, LEFT, LEG, UP, Frames, arcsin_deg, limb_frames, spin_deg, turn_in
from .motion import Motion

_FRAMES = 1500  # that are looked at, evenly over the take
_LEAST_DEG = 1.5  # mean misfit of a joint that counts
_SHARE = 0.3  # of the misfit may be left with the pair exchanged
_TIED_DEG = 0.3  # two exchanges that explain a take so nearly alike are both named
_CAPPED_DEG = 60.0  # so that one wild frame is no evidence
_HANGING = {"left": quat.from_axis_angle(FRONT, -np.pi / 2), "right": quat.from_axis_angle(FRONT, np.pi / 2)}
_WORDS = {"UpperArm": "upper arms", "LowerArm": "forearms", "Hand": "hands", "UpperLeg": "thighs",
          "LowerLeg": "shins", "Foot": "feet"}  # fmt: skip


def swapped_pairs(motion: Motion, body: BodyMap) -> list[Finding]:
    """Findings of kind "swapped": at most one pair of the arms and one of the legs."""
    step = max(len(motion) // _FRAMES, 1)
    frames = limb_frames(motion.sampled(np.arange(0, len(motion), step, dtype=np.float64), motion.rate), body)
    skeleton = motion.skeleton
    rest = limb_frames(Motion(skeleton, motion.rate, skeleton.rest_rotation[None], np.zeros((1, 3))), body)
    out = []
    for limb in (ARM, LEG):
        if any(side + part not in frames for side in SIDES for part in limb):
            continue
        own = _misfit(frames, limb)
        tried: dict[str, float] = {}
        for part, crossed in _crossings(frames, rest, limb):
            tried[part] = min(_misfit(crossed, limb), tried.get(part, np.inf))
        best = min(tried, key=lambda part: tried[part])
        if own - tried[best] < _LEAST_DEG or tried[best] > _SHARE * own:
            continue
        names = [_WORDS[part] for part in tried if tried[part] <= tried[best] + _TIED_DEG]
        text = (
            f"the sensors of both {' or '.join(names)} seem exchanged: the joints bend {own:.0f} degrees too "
            f"far on average, and {tried[best]:.0f} with left for right"
        )
        joint = skeleton.names[body.require(f"left{best}")]
        out.append(Finding("swapped", joint, 0, len(motion), own, "deg", False, text))
    return out


def _crossings(frames: Frames, rest: Frames, limb: tuple[str, ...]) -> Iterator[tuple[str, dict[str, Array]]]:
    """Each part of a limb, and the frames that its two sensors would have said on the other side.

    A sensor says how it turned since the suit was calibrated: the body stood straight then, or as the rig
    rests, with arms held sideways or hanging.
    """
    for part in limb:
        left, right = f"left{part}", f"right{part}"
        posed = [quat.IDENTITY, quat.mul(quat.inv(rest[right]), rest[left])]
        if limb is ARM:
            posed.append(quat.mul(quat.inv(_HANGING["right"]), _HANGING["left"]))
        for over in posed:
            crossed = {left: quat.mul(frames[right], over), right: quat.mul(frames[left], quat.inv(over))}
            yield part, {**frames, **crossed}


def _misfit(frames: Frames, limb: tuple[str, ...]) -> float:
    """Degrees, mean over frames and sides, by which a limb's joints are bent as no joint bends."""
    judge = _arm_misfit if limb is ARM else _leg_misfit
    return float(np.mean([judge(frames, side) for side in SIDES]))


# The limits below are wider than any norm: what lies beyond is not stiff or supple but another bone's turn.
def _arm_misfit(frames: Frames, side: str) -> Array:
    upper, lower, hand = (side + part for part in ARM)
    turn = turn_in(frames, "trunk", upper)
    arm = quat.rotate(turn, LEFT)
    through = np.where(arm[:, 1] > -0.3, _over(arcsin_deg(-arm[:, 0]), 20), 0.0)  # into the ribs
    bad = through + _over(arcsin_deg(arm[:, 1]), 65) + _over(spin_deg(turn, LEFT), 110)
    turn = turn_in(frames, upper, lower)
    forearm = quat.rotate(turn, LEFT)
    bad += _over(np.abs(arcsin_deg(forearm[:, 2])), 20) + _over(arcsin_deg(forearm[:, 1]), 10)
    bad += _over(np.degrees(np.arctan2(-forearm[:, 1], forearm[:, 0])), 160) + _over(
        spin_deg(turn, LEFT), 100
    )
    palm = quat.rotate(turn_in(frames, lower, hand), LEFT)
    return bad + _over(90 - arcsin_deg(palm[:, 0]), 85)


def _leg_misfit(frames: Frames, side: str) -> Array:
    upper, lower, foot = (side + part for part in LEG)
    turn = turn_in(frames, "hips", upper)
    thigh = quat.rotate(turn, -UP)
    bad = (
        _over(arcsin_deg(thigh[:, 1]), 45)
        + _over(arcsin_deg(-thigh[:, 0]), 40)
        + _over(spin_deg(turn, -UP), 60)
    )
    turn = turn_in(frames, upper, lower)
    shin = quat.rotate(turn, -UP)
    bad += _over(np.abs(arcsin_deg(shin[:, 0])), 10) + _over(arcsin_deg(-shin[:, 1]), 8)
    bad += _over(spin_deg(turn, -UP), 25)
    turn = turn_in(frames, lower, foot)
    toes, inner = quat.rotate(turn, FRONT), quat.rotate(turn, LEFT)
    bad += _over(arcsin_deg(toes[:, 2]), 35) + _over(arcsin_deg(-toes[:, 2]), 65)
    return bad + _over(np.abs(arcsin_deg(toes[:, 0])), 30) + _over(np.abs(arcsin_deg(inner[:, 2])), 35)


def _over(degrees: Array, limit: float) -> Array:
    return np.clip(degrees - limit, 0.0, _CAPPED_DEG)
