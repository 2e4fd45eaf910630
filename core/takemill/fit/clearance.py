"""Arms that stay out of the body: turned at the shoulder, only where and when their surfaces would meet.

Arms, trunk, head and thighs are capsules (see body_shape). Where one of an arm lies inside the body, the arm
turns about its shoulder until it is out, the nearest way; the turn comes and goes smoothly, so that an arm
makes way before it would touch. What touches in the character's own reference pose may stay as it is there.
A hand that has a goal keeps its place: its elbow turns about the line from shoulder to wrist.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from ..base.checks import Array, Index
from ..body.body_map import BodyMap
from ..body.body_parts import FINGERS, SIDES
from ..body.motion import Motion
from ..body.posed import joint_in_model
from ..maths import quat
from ..maths.blocks import each_solved
from ..maths.capsule_distance import all_distances, capsule_distances
from ..maths.easing import smoothstep
from ..shape.capsules import TRUNK, Capsules

# Those without a note were chosen by trial on the samples' take and on hands at hips, belly and thighs.
_RATE_HZ = 30.0  # frames at which it is looked for: arms move by a few centimetres between them
_GAP_M = 0.006  # left between surfaces: as far as capsules may lie inside a mesh
_EASE_S = 0.55  # a turn comes and goes within so long
_ROUNDS = 12
_LARGER = 1.02  # times another turn's size: then it counts in its place
_MAX_TURN_RAD = np.radians(60.0)  # of an arm: beyond it a gesture is another one (by eye)
_MAX_STEP_RAD = np.radians(15.0)  # of a round: beyond it the nearest way out is another one
_TOLERANCE_M = 0.001  # of what is still inside, at which no more rounds follow
_DAMPING_SHARE = 0.2  # of a forearm's length, squared: how little lever still turns an arm
_TWIST_COST = 4.0  # of a turn about the upper arm beside one that lifts it
_TOUCHES_M = 1.0  # taken from what a held hand, and the forearm beside it, lack: more than ever lacks
# How far the capsules of a held hand may be inside of what it touches. With 2 mm meshes are 0 to 3 mm inside
# and hands on hips 13 to 16 mm from their goals, with 10 mm 3 and 6 to 8 mm, with 12 mm 5 and 4 to 6.
_ENTERS_M = 0.010
# Capsules that are nearly as deep as the deepest count with it, so that no small step changes the way out.
_SEVERAL, _BLEND_M = 4, 0.006
_CORE_SHARE = 0.25  # of a capsule's radius: nearer to its axis its surface does not tell the way out
_HOLD = 30.0  # how much a hand's goal counts beside an elbow's way out
_NEAR_FRAMES = 1024  # worked on at a time
_UPPER_ARM_SHARE = 0.5  # of the upper arm, from the elbow: above it lies at the trunk, as arms do


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
        arm = _Arm.of(seen, model, body, shape, side, holds[frames])
        if arm is None:
            continue
        turns, before, after = _way_out(arm, motion.rate / step)
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


@dataclass(frozen=True)
class _Arm:
    """One arm and what it must stay out of, in N frames; places are about the shoulder.

    Attributes:
        upper: the joint at the shoulder.
        hand: the joint at the wrist; None where there is none.
        above: (N, 4) the turn of what carries the arm, in model space.
        outward: (N, 3) out of the body's core: to the arm's side, and ahead where the hand is.
        ends: (2, N, A, 3) of its capsules.
        radius: (A,).
        groups: the capsules of upper arm, forearm and hand.
        touching: those that touch what a held hand reaches for: the hand's and the forearm's last.
        body_ends: (2, N, B, 3) of the other capsules.
        body_radius: (B,).
        room: (A, B) how far apart each two must stay: less where they are nearer in the reference pose.
        wrist: (N, 3).
        along: (N, 3) the upper arm's direction.
        length: of the forearm.
        held: (N,) how much the hand keeps its place.
    """

    upper: int
    hand: int | None
    above: Array
    outward: Array
    ends: Array
    radius: Array
    groups: tuple[Index, ...]
    touching: Index
    body_ends: Array
    body_radius: Array
    room: Array
    wrist: Array
    along: Array
    length: float
    held: Array

    @classmethod
    def of(
        cls,
        motion: Motion,
        model: tuple[Array, Array],
        body: BodyMap,
        shape: Capsules,
        side: str,
        held: Array,
    ) -> _Arm | None:
        """The arm of a side; None where its joints or its surface are not known."""
        upper, lower = body.get(f"{side}UpperArm"), body.get(f"{side}LowerArm")
        if upper is None or lower is None or motion.skeleton.parents[upper] < 0:
            return None
        other = body.get({"left": "right", "right": "left"}[side] + "UpperArm")
        hand = body.get(f"{side}Hand")
        groups, mine = _arm_capsules(shape, side)
        theirs = shape.of(*TRUNK, "neck", "head", *(f"{one}UpperLeg" for one in SIDES))
        if not len(mine) or not len(theirs):
            return None
        rotations, positions = model
        shoulder = positions[:, upper]
        ends = [
            np.stack(shape.placed(rotations, positions, one)) - shoulder[:, None] for one in (mine, theirs)
        ]
        turned, at = motion.skeleton.reference_model
        (a, b), (c, d) = (shape.placed(turned[None], at[None], one) for one in (mine, theirs))
        apart = all_distances(a, b, shape.radius[mine], c, d, shape.radius[theirs])[0]
        middle = positions[:, other] if other is not None else positions[:, motion.skeleton.parents[upper]]
        hips = positions[:, body.require("hips")]
        outward = _across_spine(shoulder - middle, positions[:, hand or lower] - hips, shoulder - hips)
        along = positions[:, lower] - shoulder
        wrist = positions[:, hand if hand is not None else lower] - shoulder
        return cls(
            upper,
            hand,
            rotations[:, motion.skeleton.parents[upper]],
            outward / np.maximum(quat.length(outward)[:, None], 1e-9),
            ends[0],
            shape.radius[mine],
            groups,
            _touching(shape, mine, side),
            ends[1],
            shape.radius[theirs],
            np.minimum(_GAP_M, apart),
            wrist,
            along / np.maximum(quat.length(along)[:, None], 1e-9),
            float(np.median(quat.length(wrist - along))) or 0.1,
            held,
        )


def _across_spine(aside: Array, hand: Array, up: Array) -> Array:
    """The way out (N, 3) for what lies in the core: to the arm's side, and to where its hand is."""
    up = up - aside * (np.einsum("ni,ni->n", up, aside) / np.einsum("ni,ni->n", aside, aside))[:, None]
    away = hand - up * (np.einsum("ni,ni->n", hand, up) / np.einsum("ni,ni->n", up, up))[:, None]
    return (
        aside / np.maximum(quat.length(aside), 1e-9)[:, None]
        + away / np.maximum(quat.length(away), 1e-9)[:, None]
    )


