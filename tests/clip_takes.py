"""Takes of one body and clips of them, for tests of what recipes can ask of clips."""

from __future__ import annotations

from functools import cache

import numpy as np

import synthetic
from takemill.body.body_map import BodyMap
from takemill.body.motion import Motion
from takemill.clip.root_motion import add_root_joint
from takemill.feet.contacts import find_contacts
from takemill.health.check import Health
from takemill.maths import quat
from takemill.pipeline.finish_clip import FinishedClip
from takemill.pipeline.prepare_take import PreparedTake, digest_of
from takemill.pipeline.stages import make_set
from takemill.recipe.recipe import parse_recipe

RATE = 60.0
STRIDE = 'loop = true\nkind = "locomotion"\n'
"""A loop of steps."""

REST = '[[clip]]\nname = "rest"\ntake = "rest"\nfrom = 1\nto = 8\nloop = true\nroot_motion = "in_place"\n'


@cache
def take(name: str, rooted: bool = False) -> PreparedTake:
    """Takes of one body: a stroll in a bend, a turn of 172 degrees, a blow, a rest."""
    motion = {
        "stroll": lambda: synthetic.walk(rate=RATE, turn_deg=-60.0, idle_s=2.0).motion,
        "turn": lambda: synthetic.turn_in_place(rate=RATE, turn_deg=172.0).motion,
        "blow": blow,
        "rest": lambda: synthetic.idle(rate=RATE, duration_s=12.0).motion,
    }[name]()
    body = BodyMap.from_names(motion.skeleton, synthetic.parts())
    if rooted:
        motion, body = add_root_joint(motion, body)
    return prepared(motion, body, name)


def prepared(motion: Motion, body: BodyMap, name: str = "day") -> PreparedTake:
    """A take that is clean as it is."""
    contacts, none = find_contacts(motion, body), Health((), {})
    return PreparedTake(name, digest_of(motion), motion, body, motion, (), none, contacts)


def blow() -> Motion:
    """Standing four seconds; at 2 s the right arm is thrown forward and comes back."""
    motion = synthetic.idle(rate=RATE, duration_s=4.0).motion
    arm = motion.skeleton.index("right_upper_arm")
    away = np.arange(len(motion)) / RATE - 2.0
    swing = quat.from_axis_angle(np.array([1.0, 0.0, 0.0]), 1.4 * np.exp(-((away / 0.12) ** 2)))
    rotations = motion.rotations.copy()
    rotations[:, arm] = quat.mul(swing, rotations[:, arm])
    return motion.with_rotations(rotations)


def make(text: str, *names: str, rooted: bool = False) -> dict[str, FinishedClip]:
    """The clips of a recipe's text, by name."""
    return {one.name: one for one in make_set([take(name, rooted) for name in names], parse_recipe(text))}


def clip(name: str, of: str, start: float, stop: float, more: str = "") -> str:
    """A clip of a take, as a recipe says it."""
    return f'[[clip]]\nname = "{name}"\ntake = "{of}"\nfrom = {start}\nto = {stop}\n{more}\n'


def frames(one: FinishedClip, name: str) -> list[int]:
    """Where its events of a name lie."""
    return [event.frame for event in one.events if event.name == name]
