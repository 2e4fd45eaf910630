"""Feet that stand where they were put: from planned steps to ankles, toes and known contacts."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from ferry_curves import bump, ease, glide, ramps
from ferry_suit import ANKLE_M, BALL, HEEL

from takemill.base.checks import Array
from takemill.maths import quat


@dataclass(frozen=True)
class Step:
    """One foot leaves the floor and comes down elsewhere.

    Attributes:
        foot: 0 left, 1 right.
        lift_s, land_s: when the toes leave, and when the foot touches again.
        place: (x, y) below the ankle of the flat foot, metres.
        heading: where the foot points, radians; 0 is -Y.
        peel_deg: how far the heel has risen about the ball when it is highest.
        strike_deg: how far the toes are up when the heel touches.
        peel_s, settle_s: how long the heel rises before the toes leave; how long the foot rolls flat.
        clear_m: how much higher the swing passes than its roll alone.
    """

    foot: int
    lift_s: float
    land_s: float
    place: tuple[float, float]
    heading: float
    peel_deg: float
    strike_deg: float
    peel_s: float
    settle_s: float
    clear_m: float = 0.03


@dataclass(frozen=True)
class FootTrack:
    """One foot over F frames.

    Attributes:
        place: (F, 2) below the ankle of the flat foot, metres; constant while the foot stands.
        heading: (F,) radians.
        ankle: (F, 3) metres.
        rotation: (F, 4) of the foot, model space.
        toes_deg: (F,) how far the toes are bent up against the foot.
        bears: (F,) 1 while the foot stands, 0 in the air.
        planted, heel, toe: contacts as half-open frame ranges.
    """

    place: Array
    heading: Array
    ankle: Array
    rotation: Array
    toes_deg: Array
    bears: Array
    planted: list[list[int]]
    heel: list[list[int]]
    toe: list[list[int]]


def track_foot(times: Array, rate: float, start: tuple[float, float, float], steps: list[Step]) -> FootTrack:
    """The track of one foot that stands at `start` (x, y, heading) and takes `steps` in order."""
    anchor, pitch, pivot = [(0.0, start)], [(0.0, (0.0,))], [(0.0, (1.0,))]
    loose, clear, bears = np.zeros(len(times)), np.zeros(len(times)), np.ones(len(times))
    before = start
    for step in steps:
        after = (*step.place, step.heading)
        swing, peel_s = step.land_s - step.lift_s, step.lift_s - step.peel_s
        early = 0.05 if step.strike_deg > 0 else 0.35  # a foot that comes down flat is flat before
        anchor += [(step.lift_s, before), (step.land_s, after)]
        pitch += [
            (peel_s, (0.0,)),
            (step.lift_s + 0.20 * swing, (step.peel_deg,)),
            (step.land_s - early * swing, (-step.strike_deg,)),
            (step.land_s + step.settle_s, (0.0,)),
        ]
        pivot += [(max(pivot[-1][0], peel_s - 0.3), (1.0,)), (peel_s, (0.0,))]
        pivot += [
            (step.lift_s + 0.45 * swing, (0.0,)),
            (step.land_s - 0.1 * swing, (1.0,)),
            (step.land_s + step.settle_s, (1.0,)),
        ]
        part = (times - step.lift_s) / swing
        inside = (part > 0) & (part < 1)
        loose += np.where(inside, ease((part - 0.15) / 0.75), 0.0)
        clear += step.clear_m * bump(part)
        bears[inside] = 0.0
        before = after
    path, theta = ramps(times, anchor, glide), np.radians(ramps(times, pitch)[:, 0])
    heading, rolls = quat.from_yaw(path[:, 2]), quat.from_axis_angle(np.array([1.0, 0.0, 0.0]), theta)
    about = BALL + ramps(times, pivot) * (HEEL - BALL)
    flat = np.stack([path[:, 0], path[:, 1], ANKLE_M + clear], axis=-1)
    ankle = flat + quat.rotate(heading, about - quat.rotate(rolls, about))
    toes = np.degrees(np.maximum(theta, 0.0)) * (1 - loose)
    return FootTrack(
        path[:, :2], path[:, 2], ankle, quat.mul(heading, rolls), toes, bears, *_contacts(times, rate, steps)
    )


def _contacts(times: Array, rate: float, steps: list[Step]) -> tuple[list[list[int]], ...]:
    """Frame ranges of the whole foot, its heel and its toes on the floor."""
    end = (len(times) - 1) / rate
    lands = [0.0, *(step.land_s for step in steps)]
    flats = [0.0, *(step.land_s + (step.settle_s if step.strike_deg > 0 else 0.0) for step in steps)]
    peels = [*(step.lift_s - step.peel_s for step in steps), end]
    lifts = [*(step.lift_s for step in steps), end]
    return tuple(
        [
            [int(np.ceil(down * rate - 1e-6)), int(np.floor(up * rate + 1e-6)) + 1]
            for down, up in zip(downs, ups, strict=True)
        ]
        for downs, ups in ((lands, lifts), (lands, peels), (flats, lifts))
    )
