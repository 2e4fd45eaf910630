"""How far limbs are bent as no joint bends."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from ..base.checks import Array
from ..body.body_parts import SIDES
from ..maths import quat
from .limb_frames import ARM, FRONT, LEFT, LEG, UP, Frames, arcsin_deg, spin_deg, turn_in

_CAPPED_DEG = 60.0  # so that one wild frame is no evidence


Known = dict[tuple[str, int, int], tuple[Array, ...]]
"""Misfits of joints that were looked at: by the part below, and the identity of the two parts' frames."""


def misfit_deg(frames: Frames, limb: tuple[str, ...], known: Known | None = None) -> float:
    """Degrees, mean over frames and sides, by which a limb's joints are bent as no joint bends.

    Who asks about many mixtures of the same frames (F, 4), and keeps those alive, gives one `known` to all
    calls: each pair of parts is then looked at once.
    """
    return float(
        np.mean([_limb_misfit(frames, limb, side, {} if known is None else known) for side in SIDES])
    )


def _limb_misfit(frames: Frames, limb: tuple[str, ...], side: str, known: Known) -> Array:
    """Degrees (F,), all joints of a limb added up from the body outward."""
    above, total = ("trunk" if limb is ARM else "hips"), None
    for part in limb:
        below = side + part
        key = below, id(frames[above]), id(frames[below])
        if key not in known:
            known[key] = _JUDGES[part](turn_in(frames, above, below))
        for degrees in known[key]:
            total = degrees if total is None else total + degrees
        above = below
    assert total is not None
    return total


# The limits below are wider than any norm: what lies beyond is not stiff or supple but another bone's turn.
def _judge_shoulder(turn: Array) -> tuple[Array, ...]:
    arm = quat.rotate(turn, LEFT)
    through = np.where(arm[:, 1] > -0.3, _over(arcsin_deg(-arm[:, 0]), 20), 0.0)  # into the ribs
    return (through + _over(arcsin_deg(arm[:, 1]), 65) + _over(spin_deg(turn, LEFT), 110),)


def _judge_elbow(turn: Array) -> tuple[Array, ...]:
    forearm = quat.rotate(turn, LEFT)
    bend = np.degrees(np.arctan2(-forearm[:, 1], forearm[:, 0]))
    return (
        _over(np.abs(arcsin_deg(forearm[:, 2])), 20) + _over(arcsin_deg(forearm[:, 1]), 10),
        _over(bend, 160) + _over(spin_deg(turn, LEFT), 100),
    )


def _judge_wrist(turn: Array) -> tuple[Array, ...]:
    palm = quat.rotate(turn, LEFT)
    return (_over(90 - arcsin_deg(palm[:, 0]), 85),)


def _judge_hip(turn: Array) -> tuple[Array, ...]:
    thigh = quat.rotate(turn, -UP)
    return (
        _over(arcsin_deg(thigh[:, 1]), 45)
        + _over(arcsin_deg(-thigh[:, 0]), 40)
        + _over(spin_deg(turn, -UP), 60),
    )


def _judge_knee(turn: Array) -> tuple[Array, ...]:
    shin = quat.rotate(turn, -UP)
    return (
        _over(np.abs(arcsin_deg(shin[:, 0])), 10) + _over(arcsin_deg(-shin[:, 1]), 8),
        _over(spin_deg(turn, -UP), 25),
    )


def _judge_ankle(turn: Array) -> tuple[Array, ...]:
    toes, inner = quat.rotate(turn, FRONT), quat.rotate(turn, LEFT)
    return (
        _over(arcsin_deg(toes[:, 2]), 35) + _over(arcsin_deg(-toes[:, 2]), 65),
        _over(np.abs(arcsin_deg(toes[:, 0])), 30),
        _over(np.abs(arcsin_deg(inner[:, 2])), 35),
    )


_JUDGES: dict[str, Callable[[Array], tuple[Array, ...]]] = dict(
    zip(
        (*ARM, *LEG),
        (_judge_shoulder, _judge_elbow, _judge_wrist, _judge_hip, _judge_knee, _judge_ankle),
        strict=True,
    )
)
"""By the part below a joint, degrees (F,) too far, in parts, of its turn (F, 4) against the part above."""


def _over(degrees: Array, limit: float) -> Array:
    return np.clip(degrees - limit, 0.0, _CAPPED_DEG)