def _arm_capsules(shape: Capsules, side: str) -> tuple[tuple[Index, ...], Index]:
    """The capsules of an arm that must stay out: which are of upper arm, forearm and hand; and all."""
    fingers = [f"{side}{finger}{joint}" for finger, joints in FINGERS.items() for joint in joints]
    upper = shape.of(f"{side}UpperArm")
    if len(upper):  # those that begin below its middle
        ahead = [float(np.linalg.norm(shape.a[k])) for k in upper]
        whole = max(float(np.linalg.norm(shape.b[k])) for k in upper)
        upper = upper[np.array(ahead) > (1 - _UPPER_ARM_SHARE) * whole]
    parts = [upper, shape.of(f"{side}LowerArm"), shape.of(f"{side}Hand", *fingers)]
    stops = np.cumsum([0, *map(len, parts)])
    groups = tuple(np.arange(a, b) for a, b in pairwise(stops) if b > a)
    return groups, np.concatenate(parts)


def _touching(shape: Capsules, mine: Index, side: str) -> Index:
    """Which of an arm's capsules lie at its hand, or are of it."""
    fore = [k for k in mine if shape.parts[k] == f"{side}LowerArm"]
    ends = {k: float(np.linalg.norm(shape.b[k])) for k in fore}
    last = [k for k in fore if ends[k] > 0.9 * max(ends.values())]
    hands = [k for k in mine if not shape.parts[k].endswith("Arm")]
    return np.flatnonzero(np.isin(mine, [*hands, *last]))


