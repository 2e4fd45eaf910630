"""A prepared take of one day: standing, walking, standing; and clips of it."""

from __future__ import annotations

from functools import cache

import small_takes
from takemill.pipeline.finish_clip import FinishedClip
from takemill.pipeline.prepare_take import PreparedTake, body_of, prepare_take
from takemill.pipeline.stages import make_set
from takemill.recipe.recipe import Recipe, parse_recipe


@cache
def day() -> PreparedTake:
    motion = small_takes.stand_and_walk()
    return prepare_take("day", motion, body_of(motion.skeleton, Recipe()), Recipe())


def make(take: PreparedTake, text: str) -> tuple[FinishedClip, ...]:
    """The clips of a take and a recipe's text."""
    return make_set(take, parse_recipe(text))


def clip(name: str = "a", start: object = "3.5", stop: object = "8", more: str = "") -> str:
    """A clip, as a recipe says it."""
    return f'[[clip]]\nname = "{name}"\nfrom = {start}\nto = {stop}\n{more}\n'
