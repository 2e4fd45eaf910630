"""Takes of bodies that something in the surroundings carries: a chair, a stool, a box, a bench.

Made by inverse kinematics of the tests' own on the T-posed body of tests/fit_bodies.py, as hand_takes.py;
what is touched stands still in the world, and how thick the performer is comes from people's measures. With
bodies that nothing carries but their feet, and look alike: a squat that is held, hands held still in the air.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping

import numpy as np

from hand_takes import HandTake, Relation
from puppet import SIDES, Puppet, X, Y, Z, pointing, there_and_back
from takemill.base.checks import Array
from takemill.maths import quat


def _relations(puppet: Puppet, parts: tuple[str, ...], start: float, stop: float) -> tuple[Relation, ...]:
    first, last = (int(np.searchsorted(puppet.t, one - 1e-9)) for one in (start, stop))
    return tuple(Relation("support", part, "support", first, last) for part in parts)


def _thick(puppet: Puppet, part: str) -> float:
    return float(puppet.shape.radius[puppet.shape.of(part)[0]])


def _feet(puppet: Puppet, sides: tuple[str, ...] = ("left", "right")) -> None:
    """Feet flat where they are at rest."""
    for side in sides:
        ankle = puppet.skeleton.rest_model[1][puppet.joint(f"{side}Foot")]
        puppet.leg(side, np.tile(ankle, (len(puppet.t), 1)))


def _arms(puppet: Puppet, part: Array, swing: float = 0.12) -> None:
    """Arms that hang, and gesture in front of the trunk while `part` (F,) is 1."""
    for side, sign in SIDES.items():
        low, hanging = puppet.hang(side)
        phase = 2.1 * puppet.t + sign
        ahead = puppet.at[:, puppet.joint(f"{side}UpperArm")] + np.stack(
            [sign * (0.02 + swing * np.sin(phase)), -0.32 + 0 * phase, -0.2 + swing * np.cos(1.3 * phase)],
            axis=-1,
        )
        wrist = low + part[:, None] * (ahead - low)
        turned = quat.slerp(hanging, _near(pointing(side, -Y, sign * -X), hanging), part)
        puppet.arm(side, wrist, turned, 0.6 * sign * X + 0.8 * Y)


def _near(turned: Array, other: Array) -> Array:
    return np.where(np.sum(turned * other, axis=-1, keepdims=True) < 0, -turned, turned)


def _on_chair(puppet: Puppet, part: Array, height: float, behind: float, rock: Array) -> None:
    """Hips that sit at a height while `part` (F,) is 1, the pelvis rocking (F,) on what touches."""
    hips = puppet.skeleton.rest_model[1][puppet.joint("hips")]
    middle = np.array([0.0, 0.0, puppet.skeleton.rest_model[1][puppet.joint("leftUpperLeg"), 2]])
    over = _thick(puppet, "hips") + hips[2] - middle[2]
    turn = quat.from_axis_angle(X, part * rock)
    sat = np.array([0.0, behind, height]) + quat.rotate(turn, over * Z)
    stand = hips - 0.02 * Z
    place = stand + part[:, None] * (sat - stand)
    lean = 0.5 * np.sin(np.pi * np.clip(part, 0, 1)) * (part < 1)
    puppet.trunk(place, turn, lean - part * rock, 0.0)


def sit(rate: float = 60.0, height: float = 0.45) -> HandTake:
    """Sits down on a chair, rocks on it and gestures for four seconds, its feet flat, and gets up."""
    puppet = Puppet(8.0, rate)
    part = there_and_back(puppet.t, 2.0, 6.0, 1.0)
    _on_chair(puppet, part, height, 0.40, -0.1 + 0.12 * np.sin(2.5 * puppet.t))
    _feet(puppet)
    _arms(puppet, part)
    return HandTake("sit", puppet.motion(), puppet.body, _relations(puppet, ("hips",), 2.1, 5.9))


def stool(rate: float = 60.0) -> HandTake:
    """Sits on a high stool, its feet swinging in the air."""
    puppet = Puppet(8.0, rate)
    part = there_and_back(puppet.t, 2.0, 6.0, 1.0)
    _on_chair(puppet, part, 0.72, 0.30, 0.1 * np.sin(2.0 * puppet.t))
    for side, sign in SIDES.items():
        hip = puppet.at[:, puppet.joint(f"{side}UpperLeg")]
        rest = puppet.skeleton.rest_model[1][puppet.joint(f"{side}Foot")]
        air = hip + np.stack(
            [0 * puppet.t, -0.40 - 0.06 * np.sin(2 * puppet.t + sign), -0.38 + 0 * puppet.t], axis=-1
        )
        puppet.leg(side, rest + part[:, None] * (air - rest))
    _arms(puppet, part)
    return HandTake("stool", puppet.motion(), puppet.body, _relations(puppet, ("hips",), 2.1, 5.9))


def _on_hands(name: str, rate: float, place: Array, ahead: float, sink: float, pitch: float,
              fingers: Array, palm: Array, over: float = 0.0) -> HandTake:  # fmt: skip
    """Leans on both hands, which lie at (3,), the left one's, for four seconds, and sways."""
    puppet = Puppet(8.0, rate)
    t = puppet.t
    weight, lean = there_and_back(t, 2.0, 6.0, 0.9), there_and_back(t, 2.2, 5.8, 1.1)
    sway = 0.05 * np.sin(2.2 * t) * there_and_back(t, 2.6, 5.4, 0.5)
    hips = puppet.skeleton.rest_model[1][puppet.joint("hips")] + np.stack(
        [0.4 * sway, -ahead * lean + 0.5 * sway, -0.02 - sink * lean], axis=-1
    )
    puppet.trunk(hips, quat.from_axis_angle(X, pitch * lean), 0.1 * lean, -0.2 * lean)
    _feet(puppet)
    for side, sign in SIDES.items():
        low, hanging = puppet.hang(side)
        wrist = low + weight[:, None] * (place * [sign, 1.0, 1.0] - low)
        wrist[:, 1] -= 0.12 * np.sin(np.pi * weight)
        wrist[:, 2] += over * np.sin(np.pi * weight)
        turned = quat.slerp(hanging, _near(pointing(side, fingers, palm), hanging), weight)
        puppet.arm(side, wrist, turned, 0.6 * sign * X + 0.5 * Y + 0.1 * Z)
    return HandTake(name, puppet.motion(), puppet.body,
                    _relations(puppet, ("leftHand", "rightHand"), 2.1, 5.9))  # fmt: skip


