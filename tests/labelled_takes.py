"""Long takes whose actions are known: open motions set between guards that bounce, breathe and step.

Each action is cross-faded with the guards around it, its feet stepping over one after the other, so that
neither skating nor a jump gives its ends away.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from labelled_actions import ACTIONS, MADE, Label, mirror_action, pace_action
from labelled_guards import RATE, Guard, calm_pose, guard_motion, join, the_body, turned
from takemill.body.body_map import BodyMap
from takemill.body.motion import Motion
from takemill.clip.mirror import mirror_motion
from wobble import noisy


@dataclass(frozen=True)
class LabelledTake:
    """A take, its body map and its labels in order of time."""

    motion: Motion
    body: BodyMap
    labels: tuple[Label, ...]


def labelled_take(
    seed: int, count: int = 14, actions: tuple[str, ...] = (*ACTIONS, *MADE), rests: bool | None = None
) -> LabelledTake:
    """A take of `count` actions between guards, in random order, headings and speeds.

    With `rests` the guard is kept for 1.5 to 4 s between actions and breathes; without, for 0.5 to 1.2 s,
    and it bounces and steps. When not given, the seed decides.
    """
    rng = np.random.default_rng([seed, 15])
    rests = bool(rng.integers(2)) if rests is None else rests
    name, at_s = (("punch", 0.1), ("kick", 0.03), ("jump", 0.0))[int(rng.integers(3))]
    pose = calm_pose(name, at_s)
    if rng.integers(2):
        pose = mirror_motion(pose, the_body())
    pose = turned(pose, rng.uniform(-np.pi, np.pi), np.zeros(3))
    if rests:
        guard = Guard(pose, 0.0 if name == "jump" else rng.uniform(0.0, 0.015), 1.6, 0.0, 0.0)
    else:
        guard = Guard(pose, rng.uniform(0.015, 0.03), rng.uniform(1.6, 2.3), 0.6, rng.uniform(0.05, 0.12))

    def dwell() -> float:
        return float(rng.uniform(1.5, 4.0) if rests else rng.uniform(0.5, 1.2))

    def guard_of(over: int) -> Motion:
        return guard_motion(guard, round(dwell() * RATE) + over, rng)

    # Each action as often as the others, but for the rest that is left over.
    chosen = np.concatenate([rng.permutation(actions) for _ in range(-(-count // len(actions)))])[:count]
    motion, labels, behind = guard_motion(guard, round(2.0 * RATE), rng), [], 0
    for number, word in enumerate(rng.permutation(chosen)):
        made = MADE[word](guard, rng) if word in MADE else ACTIONS[word](rng)
        made = mirror_action(made) if word not in MADE and rng.integers(2) else made
        made = pace_action(made, rng.uniform(0.85, 1.2)) if word not in MADE else made
        over = round(made.over_s * RATE)
        if number:
            motion = join(motion, guard_of(behind + over), behind)
        begin, behind = len(motion) - over, over
        motion = join(motion, made.motion, over)
        labels += [replace(one, start=begin + one.start, stop=begin + one.stop) for one in made.labels]
    motion = join(motion, guard_motion(guard, round(2.0 * RATE) + behind, rng), behind)
    return LabelledTake(motion, the_body(), tuple(labels))


def with_noise(take: LabelledTake, seed: int) -> LabelledTake:
    """The take with 0.3 degrees of white noise on every joint."""
    return replace(take, motion=noisy(take.motion, seed))
