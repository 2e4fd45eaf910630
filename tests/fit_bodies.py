"""Bodies of any build for the tests of fitting: proportions, rest pose, joint axes and counts are free."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from takemill.base.checks import Array
from takemill.body.body_map import BodyMap
from takemill.body.motion import Motion
from takemill.body.skeleton import Skeleton
from takemill.maths import kinematics, quat

_Add = Callable[[str, str, Array], Array]


def _v(x: float, y: float, z: float) -> Array:
    return np.array([x, y, z])


@dataclass(frozen=True)
class Build:
    """Lengths in metres. `arms_down_deg` 0 is a T pose, 45 an A pose, 90 hanging arms.

    `trunk` names the mapped trunk joints from the hips up; `helpers` more joints stand between hips and the
    last of them, mapped to nothing. `palms_deg` turns the palms forwards from facing down. `roll_seed` turns
    every joint's axes at random (None: all along the model's axes).
    """

    thigh: float = 0.42
    shin: float = 0.40
    ankle: float = 0.08
    hip_width: float = 0.20
    back: float = 0.50
    shoulder_width: float = 0.36
    upper_arm: float = 0.28
    fore_arm: float = 0.25
    hand: float = 0.17
    foot: float = 0.14
    arms_down_deg: float = 0.0
    arms_ahead_deg: float = 0.0
    toes_out_deg: float = 0.0
    legs_out_deg: float = 0.0
    facing_deg: float = 0.0
    trunk: tuple[str, ...] = ("spine", "chest")
    helpers: int = 0
    without: tuple[str, ...] = ()
    fingers: bool = False
    palms_deg: float = 0.0
    tail: int = 0
    root: bool = False
    roll_seed: int | None = None


TOON = Build(thigh=0.2, shin=0.2, ankle=0.06, hip_width=0.3, back=0.35, shoulder_width=0.5, upper_arm=0.18,
             fore_arm=0.15, hand=0.12, foot=0.13, arms_down_deg=40.0, roll_seed=5)  # fmt: skip
BROAD = Build(thigh=0.44, shin=0.42, hip_width=0.34, shoulder_width=0.62, arms_down_deg=30.0,
              toes_out_deg=15.0, trunk=("spine", "chest", "upperChest"), helpers=1, roll_seed=6)  # fmt: skip


def body(build: Build = Build()) -> tuple[Skeleton, BodyMap]:
    """The skeleton of a build and its body map."""
    joints: list[tuple[str, str, Array]] = []  # name, parent, model position; facing -Y
    tips: list[tuple[str, Array]] = []

    def add(name: str, parent: str, place: Array) -> Array:
        joints.append((name, parent, np.asarray(place, float)))
        return joints[-1][2]

    if build.root:
        add("root", "", np.zeros(3))
    pelvis = np.array([0.0, 0.0, build.ankle + build.shin + build.thigh + 0.05])
    add("hips", "root" if build.root else "", pelvis)
    top = _trunk(build, add, pelvis)
    neck = pelvis + _v(0, 0.02, build.back + 0.08)
    add("neck", top, neck)
    add("head", "neck", neck + _v(0, -0.02, 0.10))
    tips.append(("head", neck + _v(0, -0.02, 0.30)))
    above = pelvis
    for k in range(build.tail):
        above = add(f"tail.{k}", f"tail.{k - 1}" if k else "hips", pelvis + _v(0, 0.1 * (k + 1), -0.04 * k))
    if build.tail:
        tips.append((f"tail.{build.tail - 1}", above + _v(0, 0.1, -0.04)))
    for side, sign in (("left", 1.0), ("right", -1.0)):
        _arm(build, add, tips, side, sign, top, pelvis + _v(0, 0.02, build.back))
        _leg(build, add, tips, side, sign, pelvis)
    return _assembled(build, joints, tips)


def _trunk(build: Build, add: _Add, pelvis: Array) -> str:
    names = [*build.trunk[:-1], *(f"helper{k}" for k in range(build.helpers)), *build.trunk[-1:]]
    above = "hips"
    for k, name in enumerate(names):
        share = (0.2 + 0.8 * k) / len(names)
        add(name, above, pelvis + _v(0, 0.03 * np.sin(3 * share), build.back * share))
        above = name
    return above


def _arm(
    build: Build, add: _Add, tips: list[tuple[str, Array]], side: str, sign: float, top: str, at: Array
) -> None:
    down, ahead = np.radians([build.arms_down_deg, build.arms_ahead_deg])
    swing = quat.mul(
        quat.from_axis_angle(np.array([0.0, sign, 0.0]), down),
        quat.from_axis_angle(np.array([0.0, 0.0, -sign]), ahead),
    )

    def out(length: float, across: float = 0.0) -> Array:
        palm = np.radians(build.palms_deg)
        offset = np.array([sign * length, -across * np.cos(palm), across * np.sin(palm)])
        return quat.rotate(swing, offset)

    place = at + _v(sign * build.shoulder_width / 2, 0, 0)
    add(f"{side}Shoulder", top, at + _v(sign * 0.03, 0, -0.02))
    add(f"{side}UpperArm", f"{side}Shoulder", place)
    add(f"{side}LowerArm", f"{side}UpperArm", place := place + out(build.upper_arm))
    add(f"{side}Hand", f"{side}LowerArm", place := place + out(build.fore_arm))
    if not build.fingers:
        tips.append((f"{side}Hand", place + out(build.hand)))
        return
    for finger, across in (("Index", 0.03), ("Middle", 0.01), ("Ring", -0.01), ("Little", -0.03)):
        above = f"{side}Hand"
        for k, joint in enumerate(("Proximal", "Intermediate", "Distal")):
            name = f"{side}{finger}{joint}"
            add(name, above, place + out(build.hand * (0.5 + 0.2 * k), across))
            above = name
        tips.append((above, place + out(build.hand * 1.1, across)))


def _leg(
    build: Build, add: _Add, tips: list[tuple[str, Array]], side: str, sign: float, pelvis: Array
) -> None:
    hip = pelvis + _v(sign * build.hip_width / 2, 0, -0.05)
    apart = np.radians(build.legs_out_deg) * sign
    down = _v(np.sin(apart), 0, -np.cos(apart))
    ankle = hip + (build.thigh + build.shin) * down
    out = np.radians(build.toes_out_deg) * sign
    along = np.array([np.sin(out), -np.cos(out), 0.0])
    sole = ankle - _v(0, 0, build.ankle)
    add(f"{side}UpperLeg", "hips", hip)
    add(f"{side}LowerLeg", f"{side}UpperLeg", hip + build.thigh * down)
    add(f"{side}Foot", f"{side}LowerLeg", ankle)
    ball = sole + build.foot * along
    add(f"{side}Toes", f"{side}Foot", ball + _v(0, 0, 0.02))
    tips.extend([(f"{side}Foot", sole - 0.05 * along), (f"{side}Toes", ball + 0.07 * along)])


def _assembled(
    build: Build, joints: list[tuple[str, str, Array]], tips: list[tuple[str, Array]]
) -> tuple[Skeleton, BodyMap]:
    gone = {name: parent for name, parent, _ in joints if name in build.without}

    def kept(name: str) -> str:
        while name in gone:
            name = gone[name]
        return name

    joints = [(name, kept(parent), place) for name, parent, place in joints if name not in gone]
    names = tuple(name for name, _, _ in joints)
    parents = tuple(names.index(parent) if parent else -1 for _, parent, _ in joints)
    turn = quat.from_yaw(np.radians(build.facing_deg))
    at = quat.rotate(turn, np.array([place for _, _, place in joints]))
    if build.roll_seed is None:
        frames = np.tile(quat.IDENTITY, (len(names), 1))
    else:
        frames = quat.normalize(np.random.default_rng(build.roll_seed).normal(size=(len(names), 4)))
        if build.root:
            frames[0] = quat.IDENTITY
    rotations, translations = kinematics.local_from_model(parents, frames, at)
    held = [(names.index(kept(joint)), quat.rotate(turn, place)) for joint, place in tips]
    offsets = [quat.rotate(quat.inv(frames[joint]), place - at[joint]) for joint, place in held]
    skeleton = Skeleton(names, parents, translations, rotations, tuple(j for j, _ in held), np.array(offsets))
    return skeleton, BodyMap({name: k for k, name in enumerate(names) if not name.startswith("helper")})


def rolled(motion: Motion, seed: int) -> Motion:
    """The same movement on the same skeleton with other joint axes, drawn at random."""
    skeleton = motion.skeleton
    rest_q, rest_p = skeleton.rest_model
    roll = quat.normalize(np.random.default_rng(seed).normal(size=(len(skeleton), 4)))
    rotations, translations = kinematics.local_from_model(skeleton.parents, quat.mul(rest_q, roll), rest_p)
    tips = quat.rotate(quat.inv(roll)[list(skeleton.tip_joints)], skeleton.tip_offsets)
    other = Skeleton(skeleton.names, skeleton.parents, translations, rotations, skeleton.tip_joints, tips)
    model_q, model_p = motion.model()
    local_q, local_p = kinematics.local_from_model(skeleton.parents, quat.mul(model_q, roll), model_p)
    return Motion(other, motion.rate, local_q, local_p[:, 0], {j: local_p[:, j] for j in motion.translations})


def moved(skeleton: Skeleton, seed: int, frames: int = 40, amount: float = 0.5) -> Motion:
    """A smooth random motion: every joint turns up to about `amount` radians, joint 0 walks about."""
    rng = np.random.default_rng(seed)
    t = np.linspace(0, 2 * np.pi, frames)[:, None, None]
    count = len(skeleton)
    phase, size = rng.uniform(0, 6, (count, 3)), rng.normal(size=(count, 3)) * amount
    turns = quat.exp(size * np.sin(t + phase))
    path = skeleton.rest_translation[0] + rng.normal(size=3) * 0.3 * np.sin(t[:, 0] * [1, 1, 2])
    return Motion(skeleton, 30.0, quat.mul(skeleton.rest_rotation, turns), path)
