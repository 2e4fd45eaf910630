"""Actions for labelled takes: open motions as they are, mirrored, repeated, sped up or slowed down.

They are the DeepMimic references that `open_data` fetches; falls are their get-ups backwards. Gestures,
dodges and turns on the spot, which the references lack, are made here.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from labelled_guards import (
    AHEAD,
    RATE,
    UP,
    Guard,
    ankles,
    ease,
    guard_motion,
    join,
    open_motion,
    section,
    slerp,
    stand,
    the_body,
)
from takemill.base.checks import Array
from takemill.body.body_map import heading
from takemill.body.motion import Motion
from takemill.clip.mirror import mirror_motion
from takemill.maths import quat


@dataclass(frozen=True)
class Label:
    """What one stretch of a take is.

    Attributes:
        kinds: those that are right; most actions have one.
        start, stop: frames [start, stop), from where the guard is left to where it is reached again.
        limbs: the hands or feet that strike, in order: one for each strike.
        direction: "left" or "right" for what leans, bends or turns so; else "".
        source: which motion it is.
    """

    kinds: tuple[str, ...]
    start: int
    stop: int
    limbs: tuple[str, ...] = ()
    direction: str = ""
    source: str = ""


@dataclass(frozen=True)
class Action:
    """A motion to be set between guards, its labels from its first frame on, and how long it goes over."""

    motion: Motion
    labels: tuple[Label, ...]
    over_s: float = 0.45


def _whole(
    motion: Motion,
    *kinds: str,
    limbs: tuple[str, ...] = (),
    direction: str = "",
    source: str = "",
    over_s: float = 0.45,
) -> Action:
    return Action(motion, (Label(kinds, 0, len(motion), limbs, direction, source),), over_s)


def _punch(rng: np.random.Generator) -> Action:
    late = rng.uniform(1.15, 1.8)
    return _whole(section(open_motion("punch"), 0.3, late), "strike", limbs=("rightHand",), source="punch")


def _kick(_rng: np.random.Generator) -> Action:
    return _whole(section(open_motion("kick"), 0.12, 1.33), "strike", limbs=("rightFoot",), source="kick")


def _spin_kick(_rng: np.random.Generator) -> Action:
    return _whole(open_motion("spinkick"), "strike", limbs=("rightFoot",), source="spinkick")


def _combination(rng: np.random.Generator) -> Action:
    """Two or three strikes that go over into each other without a guard between them."""
    makers = [_punch_short, _punch_short, _kick]
    motion: Motion | None = None
    limbs: list[str] = []
    for k in range(int(rng.integers(2, 4))):
        one = makers[int(rng.integers(3))](rng)
        one = mirror_action(one) if (k + int(rng.integers(2))) % 2 else one
        limbs += one.labels[0].limbs
        motion = one.motion if motion is None else join(motion, one.motion, round(0.3 * RATE))
    assert motion is not None
    return _whole(motion, "strike", limbs=tuple(limbs), source="combination")


def _punch_short(_rng: np.random.Generator) -> Action:
    return _whole(section(open_motion("punch"), 0.35, 1.15), "strike", limbs=("rightHand",))


def _gait(
    name: str, direction: str = "", over_s: float = 0.5, least: int = 2
) -> Callable[[np.random.Generator], Action]:
    def make(rng: np.random.Generator) -> Action:
        motion = open_motion(name, int(rng.integers(least, least + 3)))
        return _whole(motion, "locomotion", direction=direction, source=name, over_s=over_s)

    return make


def _plain(
    name: str, *kinds: str, count: int = 1, over_s: float = 0.45
) -> Callable[[np.random.Generator], Action]:
    return lambda _rng: _whole(open_motion(name, count), *kinds, source=name, over_s=over_s)


def _fall(name: str) -> Callable[[np.random.Generator], Action]:
    """A get-up backwards, some rest on the floor, and the get-up."""

    def make(rng: np.random.Generator) -> Action:
        up = open_motion(name)
        rest, last = round(rng.uniform(1.6, 3.0) * RATE), len(up) - 1
        speed, ramp = 1.5, round(0.4 * RATE)
        pace = np.ones(round(last / speed) + ramp // 2)
        pace[-ramp:] = 1 - ease(np.linspace(0, 1, ramp))
        down = last - np.cumsum(pace) * last / pace.sum()
        pace = np.ones(last + ramp // 2)
        pace[:ramp] = ease(np.linspace(0, 1, ramp))
        rise = np.cumsum(pace) * last / pace.sum()
        frames = np.concatenate([down.clip(0), np.zeros(rest), rise.clip(0, last)])
        motion = up.sampled(frames, RATE)
        rotations = motion.rotations.copy()
        breath = np.radians(0.8) * np.sin(2 * np.pi * 0.25 * np.arange(len(motion)) / RATE)
        spine = the_body().require("spine")
        rotations[:, spine] = quat.mul(rotations[:, spine], quat.exp(breath[:, None] * AHEAD))
        lies, rises = len(down), len(down) + rest
        labels = (
            Label(("fall",), 0, lies, source=f"{name} backwards"),
            Label(("lying",), lies, rises, source="lying"),
            Label(("get_up",), rises, len(motion), source=name),
        )
        return Action(motion.with_rotations(rotations), labels, 0.6)

    return make


def _from_guard(guard: Guard, frames: int, rng: np.random.Generator) -> Motion:
    """The guard's motion without steps, to which a gesture or a dodge is added."""
    return guard_motion(replace(guard, steps_hz=0.0), frames, rng)