def box(rate: float = 60.0) -> HandTake:
    """Leans on a box of 0.62 m, palms down."""
    thick = _thick(Puppet(0.1, rate), "leftHand")
    return _on_hands("box", rate, np.array([0.2, -0.64, 0.62 + thick]), 0.24, 0.1, 0.85, -Y, -Z, 0.12)


def bench(rate: float = 60.0) -> HandTake:
    """Kneels with the right knee on a bench of 0.4 m, the left foot on the floor."""
    puppet = Puppet(8.0, rate)
    t = puppet.t
    part = there_and_back(t, 2.0, 6.0, 1.0)
    sway = 0.02 * np.sin(2.0 * t) * part
    hips = puppet.skeleton.rest_model[1][puppet.joint("hips")] + np.stack(
        [-0.09 * part + sway, -0.05 * part, -0.03 - 0.01 * part], axis=-1
    )
    puppet.trunk(hips, np.tile(quat.IDENTITY, (len(t), 1)), 0.1 * part + sway)
    _feet(puppet)
    rest = puppet.skeleton.rest_model[1][puppet.joint("rightFoot")]
    knee = np.array([-0.1, -0.15, 0.4 + _thick(puppet, "rightLowerLeg")])
    ankle = knee + np.array([0.0, 0.395, 0.02])
    foot = quat.from_axis_angle(X, 1.2 * part)
    lifted = rest + part[:, None] * (ankle - rest) + 0.1 * np.sin(np.pi * part)[:, None] * Z
    puppet.leg("right", lifted, foot)
    _hold_knee(puppet, part, knee)
    _arms(puppet, 0.7 * part)
    return HandTake("bench", puppet.motion(), puppet.body,
                    _relations(puppet, ("rightLowerLeg",), 2.1, 5.9))  # fmt: skip


