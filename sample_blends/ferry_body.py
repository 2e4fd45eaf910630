"""From planned feet and curves to a whole body: hips, spine, head, and limbs by two-bone reach."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from ferry_curves import lowest_near, softened, wander
from ferry_feet import FootTrack, track_foot
from ferry_script import Performer
from ferry_suit import FOREARM_M, OUTWARD, SHANK_M, SIDES, THIGH_M, UPPER_ARM_M, suit

from takemill.base.checks import Array
from takemill.body.motion import Motion
from takemill.maths import kinematics, quat

_X, _Y, _Z = np.eye(3)
_HIPS_M = 0.920  # height of the hips in the calm pose, knees a little bent
_STRAIGHT = 0.9955  # a leg is never longer than this part of its bones, so that knees do not pop
_BREATH_S = 4.0


def about(axis: Array, degrees: Array) -> Array:
    """Turns (F, 4) about `axis` by `degrees` (F,)."""
    return quat.from_axis_angle(axis, np.radians(degrees))


def two_bones(
    base: Array, end: Array, hint: Array, first_m: float, second_m: float
) -> tuple[Array, Array, Array]:
    """Directions of two bones that lead from `base` to `end`, bent towards `hint`; all (F, 3).

    Returns:
        The first bone's and the second bone's unit direction, and the unit hinge, square to both: turning
        about it by a positive angle bends the joint. An end out of reach is approached straight.
    """
    line = end - base
    distance = np.linalg.norm(line, axis=-1)
    along = line / distance[:, None]
    distance = np.clip(distance, abs(first_m - second_m) + 1e-3, (first_m + second_m) * 0.9985)
    hinge = np.cross(hint, along)
    hinge /= np.linalg.norm(hinge, axis=-1, keepdims=True)
    bend = np.cross(along, hinge)
    cosine = (first_m**2 + distance**2 - second_m**2) / (2 * first_m * distance)
    first = cosine[:, None] * along + np.sqrt(1 - cosine**2)[:, None] * bend
    second = along * distance[:, None] - first * first_m
    return first, second / second_m, hinge


def _frame(x: Array, z: Array) -> Array:
    return quat.from_matrix(np.stack([x, np.cross(z, x), z], axis=-1))


class Body:
    """Builds the local rotations of the suit step by step, parents before children."""

    def __init__(self, performer: Performer, times: Array, rate: float) -> None:
        self.performer, self.times, self.rate = performer, times, rate
        self.skeleton = suit()
        self.local = np.tile(quat.IDENTITY, (len(times), len(self.skeleton), 1))
        self.feet: list[FootTrack] = [
            track_foot(times, rate, performer.start[foot], [s for s in performer.steps if s.foot == foot])
            for foot in (0, 1)
        ]
        place = np.mean([foot.place for foot in self.feet], axis=0)
        self.facing = self._soft(np.mean([foot.heading for foot in self.feet], axis=0), 0.20)
        forward = np.stack([np.sin(self.facing), -np.cos(self.facing)], axis=-1)
        apart = self.feet[0].place - self.feet[1].place
        # How far the left foot is ahead of the right one: it drives pelvis, chest and arms.
        self.stride = self._soft(np.einsum("fi,fi->f", apart, forward), 0.05)
        bears = np.stack([foot.bears for foot in self.feet])
        self.lean_left = (bears[0] - bears[1]) / bears.sum(axis=0)
        self._place_hips(place)

    def _soft(self, values: Array, sigma_s: float) -> Array:
        return softened(values, self.rate, sigma_s)

    def _curve(self, name: str) -> Array:
        return getattr(self.performer, name).at(self.times)[:, 0]

    def breath(self) -> Array:
        """The chest's rise (F,), about -1 to 1, with a period of about four seconds."""
        rng = np.random.default_rng(self.performer.rng.integers(2**32))
        pace = 1 + 0.02 * wander(self.times, rng, 60.0, 20.0)
        phase = 2 * np.pi * np.cumsum(pace) / (_BREATH_S * self.rate)
        return np.sin(phase - 0.35 * np.sin(phase))

    def _place_hips(self, place: Array) -> None:
        rng, times = self.performer.rng, self.times
        left = np.stack([np.cos(self.facing), np.sin(self.facing)], axis=-1)
        forward = np.stack([left[:, 1], -left[:, 0]], axis=-1)
        self.inhale = self.breath()
        aside = self._soft(self.lean_left, 0.15) * 0.034
        xy = self._soft(place, 0.25) + aside[:, None] * left
        xy += (self._curve("shift") + 0.0025 * wander(times, rng, 12.0, 3.0))[:, None] * left
        xy += (self._curve("push") + 0.0030 * wander(times, rng, 12.0, 3.0))[:, None] * forward
        share = self._soft(self.lean_left, 0.06) + self._curve("shift") / 0.075
        speed = np.linalg.norm(np.gradient(self._soft(xy, 0.25), 1 / self.rate, axis=0), axis=-1)
        self.speed, self.share = speed, share
        xy += 0.035 * speed[:, None] * forward
        turn = self.facing + np.radians(self._curve("pelvis_twist") - 7.5 * self.stride)
        tilt = 2.0 + 1.5 * speed + 0.35 * self._curve("lean")
        self.roll = -2.6 * share + 0.25 * wander(times, rng, 11.0, 3.0)
        rotation = quat.mul(quat.from_yaw(turn), quat.mul(about(_Y, self.roll), about(_X, tilt)))
        wish = _HIPS_M - 0.008 * speed - self._curve("crouch") + 0.0015 * self.inhale
        wish -= 0.010 * np.abs(self._curve("shift")) / 0.06
        hips = np.concatenate([xy, wish[:, None]], axis=-1)
        hips[:, 2] = self._soft(lowest_near(self._reachable(hips, rotation), self.rate, 0.05), 0.045)
        self.hips, self.hips_rotation = hips, rotation
        self.local[:, 0] = rotation

    def _reachable(self, hips: Array, rotation: Array) -> Array:
        """The height (F,) of the hips, lowered where a leg would not reach its ankle."""
        height = hips[:, 2].copy()
        for side, foot in zip(SIDES, self.feet, strict=True):
            joint = self.skeleton.index(f"{side}UpperLeg")
            socket = hips + quat.rotate(rotation, self.skeleton.rest_translation[joint])
            flat = np.linalg.norm((socket - foot.ankle)[:, :2], axis=-1)
            reach = np.sqrt(((THIGH_M + SHANK_M) * _STRAIGHT) ** 2 - flat**2)
            height = np.minimum(height, foot.ankle[:, 2] + reach + hips[:, 2] - socket[:, 2])
        return height

    def model(self) -> tuple[Array, Array]:
        """Model rotations and positions of what has been posed so far."""
        moved = np.broadcast_to(
            self.skeleton.rest_translation, (len(self.times), len(self.skeleton), 3)
        ).copy()
        moved[:, 0] = self.hips
        return kinematics.model_from_local(self.skeleton.parents, self.local, moved)

    def set_model(self, joint: str, rotation: Array, parent: Array) -> None:
        """Pose `joint` so that its model rotation is `rotation` below a parent turned by `parent`."""
        self.local[:, self.skeleton.index(joint)] = quat.mul(quat.inv(parent), rotation)

    def pose_spine(self) -> None:
        """Lean, twist and breathe; the chest turns against the pelvis, the shoulders stay level."""
        rng = self.performer.rng
        lean = 0.65 * self._curve("lean") + 1.2 * self.speed - 2.0
        yaw = self._curve("twist") + 14.0 * self.stride + 0.5 * wander(self.times, rng, 12.0, 3.0)
        sway = 0.4 * wander(self.times, rng, 12.0, 3.0)
        for joint, part, breath in (("Spine", 0.30, 0.0), ("Chest", 0.35, -0.9), ("UpperChest", 0.35, -1.1)):
            turn = quat.mul(about(_Z, part * yaw), about(_Y, part * (sway - 1.15 * self.roll)))
            bend = about(_X, part * lean + breath * self.inhale)
            self.local[:, self.skeleton.index(joint)] = quat.mul(turn, bend)

    def pose_head(self) -> None:
        """The head looks where the body is about to face, and stays level."""
        rng = self.performer.rng
        look = self.performer.look.at(self.times)
        ahead = round(0.25 * self.rate)
        lead = np.concatenate([self.facing[ahead:], np.repeat(self.facing[-1:], ahead)])
        yaw = lead + np.radians(look[:, 0] + 1.2 * wander(self.times, rng, 14.0, 4.0))
        pitch = look[:, 1] + 0.5 * self.inhale + 0.8 * wander(self.times, rng, 14.0, 4.0)
        rotation, _ = self.model()
        chest = rotation[:, self.skeleton.index("UpperChest")]
        target = quat.mul(quat.from_yaw(yaw), about(_X, pitch))
        neck = quat.slerp(chest, target, 0.45)
        self.set_model("Neck", neck, chest)
        self.set_model("Head", target, neck)

    def pose_legs(self) -> None:
        """Hips to ankles by two-bone reach, knees towards the toes; feet and toes as planned."""
        rotation, position = self.model()
        for side, foot in zip(SIDES, self.feet, strict=True):
            socket = position[:, self.skeleton.index(f"{side}UpperLeg")]
            heading = 0.5 * foot.heading + 0.5 * self.facing
            hint = quat.rotate(quat.from_yaw(heading), -_Y)
            thigh, shank, hinge = two_bones(socket, foot.ankle, hint, THIGH_M, SHANK_M)
            upper, lower = _frame(hinge, -thigh), _frame(hinge, -shank)
            self.set_model(f"{side}UpperLeg", upper, rotation[:, 0])
            self.set_model(f"{side}LowerLeg", lower, upper)
            self.set_model(f"{side}Foot", foot.rotation, lower)
            self.local[:, self.skeleton.index(f"{side}Toes")] = about(_X, -foot.toes_deg)

    def pose_arms(self) -> None:
        """Arms swing against the legs; where the script reaches, wrists go to their targets instead."""
        for number, (side, out) in enumerate(zip(SIDES, OUTWARD, strict=True)):
            swing = -out * 36.0 * self._soft(self.stride, 0.05) - 1.0
            elbow = 18.0 + 0.4 * swing + 3.0 * self.speed
            raise_deg = 1.2 * self.inhale + 0.10 * swing
            shoulder = quat.mul(about(_Y, -out * raise_deg), about(_Z, -out * 0.15 * swing))
            self.local[:, self.skeleton.index(f"{side}Shoulder")] = shoulder
            hang = quat.mul(about(_X, -swing), about(_Y, np.full_like(swing, out * 81.5)))
            upper = self.skeleton.index(f"{side}UpperArm")
            # The chest's twist and lean stay with the chest: an arm hangs from it by its own weight.
            rotation, position = self.model()
            level = quat.from_yaw(self.facing + np.radians(8.0 * self.stride))
            self._reach(number, side, out, quat.mul(level, hang), elbow, rotation, position, upper)
            curl = 6.0 + 8.0 * self.performer.reach[number].at(self.times)[:, 0]
            self.local[:, self.skeleton.index(f"{side}Hand")] = about(_Z, -out * curl)

    def _reach(
        self, number: int, side: str, out: float, hang: Array, elbow: Array,
        rotation: Array, position: Array, upper: int,
    ) -> None:  # fmt: skip
        socket = position[:, upper]
        bent = quat.mul(hang, about(_Z, -out * elbow))
        joint = socket + UPPER_ARM_M * quat.rotate(hang, out * _X)
        wrist = joint + FOREARM_M * quat.rotate(bent, out * _X)
        line = wrist - socket
        line /= np.linalg.norm(line, axis=-1, keepdims=True)
        hint = joint - socket - np.einsum("fi,fi->f", joint - socket, line)[:, None] * line
        hint /= np.linalg.norm(hint, axis=-1, keepdims=True)
        face = quat.from_yaw(self.facing)
        share = self.performer.reach[number].at(self.times)
        mirror = np.array([1.0, -1.0, 1.0])  # the script counts forward as positive
        goal = self.hips + quat.rotate(face, self.performer.wrist[number].at(self.times) * mirror)
        hint = hint + share * (quat.rotate(face, self.performer.elbow[number].at(self.times) * mirror) - hint)
        first, second, hinge = two_bones(socket, wrist + share * (goal - wrist), hint, UPPER_ARM_M, FOREARM_M)
        frames = [
            quat.from_matrix(np.stack([out * bone, np.cross(-out * hinge, out * bone), -out * hinge], -1))
            for bone in (first, second)
        ]
        shoulder = rotation[:, self.skeleton.parents[upper]]
        self.set_model(f"{side}UpperArm", frames[0], shoulder)
        self.set_model(f"{side}LowerArm", frames[1], frames[0])


def perform(performer: Performer, frames: int, rate: float) -> tuple[Motion, Sequence[FootTrack]]:
    """The clean take: F frames of the suit, and the feet it was built on."""
    body = Body(performer, np.arange(frames) / rate, rate)
    body.pose_spine()
    body.pose_head()
    body.pose_legs()
    body.pose_arms()
    return Motion(body.skeleton, rate, body.local, body.hips), body.feet
