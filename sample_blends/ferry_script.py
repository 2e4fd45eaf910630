"""What the performer was asked to do on the marsh dock: the take's story as steps and keyed curves."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from ferry_curves import Curve
from ferry_feet import Step
from ferry_suit import OUTWARD

from takemill.base.checks import Array

STANCE_M, STRIDE_WIDTH_M = 0.095, 0.065  # half the distance between the feet, standing and walking
TOE_OUT = np.radians(6.0)

# Wrists seen from the hips: to the left, ahead, up (metres); and which way the elbow points.
_GUARD = ((0.10, 0.34, 0.44), (-0.12, 0.30, 0.42))
_ELBOW = ((0.45, -0.25, -0.85), (-0.45, -0.25, -0.85))


@dataclass(frozen=True)
class Segment:
    """A stretch of the take with its name; `facts` holds what is true of its kind alone."""

    name: str
    kind: str
    start_s: float
    end_s: float
    facts: dict[str, object] = field(default_factory=dict)


def _ahead(heading: float) -> Array:
    return np.array([np.sin(heading), -np.cos(heading)])


def _leftward(heading: float) -> Array:
    return np.array([np.cos(heading), np.sin(heading)])


class Performer:
    """Stands at the origin facing -Y; each verb below is acted from `now_s` on and ends in the calm pose."""

    def __init__(self, rng: np.random.Generator) -> None:
        self.rng = rng
        self.now_s = 0.0
        self.heading = 0.0
        self.start = tuple((out * STANCE_M, 0.0, out * TOE_OUT) for out in OUTWARD)
        self.feet = [np.array(place[:2]) for place in self.start]
        self.steps: list[Step] = []
        self.segments: list[Segment] = []
        self.crouch, self.lean, self.twist, self.pelvis_twist = Curve(0), Curve(0), Curve(0), Curve(0)
        self.shift, self.push, self.look = Curve(0), Curve(0), Curve(0, 0)
        self.reach = (Curve(0), Curve(0))
        self.wrist = tuple(Curve(*place) for place in _GUARD)
        self.elbow = tuple(Curve(*way) for way in _ELBOW)

    def stand(self, name: str, seconds: float) -> None:
        """Breathe and sway a little; an unnamed pause is no segment."""
        self._close(name, "idle", seconds)

    def shift_weight(self, name: str) -> None:
        """Rest on one leg, then on the other, looking about, and come back."""
        t = self.now_s
        self.shift.to(t + 0.3, t + 1.9, 0.062)
        self.look.to(t + 1.2, t + 2.2, 28, -3)
        self.look.to(t + 3.4, t + 4.6, -4, 4)
        self.shift.to(t + 4.0, t + 6.0, -0.060)
        self.look.to(t + 5.6, t + 6.8, -24, 0)
        self.look.to(t + 8.0, t + 9.2, 0, 0)
        self.shift.to(t + 8.2, t + 9.8, 0)
        self._close(name, "other", 10.4)

    def walk(self, name: str, cycles: int, cycle_s: float, step_m: float) -> None:
        """Set off with the right foot, walk `cycles` regular cycles, close the feet."""
        begin, count, travelled = self.now_s, 2 * cycles + 3, 0.0
        centre = (self.feet[0] + self.feet[1]) / 2
        lands: list[float] = []
        for number in range(count):
            first, last = number == 0, number == count - 1
            half = cycle_s / 2 * (1 + 0.012 * self.rng.standard_normal())
            land = begin + 1.0 if first else lands[-1] + half * (1.08 if last else 1.0)
            travelled += step_m * (0.55 if first else 0.0 if last else 1 + 0.012 * self.rng.standard_normal())
            travelled -= step_m * 0.45 if number == count - 2 else 0.0
            foot = (number + 1) % 2
            self._step(
                foot,
                land - (0.45 if first else 0.42) * cycle_s,
                land,
                centre + travelled * _ahead(self.heading),
                STANCE_M if last else STRIDE_WIDTH_M if 0 < number < count - 2 else 0.08,
                self.heading,
                peel=36 if first or last else 54,
                strike=0 if last else 12 if first or number == count - 2 else 17,
                peel_s=0.26 if first else 0.25 * cycle_s,
                settle_s=0.13,
                clear_m=0.035 if first or last else 0.045,
            )
            lands.append(land)
        # The last foot but one stands a little narrow: it stays where the walk put it.
        strikes = lands[2:-2]
        periods = np.array(strikes[2:]) - np.array(strikes[:-2])
        facts = {
            "period_s": round(float(periods.mean()), 4),
            "cycles": cycles,
            "step_m": step_m,
            "regular_s": [round(strikes[0], 4), round(strikes[-1], 4)],
        }
        self._close(name, "locomotion", lands[-1] + 0.7 - begin, **facts)

    def turn(self, name: str, angle_deg: float, count: int) -> None:
        """Turn on the spot by stepping, the inner foot first; to the left when `angle_deg` is positive."""
        begin, inner = self.now_s, 0 if angle_deg > 0 else 1
        centre = (self.feet[0] + self.feet[1]) / 2
        origin, land = self.heading, begin + 0.45
        self.look.to(begin, begin + 0.45, np.copysign(32, angle_deg), 0)
        for number in range(count):
            part = min(1.0, (number + 1) / (count - 1))
            heading, foot = origin + np.radians(angle_deg) * part, (number + inner) % 2
            width = STANCE_M if number >= count - 2 else 0.115
            land += 0.47
            self._step(foot, land - 0.36, land, centre, width, heading, 26, 0, 0.16, 0.05, clear_m=0.035)
        self.look.to(land - 0.7, land + 0.1, 0, 0)
        self.heading = origin + np.radians(angle_deg)
        self._close(name, "turn", land + 0.7 - begin, angle_deg=angle_deg)

    def duck(self, name: str) -> None:
        """Drop below a low branch with the arms up, stay, and rise."""
        t = self.now_s
        self.crouch.to(t + 0.25, t + 0.62, 0.33)
        self.lean.to(t + 0.22, t + 0.62, 40)
        self.push.to(t + 0.25, t + 0.62, -0.09)
        self.look.to(t + 0.25, t + 0.65, 6, 8)
        self._guard(t + 0.15, t + 0.70, ((0.15, 0.52, 0.58), (-0.15, 0.50, 0.60)))
        self.twist.to(t + 0.3, t + 0.7, 8)
        for side, out in enumerate(OUTWARD):
            self.elbow[side].to(t + 0.15, t + 0.40, 0.80 * out, 0.25, -0.55)
            self.elbow[side].to(t + 1.45, t + 2.30, *_ELBOW[side])
        for curve in (self.crouch, self.push, self.twist):
            curve.to(t + 1.25, t + 2.05, 0)
        self.lean.to(t + 1.3, t + 2.1, 0)
        self.look.to(t + 1.4, t + 2.2, 0, 0)
        self._lower(t + 1.45, t + 2.35)
        self._close(name, "dodge", 2.9)

    def strike_straight(self, name: str) -> None:
        """Step in with the left foot and strike straight ahead with the right hand."""
        t = self._step_in()
        self.twist.to(t, t + 0.18, -14)
        self.wrist[1].to(t, t + 0.18, -0.17, 0.20, 0.40)
        hit = t + 0.20
        self.pelvis_twist.to(hit - 0.04, hit + 0.12, 17)
        self.twist.to(hit - 0.02, hit + 0.13, 24)
        self.wrist[1].to(hit, hit + 0.14, 0.00, 0.66, 0.50)
        self.wrist[0].to(hit, hit + 0.16, 0.13, 0.24, 0.46)
        self.lean.to(hit - 0.02, hit + 0.14, 9)
        self.push.to(hit - 0.05, hit + 0.15, 0.05)
        for curve in (self.pelvis_twist, self.twist, self.lean, self.push):
            curve.to(hit + 0.30, hit + 0.72, 0)
        self._end_strike(name, 1, hit, hit + 0.14)

    def strike_hook(self, name: str) -> None:
        """Step in with the left foot and swing the left hand across."""
        t = self._step_in()
        self.twist.to(t, t + 0.22, 18)
        self.elbow[0].to(t, t + 0.22, 0.95, -0.30, -0.25)
        self.wrist[0].to(t, t + 0.22, 0.36, 0.20, 0.40)
        hit = t + 0.24
        self.pelvis_twist.to(hit - 0.05, hit + 0.15, -20)
        self.twist.to(hit - 0.02, hit + 0.16, -26)
        self.wrist[0].to(hit, hit + 0.17, -0.16, 0.46, 0.50)
        self.wrist[1].to(hit, hit + 0.17, -0.13, 0.25, 0.46)
        self.lean.to(hit - 0.02, hit + 0.16, 6)
        for curve in (self.pelvis_twist, self.twist, self.lean):
            curve.to(hit + 0.34, hit + 0.80, 0)
        self.elbow[0].to(hit + 0.34, hit + 0.80, *_ELBOW[0])
        self._end_strike(name, 0, hit, hit + 0.17)

    def _step_in(self) -> float:
        t = self.now_s
        ahead = self.feet[0] + 0.30 * _ahead(self.heading)
        self._put(0, t + 0.30, t + 0.66, ahead, self.heading, 20, 8, 0.20, 0.08)
        self.crouch.to(t + 0.25, t + 0.75, 0.05)
        self._guard(t + 0.10, t + 0.70, _GUARD)
        return t + 0.86

    def _end_strike(self, name: str, hand: int, hit_s: float, contact_s: float) -> None:
        for side in (0, 1):
            self.wrist[side].to(hit_s + 0.30, hit_s + 0.72, *_GUARD[side])
        t = hit_s + 0.95
        back = self.feet[0] - 0.30 * _ahead(self.heading)
        self._put(0, t, t + 0.40, back, self.heading, 16, 0, 0.22, 0.05)
        self.crouch.to(t - 0.1, t + 0.5, 0)
        self._lower(t - 0.05, t + 0.85)
        hand_name = ("LeftHand", "RightHand")[hand]
        self._close(name, "strike", t + 1.3 - self.now_s, hand=hand_name, contact_s=round(contact_s, 4))

    def _guard(self, start_s: float, stop_s: float, wrists: tuple[tuple[float, ...], ...]) -> None:
        for side in (0, 1):
            self.wrist[side].to(start_s, start_s, *wrists[side])
            self.reach[side].to(start_s + 0.05 * side, stop_s + 0.05 * side, 1)

    def _lower(self, start_s: float, stop_s: float) -> None:
        for side in (0, 1):
            self.reach[side].to(start_s + 0.06 * side, stop_s + 0.06 * side, 0)

    def _step(
        self, foot: int, lift: float, land: float, centre: Array, half_m: float, heading: float,
        peel: float, strike: float, peel_s: float, settle_s: float, clear_m: float = 0.03,
    ) -> None:  # fmt: skip
        place = centre + OUTWARD[foot] * half_m * _leftward(heading)
        self._put(foot, lift, land, place, heading, peel, strike, peel_s, settle_s, clear_m)

    def _put(
        self, foot: int, lift: float, land: float, place: Array, heading: float,
        peel: float, strike: float, peel_s: float, settle_s: float, clear_m: float = 0.03,
    ) -> None:  # fmt: skip
        x, y = (float(value) for value in place)
        heading = heading + float(OUTWARD[foot]) * TOE_OUT
        self.steps.append(Step(foot, lift, land, (x, y), heading, peel, strike, peel_s, settle_s, clear_m))
        self.feet[foot] = place

    def _close(self, name: str, kind: str, seconds: float, **facts: object) -> None:
        end = self.now_s + seconds
        if name:
            self.segments.append(Segment(name, kind, round(self.now_s, 4), round(end, 4), facts))
        self.now_s = end


def act(rng: np.random.Generator, duration_s: float) -> Performer:
    """The whole take, about two minutes, ending with a long idle at `duration_s`."""
    performer = Performer(rng)
    performer.stand("idle_mooring", 16.0)
    performer.shift_weight("shift_weight")
    performer.stand("", 2.5)
    performer.walk("walk_causeway", 11, 1.10, 0.62)
    performer.stand("", 3.0)
    performer.turn("turn_about", 180.0, 5)
    performer.stand("", 3.0)
    performer.walk("walk_home", 9, 1.24, 0.56)
    performer.stand("", 3.0)
    performer.turn("turn_right", -90.0, 4)
    performer.stand("", 3.0)
    performer.duck("duck_branch")
    performer.stand("", 3.0)
    performer.strike_straight("strike_straight")
    performer.stand("", 3.0)
    performer.strike_hook("strike_hook")
    performer.stand("", 2.0)
    performer.stand("idle_dusk", duration_s - performer.now_s)
    return performer