def _hold_knee(puppet: Puppet, part: Array, place: Array) -> None:
    """Moves the hips so that the right knee stays in its place (3,) while `part` (F,) is 1."""
    held = puppet.t[part > 0.999]
    if not len(held):
        return
    knee = puppet.at[:, puppet.joint("rightLowerLeg")]
    step = part[:, None] ** 4 * (place - knee)
    feet = {side: puppet.at[:, puppet.joint(f"{side}Foot")].copy() for side in SIDES}
    turned = puppet.turned[:, puppet.joint("rightFoot")].copy()
    hips, bend = puppet.joint("hips"), 0.1 * part
    puppet.trunk(puppet.at[:, hips] + step, puppet.turned[:, hips].copy(), bend)
    puppet.leg("left", feet["left"])
    puppet.leg("right", feet["right"] + step, turned)


def rail(rate: float = 60.0) -> HandTake:
    """Stands over both feet and sways with the left hand on a rail; the right hand sways along."""
    puppet = Puppet(8.0, rate)
    part = there_and_back(puppet.t, 2.0, 6.0, 1.0)
    sway = part * np.sin(2.0 * puppet.t)
    puppet.stand(0.04, ahead=0.07 * sway)
    rail_at = np.array([0.38, -0.15, 1.05])
    for side, sign in SIDES.items():
        low, hanging = puppet.hang(side)
        chest = puppet.at[:, puppet.joint("chest")] + np.array([-0.25, -0.25, -0.1])
        place = rail_at if side == "left" else chest
        turned = quat.slerp(hanging, _near(pointing(side, -Y, -Z), hanging), part)
        puppet.arm(side, low + part[:, None] * (place - low), turned, 0.6 * sign * X + 0.8 * Y)
    return HandTake("rail", puppet.motion(), puppet.body, _relations(puppet, ("leftHand",), 2.1, 5.9))


def squat(rate: float = 60.0) -> HandTake:
    """A deep squat that is held over both feet: nothing else carries it."""
    puppet = Puppet(8.0, rate)
    part = there_and_back(puppet.t, 2.0, 6.0, 1.0)
    hips = puppet.skeleton.rest_model[1][puppet.joint("hips")] + np.stack(
        [0 * part, 0.2 * part, -0.02 - 0.48 * part], axis=-1
    )
    puppet.trunk(hips, quat.from_axis_angle(X, 0.55 * part), 0.35 * part, -0.3 * part)
    _feet(puppet)
    for side, sign in SIDES.items():
        low, hanging = puppet.hang(side)
        ahead = puppet.at[:, puppet.joint(f"{side}UpperArm")] + np.array([sign * 0.02, -0.45, 0.05])
        turned = quat.slerp(hanging, _near(pointing(side, -Y, -Z), hanging), part)
        puppet.arm(side, low + part[:, None] * (ahead - low), turned, 0.6 * sign * X + 0.8 * Y)
    return HandTake("squat", puppet.motion(), puppet.body, ())


def aim(rate: float = 60.0) -> HandTake:
    """Stands and holds both hands still in the air; the trunk breathes."""
    puppet = Puppet(8.0, rate)
    part = there_and_back(puppet.t, 2.0, 6.0, 1.0)
    puppet.stand(0.03, bend=0.02 * np.sin(1.5 * puppet.t))
    for side, sign in SIDES.items():
        low, hanging = puppet.hang(side)
        place = np.array([sign * 0.25, -0.45, 1.3])
        turned = quat.slerp(hanging, _near(pointing(side, -Y, -Z), hanging), part)
        puppet.arm(side, low + part[:, None] * (place - low), turned, 0.6 * sign * X + 0.8 * Y)
    return HandTake("aim", puppet.motion(), puppet.body, ())


CARRIED: Mapping[str, Callable[[float], HandTake]] = {one.__name__: one for one in (sit, stool, box, bench)}
ALONE: Mapping[str, Callable[[float], HandTake]] = {one.__name__: one for one in (squat, aim)}