def _out_and_back(frames: int, out_s: float, back_s: float) -> Array:
    """0 to 1 in `out_s`, held, and back to 0 in `back_s`."""
    t = np.arange(frames) / RATE
    return ease(t / out_s) * (1 - ease((t - frames / RATE + back_s) / back_s))


def _gesture(guard: Guard, rng: np.random.Generator) -> Action:
    """A wave, a raised or pointing arm, or a bow."""
    body, what = the_body(), rng.choice(["wave", "raise", "point", "bow"])
    frames = round(rng.uniform(1.4, 3.0) * RATE)
    motion = _from_guard(guard, frames, rng)
    part = _out_and_back(frames, rng.uniform(0.4, 0.7), rng.uniform(0.45, 0.8))
    rotations, (places, turns) = motion.rotations.copy(), ankles(motion)
    if what == "bow":
        joint, turn = body.require("spine"), np.radians(rng.uniform(35, 65)) * AHEAD
        rotations[:, joint] = quat.mul(rotations[:, joint], quat.exp(part[:, None] * turn))
        return _whole(motion.with_rotations(rotations), "gesture", "other", source="bow", over_s=0.15)
    side = rng.choice(["left", "right"])
    sign = 1.0 if side == "left" else -1.0
    upper, lower = body.require(f"{side}UpperArm"), body.require(f"{side}LowerArm")
    lift = {"wave": (sign * 1.9, 1.2), "raise": (sign * 2.2, 0.4), "point": (sign * 0.4, 0.15)}[str(what)]
    target = quat.mul(
        quat.exp(np.array([lift[0], 0.0, 0.0])),
        quat.exp((-1.3 if what == "point" else -0.3) * AHEAD),
    )
    rotations[:, upper] = slerp(rotations[:, upper], np.broadcast_to(target, (frames, 4)), part)
    bend = quat.exp(-lift[1] * AHEAD)
    rotations[:, lower] = slerp(rotations[:, lower], np.broadcast_to(bend, (frames, 4)), part)
    if what == "wave":
        swing = 0.45 * np.sin(2 * np.pi * rng.uniform(1.2, 2.2) * np.arange(frames) / RATE) * part**2
        rotations[:, upper] = quat.mul(quat.exp(swing[:, None] * np.array([1.0, 0, 0])), rotations[:, upper])
    moved = stand(motion.with_rotations(rotations), places, turns)
    return _whole(moved, "gesture", limbs=(f"{side}Hand",), source=str(what), over_s=0.15)


def _dodge(guard: Guard, rng: np.random.Generator) -> Action:
    """A duck, a slip to one side, or a step aside or back: the head leaves the line and comes back."""
    body, what = the_body(), rng.choice(["duck", "slip", "step"])
    if what == "step":
        return _step_away(guard, rng)
    frames = round(rng.uniform(0.9, 1.4) * RATE)
    motion = _from_guard(guard, frames, rng)
    part = _out_and_back(frames, rng.uniform(0.28, 0.4), rng.uniform(0.35, 0.5))
    places, turns = ankles(motion)
    rotations, root = motion.rotations.copy(), motion.root_translation.copy()
    spine, side = body.require("spine"), rng.choice(["left", "right"])
    ahead = quat.rotate(quat.from_yaw(heading(motion, body)), np.array([0.0, -1.0, 0.0]))
    left = np.cross(UP, ahead)
    if what == "duck":
        root += part[:, None] * (-0.3 * UP - 0.06 * ahead)
        turn, side = 0.6 * AHEAD, ""
    else:
        sign = 1.0 if side == "left" else -1.0
        root += part[:, None] * (sign * 0.12 * left - 0.08 * UP)
        turn = np.array([-sign * 0.5, 0.15, 0.0])
    rotations[:, spine] = quat.mul(rotations[:, spine], quat.exp(part[:, None] * turn))
    moved = stand(Motion(motion.skeleton, RATE, rotations, root), places, turns)
    return _whole(moved, "dodge", direction=str(side), source=str(what), over_s=0.12)


