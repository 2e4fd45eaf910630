"""How far limbs are bent as no joint bends."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from ..base.checks import Array
from ..body.body_parts import SIDES
from ..maths import quat
from .limb_frames import ARM, FRONT, LEFT, LEG, UP, Frames, arcsin_deg, spin_deg, turn_in

_MAX_FRAME_MISFIT_DEG = 60.0  # so that one wild frame proves nothing (chosen by eye)


Known = dict[tuple[str, int, int], tuple[Array, ...]]
"""Misfits of joints that were looked at: by the part below, and the identity of the two parts' frames."""


def misfit_deg(frames: Frames, limb: tuple[str, ...], known: Known | None = None) -> float:
    """Degrees, mean over frames and sides, by which a limb's joints are bent as no joint bends.

    A caller that asks about many mixtures of the same frames (F, 4), and keeps those arrays alive, gives one
    `known` to all calls: each pair of parts is then looked at once.
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


# Limits in degrees, wider than the norms of joint_limits.py, so that what exceeds them is no supple joint but
# another bone's turn; how much wider was chosen by eye.
def _judge_shoulder(turn: Array) -> tuple[Array, ...]:
    arm = quat.rotate(turn, LEFT)
    through = np.where(arm[:, 1] > -0.3, _excess(arcsin_deg(-arm[:, 0]), 20), 0.0)  # into the ribs
    return (through + _excess(arcsin_deg(arm[:, 1]), 65) + _excess(spin_deg(turn, LEFT), 110),)


def _judge_elbow(turn: Array) -> tuple[Array, ...]:
    forearm = quat.rotate(turn, LEFT)
    bend = np.degrees(np.arctan2(-forearm[:, 1], forearm[:, 0]))
    return (
        _excess(np.abs(arcsin_deg(forearm[:, 2])), 20) + _excess(arcsin_deg(forearm[:, 1]), 10),
        _excess(bend, 160) + _excess(spin_deg(turn, LEFT), 100),
    )


def _judge_wrist(turn: Array) -> tuple[Array, ...]:
    palm = quat.rotate(turn, LEFT)
    return (_excess(90 - arcsin_deg(palm[:, 0]), 85),)


def _judge_hip(turn: Array) -> tuple[Array, ...]:
    thigh = quat.rotate(turn, -UP)
    return (
        _excess(arcsin_deg(thigh[:, 1]), 45)
        + _excess(arcsin_deg(-thigh[:, 0]), 40)
        + _excess(spin_deg(turn, -UP), 60),
    )


def _judge_knee(turn: Array) -> tuple[Array, ...]:
    shin = quat.rotate(turn, -UP)
    return (
        _excess(np.abs(arcsin_deg(shin[:, 0])), 10) + _excess(arcsin_deg(-shin[:, 1]), 8),
        _excess(spin_deg(turn, -UP), 25),
    )


def _judge_ankle(turn: Array) -> tuple[Array, ...]:
    toes, inner = quat.rotate(turn, FRONT), quat.rotate(turn, LEFT)
    return (
        _excess(arcsin_deg(toes[:, 2]), 35) + _excess(arcsin_deg(-toes[:, 2]), 65),
        _excess(np.abs(arcsin_deg(toes[:, 0])), 30),
        _excess(np.abs(arcsin_deg(inner[:, 2])), 35),
    )


_JUDGES: dict[str, Callable[[Array], tuple[Array, ...]]] = dict(
    zip(
        (*ARM, *LEG),
        (_judge_shoulder, _judge_elbow, _judge_wrist, _judge_hip, _judge_knee, _judge_ankle),
        strict=True,
    )
)
"""By the part below a joint, degrees (F,) too far, in parts, of its turn (F, 4) against the part above."""


def _excess(degrees: Array, limit: float) -> Array:
    return np.clip(degrees - limit, 0.0, _MAX_FRAME_MISFIT_DEG)
