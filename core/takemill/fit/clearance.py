"""Arms that stay out of the body: turned at the shoulder, only where and when their surfaces would meet.

Arms, trunk, head and thighs are capsules (see body_shape). Where one of an arm lies inside the body, the arm
turns about its shoulder until it is out, the nearest way; the turn comes and goes smoothly, so that an arm
makes way before it would touch. What touches in the character's own reference pose may stay as it is there.
A hand that has a goal keeps its place: its elbow turns about the line from shoulder to wrist.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

import numpy as np

from ..base.checks import Array, Index
from ..body.body_map import BodyMap
from ..body.body_parts import SIDES
from ..body.motion import Motion
from ..body.posed import joint_in_model
from ..maths import quat
from ..maths.easing import smoothstep
from ..shape.capsules import Capsules
from .clearance_arm import Arm
from .clearance_turns import way_out

_RATE_HZ = 30.0  # frames at which it is looked for: arms move by a few centimetres between them


@dataclass(frozen=True)
class Clearance:
    """How deep arms lie in the body, by capsules, before and after; in N of a take's frames.

    Attributes:
        frames: (N,) those that were looked at.
        before: (N,) how deep the deepest lies, metres.
        after: (N,) the same once they are cleared.
    """

    frames: Index
    before: Array
    after: Array

    @property
    def before_m(self) -> float:
        """The deepest."""
        return float(self.before.max(initial=0.0))

    @property
    def after_m(self) -> float:
        """The deepest once they are cleared."""
        return float(self.after.max(initial=0.0))

    @property
    def shares(self) -> tuple[float, float]:
        """Of the frames, those in which an arm lies deeper than 5 mm, before and after."""
        deep = [float((one > _SEEN_M).mean()) if len(one) else 0.0 for one in (self.before, self.after)]
        return deep[0], deep[1]

    def within(self, ranges: Iterable[tuple[int, int]]) -> Clearance:
        """The same of the frames in some ranges [start, stop)."""
        mine = np.zeros(len(self.frames), bool)
        for start, stop in ranges:
            mine |= (self.frames >= start) & (self.frames < stop)
        return Clearance(self.frames[mine], self.before[mine], self.after[mine])

    def note(self) -> str:
        """What was done, for people; "" where no arm lay in the body."""
        if self.before_m < _SEEN_M:
            return ""
        share = 100 * self.shares[0]
        text = (
            f"arms lay up to {1000 * self.before_m:.0f} mm deep in the body, in {share:.0f} % of the frames"
        )
        left = f"up to {1000 * self.after_m:.0f} mm are left" if self.after_m > _SEEN_M else "now clear"
        return f"{text}; {left}"


_SEEN_M = 0.005  # the depth that counts in the shares: no mesh deeper than that is the aim


def clear_arms(
    motion: Motion, body: BodyMap, shape: Capsules, held: Mapping[str, Array] | None = None
) -> tuple[Motion, Clearance]:
    """The motion with its arms out of trunk, head and thighs, and how deep they lay.

    Args:
        motion: of the character, F frames.
        body: which of its joints plays which part.
        shape: its surface.
        held: "left" and "right" -> how much (F,) that hand's place is a goal's, 0 to 1.

    Returns:
        F frames; only upper arms are turned otherwise, and hands that are held.
    """
    step = max(int(motion.rate / _RATE_HZ), 1)
    frames = np.unique(np.append(np.arange(0, len(motion), step), len(motion) - 1))
    seen = _chosen(motion, frames)
    rotations = motion.rotations.copy()
    model = seen.model()
    depth = np.zeros((2, len(frames)))
    for side in SIDES:
        holds = (held or {}).get(side, np.zeros(len(motion)))
        arm = Arm.of(seen, model, body, shape, side, holds[frames])
        if arm is None:
            continue
        turns, before, after = way_out(arm, motion.rate / step)
        depth = np.maximum(depth, [before, after])
        if turns.any():
            _turn(motion, rotations, arm, _at_all(turns, frames, len(motion)), holds)
    return motion.with_rotations(rotations), Clearance(frames, *depth)


def _chosen(motion: Motion, frames: Index) -> Motion:
    """Some frames of a motion."""
    return Motion(
        motion.skeleton,
        motion.rate,
        motion.rotations[frames],
        motion.root_translation[frames],
        {joint: track[frames] for joint, track in motion.translations.items()},
    )


def _at_all(turns: Array, frames: Index, count: int) -> Array:
    """Turns of some frames (N, 3) for all frames (F, 3), by a curve without corners."""
    every = np.arange(count)
    if len(frames) == count:
        return turns
    low = np.clip(np.searchsorted(frames, every, side="right") - 1, 0, len(frames) - 2)
    part = (every - frames[low]) / (frames[low + 1] - frames[low])
    slope = np.gradient(turns, frames, axis=0)
    span = (frames[low + 1] - frames[low])[:, None]
    p = part[:, None]
    a, b = turns[low], turns[low + 1]
    ease = smoothstep(p)
    return np.asarray(
        a * (1 - ease) + b * ease + span * (slope[low] * p * (1 - p) ** 2 - slope[low + 1] * p * p * (1 - p))
    )


def _turn(motion: Motion, rotations: Array, arm: Arm, turns: Array, held: Array) -> None:
    """Turn an arm's shoulder in `rotations` (F, J, 4); a held hand keeps its direction in the world."""
    rotations[:, arm.upper] = quat.mul(quat.exp(turns), rotations[:, arm.upper])
    if arm.hand is None or not held.any():
        return
    parents = motion.skeleton.parents
    above, fore = (joint_in_model(motion, parents[joint])[0] for joint in (arm.upper, arm.hand))
    back = quat.mul(quat.mul(above, quat.exp(-held[:, None] * turns)), quat.inv(above))
    turned = quat.mul(quat.mul(quat.inv(fore), back), fore)
    rotations[:, arm.hand] = quat.mul(turned, rotations[:, arm.hand])