def _way_out(arm: _Arm, rate: float) -> tuple[Array, Array, Array]:
    """The turns (N, 3) of the upper arm in its parent's space, and how deep (N,) before and after."""
    width = max(round(_EASE_S * rate), 1)
    turns = whole = np.zeros((len(arm.above), 3))
    asked, before = _asked(arm, turns, np.arange(len(turns)))
    after = before.copy()
    for _ in range(_ROUNDS):
        if not after.max() > _TOLERANCE_M:
            break
        more = _spread(asked, width)
        whole = whole + more
        turns = _bounded(whole)
        moved = np.flatnonzero(more.any(axis=1))
        asked = np.zeros_like(turns)
        asked[moved], after[moved] = _asked(arm, turns, moved)
    return turns, before, after


def _asked(arm: _Arm, turns: Array, frames: Index) -> tuple[Array, Array]:
    """The further turns (M, 3) that bring the arm out in some frames, and how deep (M,) it lies now."""
    asked, depth = np.zeros((len(frames), 3)), np.zeros(len(frames))
    for start in range(0, len(frames), _NEAR_FRAMES):
        block = slice(start, start + _NEAR_FRAMES)
        asked[block], depth[block] = _asked_in(arm, turns[frames[block]], frames[block])
    return asked, depth


def _asked_in(arm: _Arm, turns: Array, block: Index) -> tuple[Array, Array]:
    """The same for some frames."""
    above, held = arm.above[block], arm.held[block]
    turn = quat.mul(quat.mul(above, quat.exp(turns)), quat.inv(above))
    ends = quat.rotate(turn[:, None], arm.ends[:, block])
    others = arm.body_ends[:, block]
    lacking = arm.room - all_distances(ends[0], ends[1], arm.radius, others[0], others[1], arm.body_radius)
    inside = lacking[:, arm.touching] - (_GAP_M + _ENTERS_M)
    lacking[:, arm.touching] -= _TOUCHES_M * held[:, None, None]  # it touches what it reaches for
    outward = arm.outward[block]
    matrix, right = np.zeros((len(turns), 3, 3)), np.zeros((len(turns), 3))
    deepest = np.zeros(len(turns))
    for group in arm.groups:
        missing, lever = _worst(arm, ends, others, lacking[:, group], group, outward)
        deepest = np.maximum(deepest, missing)
        matrix += np.where(missing > 0, 1.0, 0.0)[:, None, None] * lever[:, :, None] * lever[:, None, :]
        right += missing[:, None] * lever
    entered, lever = _worst(arm, ends, others, inside, arm.touching, outward)
    entered = entered * held
    deepest = np.maximum(deepest, entered)
    deep = np.flatnonzero(deepest > 0)
    asked = np.zeros_like(turns)
    if len(deep):
        wrist = quat.rotate(turn, arm.wrist[block])[deep]
        matrix = matrix[deep] + _cost(arm, quat.rotate(turn, arm.along[block])[deep], held[deep])
        matrix += _HOLD * held[deep, None, None] * _keeping(wrist)
        found = each_solved(matrix, right[deep, :, None])[..., 0]
        axis = wrist / np.maximum(quat.length(wrist), 1e-9)[:, None]
        aside = found - np.einsum("ni,ni->n", found, axis)[:, None] * axis
        found -= held[deep, None] * aside
        square = np.einsum("ni,ni->n", lever[deep], lever[deep]) + (_DAMPING_SHARE * arm.length) ** 2
        found += (entered[deep] / square)[:, None] * lever[deep]
        found *= np.minimum(1.0, _MAX_STEP_RAD / np.maximum(quat.length(found), 1e-9))[:, None]
        asked[deep] = quat.rotate(quat.inv(above[deep]), found)
    return asked, deepest