def _step_away(guard: Guard, rng: np.random.Generator) -> Action:
    """Both feet step aside or back, one after the other, and return."""
    step_s, stay_s = rng.uniform(0.2, 0.26), rng.uniform(0.0, 0.3)
    frames = round((4 * step_s + stay_s + 0.1) * RATE)
    motion = _from_guard(guard, frames, rng)
    places, turns = ankles(motion)
    t, root = np.arange(frames) / RATE, motion.root_translation.copy()
    ahead = quat.rotate(quat.from_yaw(heading(motion, the_body())[0]), np.array([0.0, -1.0, 0.0]))
    side = str(rng.choice(["left", "right", "back"]))
    way = {"left": np.cross(UP, ahead), "right": -np.cross(UP, ahead), "back": -ahead}[side]
    way = rng.uniform(0.4, 0.55) * way
    first = 1 if side == "right" else 0
    for k in (first, 1 - first):
        late = 0.0 if k == first else step_s
        out = ease((t - 0.05 - late) / step_s)
        back = ease((t - 0.05 - 2 * step_s - stay_s - (step_s - late)) / step_s)
        part = out - back
        places[:, k] += part[:, None] * way + (0.06 * np.sin(np.pi * out) ** 2)[:, None] * UP
        places[:, k] += (0.06 * np.sin(np.pi * back) ** 2)[:, None] * UP
        root += 0.5 * part[:, None] * way
    moved = stand(Motion(motion.skeleton, RATE, motion.rotations, root), places, turns)
    return _whole(moved, "dodge", direction=side, source="step", over_s=0.12)


def _turn(guard: Guard, rng: np.random.Generator) -> Action:
    """A turn on the spot in small steps."""
    angle = float(rng.choice([-180, -90, 90, 180]))
    steps = 4 if abs(angle) > 100 else 2
    step_s = rng.uniform(0.32, 0.42)
    frames = round((steps + 1) * step_s * RATE)
    t = np.arange(frames) / RATE
    motion = _from_guard(guard, frames, rng)
    center = ankles(motion)[0].mean(axis=(0, 1)) * [1, 1, 0]
    yaw = np.radians(angle) * ease(t / t[-1])
    spun = quat.from_yaw(yaw)
    rotations = motion.rotations.copy()
    rotations[:, 0] = quat.mul(spun, rotations[:, 0])
    root = center + quat.rotate(spun, motion.root_translation - center)
    places, turns = ankles(motion)
    foot_yaw = np.zeros((frames, 2))
    lift = np.zeros((frames, 2))
    for n in range(steps):
        for k in (0, 1):  # each step has both feet, the inner first
            foot = k if angle > 0 else 1 - k
            swing = ease((t - step_s * (n + 0.5 * k + 0.25)) / (0.5 * step_s))
            foot_yaw[:, foot] += swing * np.radians(angle) / steps
            lift[:, foot] += 0.05 * np.sin(np.pi * swing) ** 2
    turn = quat.from_yaw(foot_yaw)
    places = center + quat.rotate(turn, places - center) + lift[..., None] * UP
    moved = stand(Motion(motion.skeleton, RATE, rotations, root), places, quat.mul(turn, turns))
    return _whole(
        moved, "turn", direction="left" if angle > 0 else "right", source=f"turn {angle:.0f}", over_s=0.12
    )


ACTIONS: dict[str, Callable[[np.random.Generator], Action]] = {
    "punch": _punch,
    "kick": _kick,
    "spinkick": _spin_kick,
    "combination": _combination,
    "walk": _gait("walk"),
    "walk_forward": _gait("walker/0walk_forward"),
    "walk_left": _gait("walker/turn_left1", "left"),
    "walk_right": _gait("walker/turn_right1", "right"),
    "run": _gait("run", over_s=0.6, least=3),
    "crawl": _gait("crawl", over_s=0.8, least=1),
    "jump": _plain("jump", "jump"),
    "backflip": _plain("backflip", "jump"),
    "roll": _plain("roll", "roll"),
    "cartwheel": _plain("cartwheel", "other", "roll"),
    "spin": _plain("spin", "other", "turn", "jump"),
    "dance_a": _plain("dance_a", "other", "turn", count=2),
    "dance_b": _plain("dance_b", "other", "jump", count=2),
    "fall_facedown": _fall("getup_facedown"),
    "fall_faceup": _fall("getup_faceup"),
}  # fmt: skip
"""The actions that are open motions."""

MADE = {"gesture": _gesture, "dodge": _dodge, "turn": _turn}


def mirror_action(action: Action) -> Action:
    """An action seen in a mirror: left is right."""
    other = {"left": "right", "right": "left"}

    def swap(word: str) -> str:
        side = next((one for one in other if word.startswith(one)), "")
        return other[side] + word[len(side) :] if side else word

    labels = tuple(
        replace(one, limbs=tuple(swap(limb) for limb in one.limbs), direction=swap(one.direction))
        for one in action.labels
    )
    return replace(action, motion=mirror_motion(action.motion, the_body()), labels=labels)


def pace_action(action: Action, speed: float) -> Action:
    """An action played `speed` times as fast."""
    last = len(action.motion) - 1
    frames = np.linspace(0, last, round(last / speed) + 1)
    scale = len(frames) / len(action.motion)
    labels = tuple(
        replace(one, start=round(one.start * scale), stop=round(one.stop * scale)) for one in action.labels
    )
    return replace(action, motion=action.motion.sampled(frames, RATE), labels=labels)
