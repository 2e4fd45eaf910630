"""Presets of chains: how a tail, an ear, hair or a strap swings, whatever its size.

A preset says how often a bone alone swings in a second, how fast that dies away, and how much of the earth's
gravity pulls it; the numbers of VRMC_springBone follow from these and from the bone's length. A step takes a
small swing x of a bone to ((1 + k) x - k x') / (1 + p), where x' is the swing a step before, k the share of
the speed that stays, and p the pull of stiffness over the bone's length (the length is put right after each
pull, which is where 1 + p comes from). Its poles are those of a damped swing where k and p are as below.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np

from ..base.errors import InputError
from ..feet.flights import GRAVITY_M_S2
from .springs import STEP_S, SpringChain, SpringJoint


@dataclass(frozen=True)
class SpringPreset:
    """How one bone swings.

    Attributes:
        swing_hz: swings a second of a bone alone, without gravity.
        damping: 0 swings for ever, 1 comes back without swinging over.
        gravity: share of the earth's gravity that the rest pose does not show already.
        radius: of the ball at its end, as a share of the bone's length.
    """

    swing_hz: float
    damping: float
    gravity: float
    radius: float


# Chosen by eye on the courier's walk, turns and blows, as what animators call overlapping action. After a
# turn of 30 degrees that stops, a tail of five bones is within a twentieth of its swing after 1.9 s and an
# ear of two after 0.5 (springs_table.py). A strap is a rope: the earth's gravity pulls it, and it hardly
# remembers its shape.
PRESETS: Mapping[str, SpringPreset] = {
    "tail": SpringPreset(swing_hz=2.0, damping=0.45, gravity=0.0, radius=0.25),
    "ears": SpringPreset(swing_hz=4.5, damping=0.35, gravity=0.0, radius=0.2),
    "hair": SpringPreset(swing_hz=1.8, damping=0.5, gravity=0.25, radius=0.2),
    "strap": SpringPreset(swing_hz=0.6, damping=0.9, gravity=1.0, radius=0.1),
}


def with_preset(chain: SpringChain, name: str) -> SpringChain:
    """A chain with a preset's numbers for each of its bones.

    Raises:
        InputError: there is no such preset.
    """
    if name not in PRESETS:
        raise InputError(f"chain {chain.name!r}: no preset {name!r}; there are: {', '.join(PRESETS)}")
    preset = PRESETS[name]
    return replace(chain, joints=tuple(_with_numbers(one, preset) for one in chain.joints))


def _with_numbers(one: SpringJoint, preset: SpringPreset) -> SpringJoint:
    turn = 2 * np.pi * preset.swing_hz * STEP_S
    shrink = np.exp(-preset.damping * turn)
    product, total = shrink**2, 2 * shrink * np.cos(turn * np.sqrt(1 - preset.damping**2))
    pull = 1 / (total - product) - 1
    return replace(
        one,
        stiffness=float(pull * one.length_m / STEP_S),
        drag=float(1 - product / (total - product)),
        gravity=preset.gravity * GRAVITY_M_S2 * STEP_S,
        radius=preset.radius * one.length_m,
    )