def _worst(
    arm: _Arm, ends: Array, others: Array, lacking: Array, group: Index, outward: Array
) -> tuple[Array, Array]:
    """Of some capsules (G,) of an arm the one that lacks most room: how much (N,), and its lever (N, 3).

    A turn (N, 3) moves it out of the body by the product with its lever.
    """
    count = np.arange(len(lacking))
    flat = lacking.reshape(len(lacking), -1)
    several = min(_SEVERAL, flat.shape[1])
    best = np.argpartition(-flat, several - 1, axis=1)[:, :several]
    lacks = np.take_along_axis(flat, best, axis=1)
    most = lacks.max(axis=1)
    weight = np.exp((lacks - most[:, None]) / _BLEND_M)
    weight /= weight.sum(axis=1, keepdims=True)
    lever = np.zeros((len(lacking), 3))
    for k in range(several):
        mine, theirs = group[best[:, k] // lacking.shape[2]], best[:, k] % lacking.shape[2]
        _, here, there = capsule_distances(
            ends[0, count, mine], ends[1, count, mine], arm.radius[mine],
            others[0, count, theirs], others[1, count, theirs], arm.body_radius[theirs],
        )  # fmt: skip
        way = _outwards(here - there, arm.body_radius[theirs], outward)
        lever += weight[:, k, None] * np.cross(here, way)
    return np.maximum(most, 0.0), lever


def _outwards(apart: Array, radius: Array, outward: Array) -> Array:
    """The directions (N, 3) out of the body: off its capsules, and `outward` for what lies in their core."""
    away = quat.length(apart)
    inside = smoothstep(np.clip(1 - away / (_CORE_SHARE * radius), 0.0, 1.0))
    way = apart / np.maximum(away, 1e-9)[:, None] * (1 - inside)[:, None] + inside[:, None] * outward
    return way / np.maximum(quat.length(way), 1e-9)[:, None]


def _cost(arm: _Arm, along: Array, held: Array) -> Array:
    """What a turn costs (N, 3, 3): little, and more about the upper arm itself."""
    least = (_DAMPING_SHARE * arm.length) ** 2
    twist = (_TWIST_COST - 1) * (1 - held)[:, None, None] * along[:, :, None] * along[:, None, :]
    return least * (np.eye(3) + twist)


def _keeping(wrist: Array) -> Array:
    """How far (N, 3, 3) a turn moves the wrist (N, 3), squared: nothing about its own direction."""
    square = np.einsum("ni,ni->n", wrist, wrist)
    return square[:, None, None] * np.eye(3) - wrist[:, :, None] * wrist[:, None, :]


def _spread(asked: Array, width: int) -> Array:
    """The same turns (N, 3), smooth in time: each reaches `width` frames to either side at its full size."""
    best, size = asked.copy(), quat.length(asked)
    for step in range(1, width + 1):
        for shifted in (_shifted(asked, step), _shifted(asked, -step)):
            larger = quat.length(shifted) > _LARGER * size  # else the nearer in time stays
            best[larger], size = shifted[larger], np.maximum(size, quat.length(shifted))
    bell = np.hanning(2 * width + 3)[1:-1]
    padded = np.pad(best, ((width, width), (0, 0)), mode="edge")
    return np.stack([np.convolve(padded[:, k], bell / bell.sum(), mode="valid") for k in range(3)], axis=-1)


def _bounded(turns: Array) -> Array:
    """Turns (N, 3) that come near the largest one softly, and never pass it."""
    size = quat.length(turns)[:, None]
    return np.asarray(turns * (_MAX_TURN_RAD * np.tanh(size / _MAX_TURN_RAD) / np.maximum(size, 1e-9)))


def _shifted(values: Array, step: int) -> Array:
    """Values (N, 3), later by `step` frames; zeros come in."""
    out = np.zeros_like(values)
    if step > 0:
        out[step:] = values[:-step] if step < len(values) else values[:0]
    else:
        out[:step] = values[-step:] if -step < len(values) else values[:0]
    return out


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


def _turn(motion: Motion, rotations: Array, arm: _Arm, turns: Array, held: Array) -> None:
    """Turn an arm's shoulder in `rotations` (F, J, 4); a held hand keeps its direction in the world."""
    rotations[:, arm.upper] = quat.mul(quat.exp(turns), rotations[:, arm.upper])
    if arm.hand is None or not held.any():
        return
    parents = motion.skeleton.parents
    above, fore = (joint_in_model(motion, parents[joint])[0] for joint in (arm.upper, arm.hand))
    back = quat.mul(quat.mul(above, quat.exp(-held[:, None] * turns)), quat.inv(above))
    turned = quat.mul(quat.mul(quat.inv(fore), back), fore)
    rotations[:, arm.hand] = quat.mul(turned, rotations[:, arm.hand])
