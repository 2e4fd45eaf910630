"""A figure from a table of measures: where its joints lie, its bones, and a body in one closed skin."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from itertools import pairwise

import numpy as np
from ferry_mesh import FRONT, Mesh, Ring, Weigher, X, Y, Z, along, mixed, only, point

from takemill.base.checks import Array

_TORSO_DEG = np.arange(12) * 30.0
_LEG_DEG = (-35.0, 5.0, 45.0, 90.0, 135.0, 175.0, 215.0, 270.0)
_ARM_DEG = (-45.0, 0.0, 45.0, 90.0, 135.0, 180.0, 225.0, 270.0)  # 0 below, 90 behind, 180 above


@dataclass(frozen=True)
class Bone:
    """A bone by its head and tail, metres, and its roll."""

    name: str
    parent: str
    head: Array
    tail: Array
    roll_deg: float = 0.0
    deform: bool = True


@dataclass(frozen=True)
class Figure:
    """The measures of one character, Z-up metres, facing -Y, feet on z = 0.

    Attributes:
        spine: joints from hips to the top of the head: hips, one to three of the back, neck, head, crown.
        arm: shoulder root, shoulder, elbow, wrist, fingertips of the left side.
        leg: hip, knee, ankle, ball, toe tip of the left side.
        names: names of the spine's bones, of the arm's and the leg's ("{}" stands for .L or .R's letter).
        torso: rings from the crotch to the crown: z, half-width, half-depth, shift forward.
        armpit: which torso ring the arm's opening starts at; it spans two rings.
        neck: which torso ring the skin's paint starts at.
        arm_radii, leg_radii: radius at the joints of the arm and the leg.
        paints: "shirt", "trousers", "boots", "skin", "sleeve", "glove".
        rolls_deg: roll of single bones.
        extra: further bones (tail, prop).
        letters: what the names put for left and right.
    """

    name: str
    spine: Sequence[Array]
    arm: Sequence[Array]
    leg: Sequence[Array]
    names: tuple[Sequence[str], Sequence[str], Sequence[str]]
    torso: Sequence[tuple[float, float, float, float]]
    armpit: int
    neck: int
    arm_radii: Sequence[float]
    leg_radii: Sequence[float]
    paints: Mapping[str, str]
    belt: int = 3
    rolls_deg: Mapping[str, float] = field(default_factory=dict)
    extra: Sequence[Bone] = ()
    letters: tuple[str, str] = ("L", "R")

    def bones(self) -> list[Bone]:
        """All bones, parents first; `root` lies on the floor at the origin."""
        spine, arm, leg = self.names
        out = [Bone("root", "", point(0, 0, 0), point(0, 0.18 * self.spine[-1][2], 0), deform=False)]
        parent = "root"
        for name, head, tail in zip(spine, self.spine, self.spine[1:], strict=False):
            out.append(Bone(name, parent, head, tail))
            parent = name
        for names, joints, top in ((arm, self.arm, spine[-3]), (leg, self.leg, spine[0])):
            for letter, flip in zip(self.letters, (1.0, -1.0), strict=True):
                parent, mirror = top, point(flip, 1, 1)
                for name, head, tail in zip(names, joints, joints[1:], strict=False):
                    out.append(Bone(name.format(letter), parent, head * mirror, tail * mirror))
                    parent = name.format(letter)
        out += self.extra
        return [
            Bone(b.name, b.parent, b.head, b.tail, self.rolls_deg.get(b.name, b.roll_deg), b.deform)
            for b in out
        ]

    def spine_weights(self) -> Weigher:
        """Weights of a point of the trunk: the spine's chain, with the shoulders and thighs at its edges."""
        bones, spots = self.names[0], self.spine
        lengths = np.linalg.norm(np.diff(np.array(spots), axis=0), axis=-1)
        chain = along(bones, spots, [0.45 * min(a, b) for a, b in pairwise(lengths)])

        def shoulders(letter: str) -> Weigher:
            return mixed(
                only(self.names[1][0].format(letter)),
                only(self.names[1][1].format(letter)),
                lambda p: (abs(p[0]) / self.arm[1][0] - 0.75) * 1.6,
            )

        def weigh(place: Array) -> Mapping[str, float]:
            letter = self.letters[0 if place[0] > 0 else 1]
            high = self.arm[1][2]
            reach = 0.75 * (self.spine[-3][2] - self.spine[1][2])
            near = max(0.0, 1 - abs(place[2] - high) / reach) ** 0.7
            aside = np.clip(abs(place[0]) / self.arm[1][0] - 0.35, 0, 1) * 1.35
            below = np.clip((self.spine[-3][2] - place[2]) / (0.03 * self.spine[-1][2]) + 1, 0, 1)  # the neck
            top = mixed(chain, shoulders(letter), lambda _: min(aside * near * 1.5, 0.92) * float(below))
            low = np.clip(
                (self.leg[0][2] + 0.10 * self.spine[0][2] - place[2]) / (0.22 * self.spine[0][2]), 0, 1
            )
            out_x = np.clip(abs(place[0]) / self.leg[0][0], 0, 1)
            thigh = only(self.names[2][0].format(letter))
            return mixed(top, thigh, lambda _: float(0.85 * low * out_x))(place)

        return weigh

    def skin(self, mesh: Mesh) -> dict[str, Ring]:
        """Add the whole body; returns its named loops (torso rings "torso.N", "wrist.L" ...)."""
        weigh, loops = self.spine_weights(), {}
        rings = []
        for number, (z, wide, deep, ahead) in enumerate(self.torso):
            centre, power = point(0, -ahead, z), 0.85 if number < self.neck - 2 else 1.0
            ring = mesh.ring(centre, wide * X, deep * FRONT, _TORSO_DEG, weigh, power)
            loops[f"torso.{number}"] = ring
            rings.append(ring)
        for number, (one, other) in enumerate(pairwise(rings)):
            paint = "trousers" if number < self.belt else "shirt" if number < self.neck else "skin"
            arms = (2, 3, 8, 9) if self.armpit <= number < self.armpit + 2 else ()
            mesh.bridge(one, other, self.paints[paint], skip=arms)
        z, _, _, ahead = self.torso[-1]
        mesh.close(rings[-1], self.paints["skin"], point(0, -ahead, z + 0.012 * self.spine[-1][2]))
        crotch = mesh.vertex(point(0, 0, self.torso[0][0] - 0.01), only(self.names[0][0]))
        base, a = rings[0], self.armpit
        for letter, flip in zip(self.letters, (1, -1), strict=True):
            turn = [(flip * k) % 12 for k in range(12)]
            self._leg(mesh, letter, flip, [*(base[turn[k]] for k in range(7)), crotch])
            low, mid, high = rings[a], rings[a + 1], rings[a + 2]
            c2, c3, c4 = turn[2], turn[3], turn[4]
            hole = [low[c2], low[c3], low[c4], mid[c4], high[c4], high[c3], high[c2], mid[c2]]
            loops[f"wrist.{letter}"] = self._arm(mesh, letter, flip, hole)
        return loops

    def _leg(self, mesh: Mesh, letter: str, flip: int, hole: Ring) -> None:
        mirror, paints, r = point(flip, 1, 1), self.paints, self.leg_radii
        hip, knee, ankle, ball, tip = (joint * mirror for joint in self.leg)
        names = [name.format(letter) for name in self.names[2]]
        length = np.linalg.norm(knee - hip)
        blend = [0.16 * length, 0.12 * length, 0.10 * length]
        weigh = along(names, (hip, knee, ankle, ball, tip), blend)
        side = flip * X
        rows = []
        for t, radius, paint in (
            (0.28, r[0], "trousers"),
            (0.62, 0.5 * (r[0] + r[1]), "trousers"),
            (0.88, r[1] * 1.04, "trousers"),
            (1.00, r[1], "trousers"),
            (1.14, r[1] * 0.98, "trousers"),
            (1.42, r[1] * 1.04, "boots"),
            (1.80, r[2] * 1.05, "boots"),
        ):
            centre = hip + (knee - hip) * min(t, 1) + (ankle - knee) * max(t - 1, 0)
            rows.append((centre, side * radius, FRONT * radius * 1.08, paint))
        h, heel = ankle[2], ankle[1] + 0.62 * ankle[2]
        foot_x, wide, front = ankle[0] * X, r[3], ball[1]
        low = 0.0
        rows.append((ankle + point(0, 0, -0.05 * h), side * r[2], FRONT * r[2] * 1.1, "boots"))
        instep = point(0, ankle[1] - 0.75 * h, 1.02 * h)
        back = point(0, heel, low)
        rows.append((foot_x + (instep + back) / 2, side * wide * 0.82, (instep - back) / 2, "boots"))
        middle = 0.55 * front + 0.45 * (ankle[1] - 0.75 * h)
        rows.append((foot_x + point(0, middle, 0.40 * h), side * wide, 0.40 * h * Z, "boots"))
        rows.append((foot_x + point(0, front - 0.1 * h, 0.30 * h), side * wide, 0.30 * h * Z, "boots"))
        rows.append(
            (foot_x + point(0, tip[1] + 0.12 * h, 0.22 * h), side * wide * 0.82, 0.20 * h * Z, "boots")
        )
        before = hole
        for centre, across, ahead, paint in rows:
            ring = mesh.ring(centre, across, ahead, _LEG_DEG, weigh)
            mesh.bridge(before, ring, paints[paint])
            before = ring
        mesh.close(before, paints["boots"])

    def _arm(self, mesh: Mesh, letter: str, flip: int, hole: Ring) -> Ring:
        mirror, paints, r = point(flip, 1, 1), self.paints, self.arm_radii
        root, shoulder, elbow, wrist, tip = (joint * mirror for joint in self.arm)
        names = [name.format(letter) for name in self.names[1]]
        length = np.linalg.norm(elbow - shoulder)
        weigh = along(
            names, (root, shoulder, elbow, wrist, tip), [0.22 * length, 0.20 * length, 0.14 * length]
        )
        upper = (elbow - shoulder) / length
        down = np.cross(Y, upper) * flip  # below the arm: the way the palm faces in a T-pose
        hand = np.linalg.norm(tip - wrist)
        rows = []
        for start, end, t, radius, paint in (
            (shoulder, elbow, 0.10, r[0], "sleeve"),
            (shoulder, elbow, 0.50, 0.5 * (r[0] + r[1]), "sleeve"),
            (shoulder, elbow, 0.86, r[1], "sleeve"),
            (shoulder, elbow, 1.00, r[1], "sleeve"),
            (elbow, wrist, 0.16, r[1] * 1.02, "sleeve"),
            (elbow, wrist, 0.55, 0.45 * r[1] + 0.55 * r[2], "sleeve"),
            (elbow, wrist, 0.95, r[2], "glove"),
        ):
            rows.append((start + t * (end - start), Y * radius, down * radius, paint))
        along_hand = (tip - wrist) / hand
        for t, wide, thick in (
            (0.22, 0.24, 0.13),
            (0.50, 0.27, 0.13),
            (0.78, 0.24, 0.11),
            (0.98, 0.16, 0.08),
        ):
            rows.append((wrist + t * hand * along_hand, Y * wide * hand, down * thick * hand, "glove"))
        before, wrist_ring, palm = hole, hole, hole
        for number, (centre, behind, below, paint) in enumerate(rows):
            ring = mesh.ring(centre, behind, below, _ARM_DEG, weigh)
            thumb = (7,) if number == 8 else ()  # the hole that the thumb grows from
            mesh.bridge(before, ring, paints[paint], skip=thumb)
            if number == 6:
                wrist_ring = ring
            if thumb:
                palm = [before[7], before[0], ring[0], ring[7]]
            before = ring
        mesh.close(before, paints["glove"])
        self._thumb(mesh, palm, along_hand, hand, paints["glove"], only(names[-1]))
        return wrist_ring

    def _thumb(self, mesh: Mesh, hole: Ring, ahead: Array, hand: float, paint: str, weigh: Weigher) -> None:
        centre = np.mean([mesh.vertices[k] for k in hole], axis=0)
        before = hole
        for step, size in ((0.14, 0.85), (0.30, 0.55)):
            shift = step * hand * (0.75 * ahead + 0.85 * FRONT)
            ring = [mesh.vertex(centre + shift + size * (mesh.vertices[k] - centre), weigh) for k in hole]
            mesh.bridge(before, ring, paint)
            before = ring
        mesh.face(before, paint)
