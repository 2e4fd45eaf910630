"""Takes of hands whose relations are known: clap, hilt, staff, hips, knees, head, chin, floor, cartwheel.

Made by inverse kinematics of the tests' own on the T-posed body of tests/fit_bodies.py: trunk and legs are
posed, and hands are put where the take has them, with directions of their own. How thick the body is comes
from people's measures (`body_shape`): a hand on it is moved along a line until the surfaces touch.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

import numpy as np

from puppet import HAND_M, SIDES, Puppet, X, Y, Z, ease, pointing, there_and_back
from takemill.base.checks import Array
from takemill.body.body_map import BodyMap
from takemill.body.motion import Motion
from takemill.maths import quat


@dataclass(frozen=True)
class Relation:
    """A relation that a take keeps.

    Attributes:
        kind, part, on: as in a `Goal`.
        start, stop: the frames [start, stop) in which it surely holds.
        apart_m: between the wrists of two hands, metres; NaN for others.
    """

    kind: str
    part: str
    on: str
    start: int
    stop: int
    apart_m: float = float("nan")


@dataclass(frozen=True)
class HandTake:
    """A take and the relations that it keeps."""

    name: str
    motion: Motion
    body: BodyMap
    relations: tuple[Relation, ...]


def _both(name: str, puppet: Puppet, wrists: Mapping[str, Array], hands: Mapping[str, Array],
          weight: Array, relations: list[Relation], poles: Mapping[str, Array]) -> HandTake:  # fmt: skip
    """Arms that go from hanging to their places and back."""
    for side in SIDES:
        low, hanging = puppet.hang(side)
        part = weight if side in wrists else np.zeros_like(weight)
        goal, hand = wrists.get(side, low), hands.get(side, hanging)
        between = low * (1 - part[:, None]) + goal * part[:, None]
        between[:, 1] -= 0.25 * np.sin(np.pi * part)  # hands go round the body
        turned = quat.slerp(
            hanging, np.where(np.sum(hand * hanging, axis=-1, keepdims=True) < 0, -hand, hand), part
        )
        puppet.arm(side, between, turned, poles.get(side, 0.6 * SIDES[side] * X + 0.8 * Y))
    return HandTake(name, puppet.motion(), puppet.body, tuple(relations))


def _held(t: Array, start: float, stop: float) -> tuple[int, int]:
    return int(np.searchsorted(t, start - 1e-9)), int(np.searchsorted(t, stop + 1e-9))


def clap(rate: float = 60.0) -> HandTake:
    """Five claps a second apart, the wrists 5.8 cm apart when the palms meet."""
    puppet = Puppet(8.0, rate)
    puppet.stand()
    t, apart = puppet.t, 0.058
    claps = 1.5 + np.arange(5)
    shut = np.max([np.exp(-((np.maximum(np.abs(t - c) - 0.03, 0) / 0.12) ** 2)) for c in claps], axis=0)
    chest = puppet.at[:, puppet.joint("chest")] + np.array([0.0, -0.32, -0.05])
    wrists, hands = {}, {}
    for side, sign in SIDES.items():
        wrists[side] = chest + sign * ((apart / 2 + 0.16 * (1 - shut))[:, None] * X)
        hands[side] = np.tile(pointing(side, (-Y + 0.6 * Z) / np.hypot(1, 0.6), -sign * X), (len(t), 1))
    relations = [
        Relation("hands", "leftHand", "rightHand", *_held(t, c - 0.02, c + 0.02), apart) for c in claps
    ]
    poles = {side: 0.7 * sign * X - 0.7 * Z for side, sign in SIDES.items()}
    return _both("clap", puppet, wrists, hands, there_and_back(t, 1.2, 6.6), relations, poles)


def hilt(rate: float = 60.0) -> HandTake:
    """Both hands on a hilt, 8.7 cm apart, that swings up and down and aside."""
    return _grip("hilt", 0.087, rate)


def staff(rate: float = 60.0) -> HandTake:
    """Both hands on a staff, 45 cm apart, that is turned about."""
    return _grip("staff", 0.45, rate)


def _grip(name: str, apart: float, rate: float) -> HandTake:
    puppet = Puppet(8.0, rate)
    puppet.stand()
    t = puppet.t
    middle = puppet.at[:, puppet.joint("chest")] + np.array([0.0, -0.29, 0.04])
    middle = middle + np.stack(
        [0.06 * np.sin(1.9 * t), 0.04 * np.cos(1.3 * t), 0.13 * np.sin(1.5 * t)], axis=-1
    )
    tilt = quat.mul(
        quat.from_axis_angle(X, 0.5 * np.sin(1.7 * t)), quat.from_axis_angle(Y, 0.5 * np.sin(1.1 * t))
    )
    line = quat.rotate(tilt, X if name == "staff" else (X * 0.5 + Z * 0.87) / np.hypot(0.5, 0.87))
    wrists, hands = {}, {}
    for side, sign in SIDES.items():
        hands[side] = quat.mul(tilt, pointing(side, -Y, -Z))
        reach = quat.rotate(hands[side], np.array([sign * HAND_M / 2, 0.0, 0.0]))
        wrists[side] = middle + sign * apart / 2 * line - reach
    relations = [Relation("prop", "leftHand", "rightHand", *_held(t, 1.4, 6.6), apart)]
    poles = {side: 0.6 * sign * X - 0.8 * Z for side, sign in SIDES.items()}
    return _both(name, puppet, wrists, hands, there_and_back(t, 1.2, 6.8), relations, poles)


def _on_body(
    name: str,
    rate: float,
    pose: Callable[[Puppet, Array], None],
    part: Callable[[str], str],
    near: Callable[[Puppet, str], Array],
    way: Callable[[float], Array],
    along: Callable[[float], Array],
    sides: tuple[str, ...] = ("left", "right"),
) -> HandTake:
    """Hands that rest on the body for three seconds; the trunk sways meanwhile."""
    puppet = Puppet(7.0, rate)
    weight = there_and_back(puppet.t, 1.8, 5.2)
    pose(puppet, weight)
    wrists, hands, relations, poles = {}, {}, [], {}
    for side in sides:
        sign = SIDES[side]
        line = way(sign) / np.linalg.norm(way(sign))
        hands[side] = np.tile(
            pointing(side, along(sign) / np.linalg.norm(along(sign)), line), (len(weight), 1)
        )
        start = near(puppet, side) - 0.35 * line
        wrists[side] = puppet.touch(part(side), start, line, side, hands[side])
        on = {"trunk": "hips"}.get(part(side), part(side))
        relations.append(Relation("body", f"{side}Hand", on, *_held(puppet.t, 1.9, 5.1)))
        poles[side] = 0.8 * sign * X + 0.6 * Y
    return _both(name, puppet, wrists, hands, weight, relations, poles)


def hips(rate: float = 60.0) -> HandTake:
    """Both hands on the hips."""

    def pose(puppet: Puppet, _weight: Array) -> None:
        puppet.stand(0.02 + 0.01 * np.sin(2 * puppet.t), bend=0.08 * np.sin(puppet.t))

    def near(puppet: Puppet, _side: str) -> Array:
        return puppet.at[:, puppet.joint("hips")] + np.array([0.0, 0.0, 0.08])

    return _on_body("hips", rate, pose,
                    lambda _: "trunk", near, lambda s: -s * X, lambda _: -0.9 * Y - 0.3 * Z)  # fmt: skip


def knees(rate: float = 60.0) -> HandTake:
    """Hands on the thighs just above the knees, the trunk bent far forwards."""

    def pose(puppet: Puppet, weight: Array) -> None:
        puppet.stand(
            0.02 + 0.18 * weight,
            ahead=-0.14 * weight,
            bend=1.1 * weight + 0.03 * np.sin(puppet.t),
            nod=-0.5 * weight,
        )

    def near(puppet: Puppet, side: str) -> Array:
        knee, hip = (puppet.at[:, puppet.joint(side + part)] for part in ("LowerLeg", "UpperLeg"))
        return knee + 0.2 * (hip - knee)

    return _on_body("knees", rate, pose, lambda side: f"{side}UpperLeg", near,
                    lambda _: 0.4 * Y - 0.9 * Z, lambda _: -0.9 * Y - 0.4 * Z)  # fmt: skip


def head(rate: float = 60.0) -> HandTake:
    """The right hand on the crown of the head."""

    def near(puppet: Puppet, _side: str) -> Array:
        return puppet.at[:, puppet.joint("head")] + np.array([-0.02, 0.0, 0.1])

    return _on_body("head", rate, lambda p, _: p.stand(nod=0.1 * np.sin(p.t)), lambda _: "head", near,
                    lambda s: -Z - 0.2 * s * X, lambda s: -s * X, ("right",))  # fmt: skip


def chin(rate: float = 60.0) -> HandTake:
    """The left hand at the chin."""

    def near(puppet: Puppet, _side: str) -> Array:
        return puppet.at[:, puppet.joint("head")] + np.array([0.0, -0.02, 0.05])

    return _on_body("chin", rate, lambda p, _: p.stand(nod=0.1 * np.sin(p.t)), lambda _: "head", near,
                    lambda _: Y + 0.3 * Z, lambda s: Z - 0.3 * s * X, ("left",))  # fmt: skip


def floor(rate: float = 60.0) -> HandTake:
    """Bends down until both palms lie on the floor, shifts its weight there, and gets up."""
    puppet = Puppet(8.0, rate)
    t = puppet.t
    weight = there_and_back(t, 2.5, 5.5, 1.4)
    down = there_and_back(t, 2.1, 5.9, 1.5)
    sway = 0.04 * np.sin(2 * np.pi * (t - 2.5) / 1.5) * there_and_back(t, 2.9, 5.1, 0.4)
    turn = quat.from_axis_angle(X, 0.95 * down)
    count = len(t)
    hips = puppet.skeleton.rest_model[1][puppet.joint("hips")] + np.stack(
        [0.5 * sway, 0.06 * down, -0.02 - 0.42 * down + 0.5 * sway], axis=-1
    )
    puppet.trunk(hips, turn, 1.0 * down, -0.4 * down)
    for side in SIDES:
        puppet.leg(side, np.tile(puppet.skeleton.rest_model[1][puppet.joint(f"{side}Foot")], (count, 1)))
    thick = puppet.shape.radius[puppet.shape.of("leftHand")[0]]
    for side, sign in SIDES.items():
        low, hanging = puppet.hang(side)
        place = np.tile(np.array([sign * 0.2, -0.42, thick]), (count, 1))
        hand = pointing(side, -Y, -Z)
        turned = quat.slerp(
            hanging, np.where(np.sum(hand * hanging, axis=-1, keepdims=True) < 0, -hand, hand), weight
        )
        wrist = low * (1 - weight[:, None]) + place * weight[:, None]
        wrist[:, 1] -= 0.1 * np.sin(np.pi * weight)
        puppet.arm(side, wrist, turned, 0.5 * sign * X + 0.5 * Y + 0.2 * Z)
    relations = tuple(Relation("floor", f"{side}Hand", "floor", *_held(t, 2.5, 5.5)) for side in SIDES)
    return HandTake("floor", puppet.motion(), puppet.body, relations)


def cartwheel(rate: float = 60.0) -> HandTake:
    """A wheel to the left over straight arms: one hand is put down after the other, and lifted likewise."""
    puppet = Puppet(4.0, rate)
    t, count = puppet.t, len(puppet.t)
    turn = 2 * np.pi * ease((t - 0.8) / 2.4)
    times = {"left": (1.66, 1.96), "right": (2.04, 2.34)}
    thick = puppet.shape.radius[puppet.shape.of("leftHand")[0]]
    rolled = quat.from_axis_angle(Y, turn)
    way = 2.6 * ease((t - 0.8) / 2.4)  # to +X
    hips = np.stack([way, np.zeros(count), np.full(count, 0.93)], axis=-1)
    puppet.trunk(hips, rolled, np.zeros(count))
    lies = {side: there_and_back(t, *times[side], 0.35) for side in SIDES}
    places, wanted, free = {}, np.zeros(count), np.ones(count)
    for side in SIDES:  # the height of the hips for arms that are nearly straight
        shoulder = puppet.at[:, puppet.joint(f"{side}UpperArm")]
        middle = int(np.searchsorted(t, np.mean(times[side])))
        places[side] = np.array([shoulder[middle, 0], -0.02, thick])
        aside = shoulder[:, 0] - places[side][0]
        height = thick + np.sqrt(np.maximum(0.50**2 - aside**2, 0.1)) - (shoulder - hips)[:, 2]
        wanted += lies[side] ** 2 * height
        free *= 1 - lies[side]
    wanted /= np.maximum(sum(lies[side] ** 2 for side in SIDES), 1e-9)
    hips[:, 2] = (0.93 - 0.1 * np.sin(turn) ** 2) * free + wanted * (1 - free)
    puppet.trunk(hips, rolled, np.zeros(count))
    apart = ease((t - 0.5) / 0.6) - ease((t - 2.9) / 0.6)
    for side, sign in SIDES.items():
        hip = puppet.at[:, puppet.joint(f"{side}UpperLeg")]
        angle = sign * 0.6 * apart
        down = quat.rotate(rolled, np.stack([np.sin(angle), np.zeros(count), -np.cos(angle)], axis=-1))
        puppet.leg(side, hip + 0.97 * 0.82 * down, quat.mul(rolled, quat.from_axis_angle(Y, -angle)))
    poles = quat.rotate(rolled, np.array([0.0, 1.0, 0.0]))
    for side, sign in SIDES.items():
        shoulder = puppet.at[:, puppet.joint(f"{side}UpperArm")]
        up = shoulder + 0.5 * quat.rotate(rolled, np.array([0.25 * sign, -0.1, 0.95]))
        part = lies[side]
        wrist = up * (1 - part[:, None]) + places[side] * part[:, None]
        hand = pointing(side, -Y, -Z)
        free = quat.mul(rolled, pointing(side, Z, -Y))
        turned = quat.slerp(
            free, np.where(np.sum(hand * free, axis=-1, keepdims=True) < 0, -hand, hand), part
        )
        puppet.arm(side, wrist, turned, poles)
    relations = tuple(Relation("floor", f"{side}Hand", "floor", *_held(t, *times[side])) for side in SIDES)
    return HandTake("cartwheel", puppet.motion(), puppet.body, relations)


TAKES: Mapping[str, Callable[[float], HandTake]] = {
    one.__name__: one for one in (clap, hilt, staff, hips, knees, head, chin, floor, cartwheel)
}
