"""A body posed in model space, by inverse kinematics of the tests' own."""

from __future__ import annotations

import numpy as np

from fit_bodies import Build, body
from takemill.base.checks import Array
from takemill.body.motion import Motion
from takemill.maths import quat
from takemill.maths.capsule_distance import capsule_distances
from takemill.shape.body_shape import body_shape
from takemill.shape.capsules import Capsules

X, Y, Z = np.eye(3)
SIDES = {"left": 1.0, "right": -1.0}
HAND_M = 0.17  # of the body of fit_bodies
STRAIGHT = 0.985  # of a limb's length: no further apart are its ends


def ease(t: Array) -> Array:
    """0 to 1, flat at both ends to the second derivative."""
    t = np.clip(t, 0, 1)
    return t**3 * (10 - 15 * t + 6 * t * t)


def there_and_back(t: Array, start: float, stop: float, over: float = 0.7) -> Array:
    """1 from `start` to `stop` (seconds), and 0 from `over` seconds before and after."""
    return ease((t - start + over) / over) - ease((t - stop) / over)


class Puppet:
    """The body of fit_bodies, posed in model space from the hips outwards."""

    def __init__(self, seconds: float, rate: float) -> None:
        self.skeleton, self.body = body(Build())
        self.rate, self.t = rate, np.arange(round(seconds * rate) + 1) / rate
        count = len(self.t)
        self.turned = np.tile(quat.IDENTITY, (count, len(self.skeleton), 1))
        self.at = np.tile(self.skeleton.rest_model[1], (count, 1, 1))
        self.shape: Capsules = body_shape(self.skeleton, self.body)

    def joint(self, part: str) -> int:
        return self.body.require(part)

    def carry(self, top: int) -> None:
        """Poses all below a joint with it, unturned against it."""
        rest = self.skeleton.rest_translation
        for joint in self.skeleton.subtree(top)[1:]:
            parent = self.skeleton.parents[joint]
            self.turned[:, joint] = self.turned[:, parent]
            self.at[:, joint] = self.at[:, parent] + quat.rotate(self.turned[:, parent], rest[joint])

    def trunk(self, hips: Array, turn: Array, bend: Array, nod: Array | float = 0.0) -> None:
        """Hips at (F, 3), turned by (F, 4); the spine bends forwards by (F,) in all, the head by (F,)."""
        hip = self.joint("hips")
        self.at[:, hip], self.turned[:, hip] = hips, turn
        self.carry(hip)
        for part, share in (("spine", 0.5), ("chest", 0.5), ("neck", 0.0), ("head", 1.0)):
            joint = self.joint(part)
            angle = share * (bend if part in ("spine", "chest") else np.broadcast_to(nod, len(self.t)))
            self.turned[:, joint] = quat.mul(self.turned[:, joint], quat.from_axis_angle(X, angle))
            self.carry(joint)

    def limb(self, parts: tuple[str, str, str], goal: Array, pole: Array, along: Array, hinge: Array) -> None:
        """Two bones to a goal (F, 3), bent towards `pole` (F, 3); `along`, `hinge` (3,): at rest."""
        first, second, end = (self.joint(part) for part in parts)
        lengths = [np.linalg.norm(self.skeleton.rest_translation[joint]) for joint in (second, end)]
        line = goal - self.at[:, first]
        far = np.linalg.norm(line, axis=-1)
        way = line / far[:, None]
        far = np.minimum(far, STRAIGHT * sum(lengths))
        side = pole - np.einsum("fi,fi->f", pole, way)[:, None] * way
        side /= np.linalg.norm(side, axis=-1, keepdims=True)
        cosine = (lengths[0] ** 2 + far**2 - lengths[1] ** 2) / (2 * lengths[0] * far)
        upper = cosine[:, None] * way + np.sqrt(1 - cosine**2)[:, None] * side
        lower = (far[:, None] * way - lengths[0] * upper) / lengths[1]
        axis = np.cross(way, -side)
        axis = np.where((np.einsum("fi,fi->f", np.cross(upper, lower), axis) < 0)[:, None], -axis, axis)
        rest = np.stack([along, hinge, np.cross(along, hinge)], axis=-1)
        for joint, bone in ((first, upper), (second, lower)):
            frame = np.stack([bone, axis, np.cross(bone, axis)], axis=-1)
            self.turned[:, joint] = quat.from_matrix(frame @ rest.T)
            below = next(one for one in (second, end) if self.skeleton.parents[one] == joint)
            self.at[:, below] = self.at[:, joint] + quat.rotate(
                self.turned[:, joint], self.skeleton.rest_translation[below]
            )
        self.turned[:, end] = self.turned[:, second]
        self.carry(end)

    def arm(self, side: str, wrist: Array, hand: Array, pole: Array) -> None:
        """A wrist at (F, 3), its hand turned (F, 4) from the T pose; the elbow points to `pole` (3,)."""
        sign = SIDES[side]
        parts = (f"{side}UpperArm", f"{side}LowerArm", f"{side}Hand")
        self.limb(parts, wrist, np.broadcast_to(pole, wrist.shape), sign * X, -sign * Z)
        end = self.joint(f"{side}Hand")
        self.turned[:, end] = hand
        self.carry(end)

    def leg(self, side: str, ankle: Array, foot: Array | None = None, pole: Array = -Y) -> None:
        """An ankle at (F, 3), its foot turned (F, 4); the knee points to `pole` (3,)."""
        parts = (f"{side}UpperLeg", f"{side}LowerLeg", f"{side}Foot")
        self.limb(parts, ankle, np.broadcast_to(pole, ankle.shape), -Z, X)
        end = self.joint(f"{side}Foot")
        self.turned[:, end] = quat.IDENTITY if foot is None else foot
        self.carry(end)

    def stand(self, sink: Array | float = 0.02, ahead: Array | float = 0.0, bend: Array | float = 0.0,
              nod: Array | float = 0.0) -> None:  # fmt: skip
        """Both feet flat where they are at rest; hips sink, move ahead, the spine bends (radians)."""
        count = len(self.t)
        step = np.zeros((count, 3))
        step[:, 2], step[:, 1] = -np.broadcast_to(sink, count), -np.broadcast_to(ahead, count)
        hips = self.skeleton.rest_model[1][self.joint("hips")] + step
        self.trunk(hips, np.tile(quat.IDENTITY, (count, 1)), np.broadcast_to(bend, count), nod)
        for side in SIDES:
            ankle = self.skeleton.rest_model[1][self.joint(f"{side}Foot")]
            self.leg(side, np.tile(ankle, (count, 1)))

    def hang(self, side: str) -> tuple[Array, Array]:
        """Where a hanging arm has its wrist (F, 3) and how its hand is turned (F, 4)."""
        sign = SIDES[side]
        at = self.at[:, self.joint(f"{side}UpperArm")] + np.array([sign * 0.09, -0.06, -0.50])
        return at, np.tile(pointing(side, -Z, -Y), (len(self.t), 1))

    def touch(self, part: str, start: Array, way: Array, side: str, hand: Array) -> Array:
        """Where the wrist is (F, 3) when a hand, turned by (F, 4), touches `part`.

        The middle of the hand comes from `start` (F, 3) along `way` (3,).
        """
        offset = quat.rotate(hand, np.array([SIDES[side] * HAND_M / 2, 0.0, 0.0]))
        mine = self.shape.of(f"{side}Hand")[0]
        ends = [quat.rotate(hand, one[mine]) for one in (self.shape.a, self.shape.b)]
        around = {"trunk": ("hips", "spine", "chest"), "head": ("head", "neck")}.get(part, (part,))
        others = self.shape.of(*around)
        low, high = np.zeros(len(self.t)), np.full(len(self.t), 0.6)
        a, b = self.shape.placed(self.turned, self.at, others)
        for _ in range(40):
            middle = (low + high) / 2
            wrist = start + middle[:, None] * way - offset
            gap = capsule_distances(
                (wrist + ends[0])[:, None], (wrist + ends[1])[:, None], self.shape.radius[mine],
                a, b, self.shape.radius[others],
            )[0].min(axis=1)  # fmt: skip
            low, high = np.where(gap > 0, middle, low), np.where(gap > 0, high, middle)
        return start + low[:, None] * way - offset

    def motion(self) -> Motion:
        """What was posed."""
        rotations = self.turned.copy()
        for joint, parent in enumerate(self.skeleton.parents):
            if parent >= 0:
                rotations[:, joint] = quat.mul(quat.inv(self.turned[:, parent]), self.turned[:, joint])
        return Motion(self.skeleton, self.rate, rotations, self.at[:, 0])


def pointing(side: str, along: Array, palm: Array) -> Array:
    """How a hand is turned (4,) whose fingers point `along` (3,) and whose palm faces `palm` (3,)."""
    palm = palm - (palm @ along) * along
    palm = palm / np.linalg.norm(palm)
    frame = np.stack([along, palm, np.cross(along, palm)], axis=-1)
    start = SIDES[side] * X  # palms face down in the T pose
    rest = np.stack([start, -Z, np.cross(start, -Z)], axis=-1)
    return quat.from_matrix(frame @ rest.T)
