"""How far limbs are bent as no joint bends."""

from __future__ import annotations

import numpy as np

from ..base.checks import Array
from ..body.body_parts import SIDES
from ..maths import quat
from .limb_frames import ARM, FRONT, LEFT, LEG, UP, Frames, arcsin_deg, spin_deg, turn_in

_CAPPED_DEG = 60.0  # so that one wild frame is no evidence


def misfit_deg(frames: Frames, limb: tuple[str, ...]) -> float:
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
