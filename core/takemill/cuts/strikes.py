"""Strikes of hands and feet: a limb that is thrown out to its reach and stops there sharply."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from ..base.checks import Array
from ..maths import series
from .action_signals import Signals, smooth

# Chosen on labelled takes (tests/benchmarks/cuts_table.py, seeds below 100), beside gestures, walks, dances.
_CUTOFF_HZ = 8.0
_MIN_THRUST = {"Hand": 3.2, "Foot": 2.3}  # how fast the reach grows: arm or leg lengths a second
_MIN_REACH = {"Hand": 0.7, "Foot": 0.88}  # at the stop, of the limb's length: the arm of a hook stays bent
_THRUST_SHARE = 0.4  # of a hand's speed: punches have 0.55 to 0.8, the arms of a spin 0.26
_MIN_SNAP = 4.5  # of a hand whose reach alone stops sharply; arms that a dance throws up reach 3.6
_MAX_STOP_S = 0.14  # from its fastest moment until less than two fifths of that: a wave takes 0.2
_STOP_SHARE = 0.4
# Of a swing at a nearly constant reach: so many times the least speed, stopped sooner, the body in its place.
_SWING_TIMES, _MAX_SWING_STOP_S = 1.6, 0.105
_SWING_TURNING_RAD_S, _SWING_TRAVEL = 1.5, 0.6
_MIN_KICK_HEIGHT_LEGS = 0.4  # of the ankle: a run throws its feet out below 0.3
_MIN_HAND_HEIGHT_ARMS = -0.85  # from the shoulder: arms that are let down are no strike
_LOOK_S = 0.2  # how far after its fastest moment a strike may stop
_SAME_LIMB_S = 0.3  # of strikes of one limb that are nearer together, the fastest counts
# Cosine of the trunk's tilt, and height of the hips: who lies or stands on the hands strikes nothing; a high
# kick leans the trunk till it is level.
_MIN_UPRIGHT, _MIN_HIPS_LEGS = -0.2, 0.6
_LEAD_S, _LEAD_SHARE = 0.35, 0.75  # the leg that swings up before a jumped kick is none
_UPPER, _HOOK = 0.75, 0.6  # share of a blow that goes up, or aside


@dataclass(frozen=True)
class Strike:
    """One blow of one limb.

    Attributes:
        limb: "leftHand", "rightHand", "leftFoot" or "rightFoot".
        frame: of the signals, where it stops at its reach.
        speed: at its fastest, limb lengths a second.
        stop_s: in which it stops.
        shape: "straight", "hook", "upper" or "kick".
    """

    limb: str
    frame: int
    speed: float
    stop_s: float
    shape: str


def find_strikes(
    signals: Signals, upright: Array, hand_speed: float, foot_speed: float
) -> tuple[Strike, ...]:
    """All strikes of a take, in order of time.

    Args:
        signals: of N frames.
        upright: cosine (N,) of the trunk's tilt.
        hand_speed: least speed of a hand against its shoulder, arm lengths a second.
        foot_speed: of a foot against the hips, leg lengths a second.
    """
    found: list[Strike] = []
    for side in ("left", "right"):
        for end, origin, least in (("Hand", f"{side}UpperArm", hand_speed), ("Foot", "hips", foot_speed)):
            if side + end in signals.columns and origin in signals.columns:
                found += _strikes_of(signals, side + end, origin, least, upright)
    near = signals.frames(_LEAD_S)
    kept = [
        one
        for one in found
        if not any(
            one.shape == other.shape == "kick"
            and abs(one.frame - other.frame) < near
            and one.speed < _LEAD_SHARE * other.speed
            for other in found
        )
    ]
    return tuple(sorted(kept, key=lambda one: (one.frame, one.limb)))


@dataclass(frozen=True)
class _Path:
    """How a limb moves, seen from its origin as the body faces, in limb lengths: (N, 3) and (N,) each."""

    away: Array
    speed: Array
    reach: Array
    thrust: Array  # how fast the reach grows


def _path_of(signals: Signals, limb: str, origin: str) -> _Path:
    away = smooth(signals.seen_from(limb, origin) / _limb_length(signals, limb), signals.rate, _CUTOFF_HZ)
    speed = np.linalg.norm(series.derivative(away, signals.rate), axis=-1)
    reach = np.linalg.norm(away, axis=-1)
    return _Path(away, speed, reach, series.derivative(reach, signals.rate))


def _strikes_of(signals: Signals, limb: str, origin: str, least: float, upright: Array) -> list[Strike]:
    """The strikes of one limb: those that are thrown out, and of a hand those that swing."""
    path, look = _path_of(signals, limb, origin), signals.frames(_LOOK_S)
    steady = (upright > _MIN_UPRIGHT) & (signals.height("hips") > _MIN_HIPS_LEGS)
    found = _thrusts(signals, limb, path, least, look)
    if limb.endswith("Hand"):
        found += _swings(signals, limb, path, least, look)
    kept = [one for one in found if steady[max(0, one.frame - look // 2) : one.frame + 1].all()]
    return _apart(kept, signals.frames(_SAME_LIMB_S))


def _thrusts(signals: Signals, limb: str, path: _Path, least: float, look: int) -> list[Strike]:
    """Where a limb is thrown out to its reach and stops."""
    end, found = limb[-4:], []
    for peak in _peaks(path.thrust, _MIN_THRUST[end]):
        low = max(0, peak - look // 2)
        fastest = low + int(np.argmax(path.speed[low : peak + look // 2 + 1]))
        stop = peak + int(np.argmax(path.reach[peak : peak + look + 1]))
        # A hand that is snapped back is never slow: its reach stops growing all the same, sharply.
        snaps = end == "Hand" and path.thrust[peak] >= _MIN_SNAP
        stop_s = _fall_s(path.thrust, peak, signals) if snaps else _fall_s(path.speed, fastest, signals)
        kicks = end == "Foot"
        high = (
            signals.height(limb)[stop] > _MIN_KICK_HEIGHT_LEGS
            if kicks
            else path.away[stop, 2] > _MIN_HAND_HEIGHT_ARMS
        )
        fast = path.speed[fastest] >= least and path.reach[stop] >= _MIN_REACH[end]
        sharp = stop_s <= _MAX_STOP_S and path.thrust[peak] >= _THRUST_SHARE * path.speed[fastest]
        if fast and high and (kicks or sharp):
            way = path.away[stop] - path.away[max(0, peak - look)]
            shape = "kick" if kicks else _shape_of(way)
            found.append(Strike(limb, stop, float(path.speed[fastest]), stop_s, shape))
    return found


def _swings(signals: Signals, limb: str, path: _Path, least: float, look: int) -> list[Strike]:
    """Where an arm that keeps its length is swung, and stops still sharper; the body stays in its place.

    Arms swing in dances, spins and jumps too: there the body goes and turns.
    """
    found = []
    for peak in _peaks(path.speed, _SWING_TIMES * least):
        stop_s = _fall_s(path.speed, peak, signals)
        near = slice(max(0, peak - look), peak + look + 1)
        goes = signals.travel[near].max() > _SWING_TRAVEL
        if stop_s > _MAX_SWING_STOP_S or goes or signals.turning[near].max() > _SWING_TURNING_RAD_S:
            continue
        stop = min(peak + round(stop_s * signals.rate), len(path.speed) - 1)
        way = path.away[stop] - path.away[max(0, peak - look)]
        found.append(Strike(limb, stop, float(path.speed[peak]), stop_s, _shape_of(way)))
    return found


def _fall_s(values: Array, peak: int, signals: Signals) -> float:
    """How long it takes from a peak of values (N,) until they are less than a share of it, seconds."""
    fall = np.flatnonzero(values[peak:] < _STOP_SHARE * values[peak])
    return float(fall[0]) / signals.rate if len(fall) else np.inf


def _apart(strikes: list[Strike], frames: int) -> list[Strike]:
    """Of strikes that are nearer together than so many frames the fastest."""
    kept: list[Strike] = []
    for one in sorted(strikes, key=lambda strike: -strike.speed):
        if all(abs(one.frame - other.frame) >= frames for other in kept):
            kept.append(one)
    return kept


def _shape_of(way: Array) -> str:
    """What the path (3,) of a hand looks like, to its left, behind it and up."""
    length = float(np.linalg.norm(way)) or 1.0
    if way[2] / length > _UPPER:
        return "upper"
    return "hook" if abs(way[0]) / length > _HOOK else "straight"


def _limb_length(signals: Signals, limb: str) -> float:
    """Of an arm, from shoulder to hand; a leg's is the unit."""
    if limb.endswith("Foot"):
        return 1.0
    side = limb.removesuffix("Hand")
    chain = [signals.places[:, signals.columns[part]] for part in (side + "UpperArm", side + "LowerArm", limb)
             if part in signals.columns]  # fmt: skip
    return float(sum(np.linalg.norm(b - a, axis=-1).mean() for a, b in pairwise(chain)))


def _peaks(values: Array, least: float) -> list[int]:
    """Frames of the local maxima of values (N,) of at least so much; an end is none."""
    inner = (values[1:-1] >= least) & (values[1:-1] > values[:-2]) & (values[1:-1] >= values[2:])
    return [int(frame) + 1 for frame in np.flatnonzero(inner)]
