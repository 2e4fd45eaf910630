"""Fidgets: small movements beside calm stretches that begin and end in the idle's pose, as one-shots."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from ..base.checks import Index
from ..body import body_map
from ..body.body_map import BodyMap, leg_length
from ..body.motion import Motion
from ..clip.clouds import main_joints, positions_at
from ..cuts.cuts import Cut
from ..maths import filters

# What a fidget is, chosen by eye: longer ones are actions of their own, and who goes away or turns does not
# fidget.
_MIN_FIDGET_S, _MAX_FIDGET_S = 0.5, 12.0
_MAX_AWAY_LEGS, _MAX_TURN_RAD = 0.35, np.radians(30.0)
# Shorter than this is a sensor's jump, no movement: without it less than a share of the movement, and of a
# leg, is left; a turn counts at a lever (chosen by eye).
_JUMP_S, _LASTING_SHARE, _MIN_LASTING_LEGS, _TURN_LEVER_M = 0.15, 0.5, 0.06, 0.1
_LEAD_S = 0.3  # of calm before and after, in which it goes over from the idle and back
# Kinds of cuts that a fidget can be part of; the others are what the take was recorded for.
_FIDGETS = ("idle", "gesture", "other")
_ARMS = ("Shoulder", "UpperArm", "LowerArm", "Hand")


@dataclass(frozen=True)
class Fidget:
    """A movement [start, stop) of a take.

    Attributes:
        start, stop: its frames, with a little calm at both ends.
        kind: "gesture" where the arms do it, else "other".
    """

    start: int
    stop: int
    kind: str


def find_fidgets(
    motion: Motion, body: BodyMap, calm: Sequence[tuple[int, int]], cuts: Sequence[Cut]
) -> tuple[Fidget, ...]:
    """The fidgets of a take between calm stretches [start, stop), in order of time.

    They are short, stay in place and are no action: no suggested cut of another kind than idle, gesture or
    other has a frame of them.
    """
    rate, leg = motion.rate, leg_length(motion.skeleton, body)
    lead = round(_LEAD_S * rate)
    taken = np.zeros(len(motion), bool)
    for cut in cuts:
        if cut.kind not in _FIDGETS:
            taken[cut.start : cut.stop] = True
    out = []
    for (_, start), (stop, _) in pairwise(sorted(calm)):
        if not _MIN_FIDGET_S * rate <= stop - start <= _MAX_FIDGET_S * rate or taken[start:stop].any():
            continue
        part = motion.slice(start, stop)
        hips = positions_at(part, np.arange(len(part)), np.array([body.require("hips")]))[:, 0, :2]
        turn = np.ptp(np.unwrap(body_map.heading(part, body)))
        away = np.linalg.norm(hips - hips[0], axis=-1).max()
        ends = np.linalg.norm(hips[-1] - hips[0])
        if not _lasts(part, body, leg):
            continue
        if away <= _MAX_AWAY_LEGS * leg and ends <= _MAX_AWAY_LEGS * leg / 4 and turn <= _MAX_TURN_RAD:
            first, last = max(0, start - lead), min(len(motion), stop + lead)
            out.append(Fidget(first, last, _kind_of(part, body)))
    return tuple(out)


def _lasts(part: Motion, body: BodyMap, leg: float) -> bool:
    """Whether a movement is more than jumps of a sensor, as takes hold them that are not repaired."""
    joints = main_joints(body)
    places = positions_at(part, np.arange(len(part)), joints)
    places = places - places[:, :1]
    # A unit quaternion changes by half of the angle.
    turns = 2 * _TURN_LEVER_M * part.rotations[:, joints]
    values = np.concatenate([places, turns], axis=-1)
    half = max(round(_JUMP_S * part.rate), 1)
    ways = [
        float(np.linalg.norm(one - values[0], axis=-1).max())
        for one in (filters.moving_median(values, half), values)
    ]
    return ways[0] >= min(_LASTING_SHARE * ways[1], _MIN_LASTING_LEGS * leg)


def _kind_of(part: Motion, body: BodyMap) -> str:
    """Whether arms do most of it."""
    joints = main_joints(body)
    places = positions_at(part, np.arange(len(part)), joints)
    places = places - places[:, :1]
    spread = np.linalg.norm(places - places[:1], axis=-1).max(axis=0)
    arms = _columns(body, joints, arms=True)
    rest = _columns(body, joints, arms=False)
    return "gesture" if len(arms) and spread[arms].max() > 2 * spread[rest].max() else "other"


def _columns(body: BodyMap, joints: Index, arms: bool) -> Index:
    parts = {joint: part for part, joint in body.joints.items()}
    return np.flatnonzero([parts[int(joint)].endswith(_ARMS) == arms for joint in joints])
