"""The idle of a wanted length that a take suggests, with its fidgets: what the recipe would ask for."""

from __future__ import annotations

from dataclasses import dataclass

from ..base.errors import InputError
from ..cuts.cuts import suggest_cuts
from ..idle.idle import IdleFacts, build_idle, choose_idle
from ..idle.idle_fidgets import find_fidgets
from ..idle.idle_pool import find_calm
from ..recipe.recipe import ClipSpec, Moment, Recipe
from .prepare_take import PreparedTake


@dataclass(frozen=True)
class SuggestedIdle:
    """An idle that can be made, and what goes with it.

    Attributes:
        calm: the stretches [start, stop) of the take in which the body rests.
        parts: those of which the idle is made, in their order.
        duration_s: how long it lasts.
        facts: how it is put together.
        idle: the clip that makes it.
        fidgets: the clips of movements between the calm stretches; they begin and end in the idle's first
            pose, with its speed.
    """

    calm: tuple[tuple[int, int], ...]
    parts: tuple[tuple[int, int], ...]
    duration_s: float
    facts: IdleFacts
    idle: ClipSpec
    fidgets: tuple[ClipSpec, ...]


def suggest_idle(
    take: PreparedTake,
    recipe: Recipe,
    length_s: float = 30.0,
    seed: int = 0,
    within: tuple[int, int] | None = None,
    name: str = "idle",
) -> SuggestedIdle:
    """The idle of `length_s` from frames `within` [start, stop) of a take, and its fidgets.

    `within` None is all of it.

    Raises:
        InputError: the body rests nowhere there, or its parts close to no loop of that length.
    """
    motion, body, contacts = take.motion, take.body, take.contacts
    first, stop = within or (0, len(motion))
    if stop - first < 2:
        raise InputError("an idle: its range holds less than two frames")
    calm = find_calm(motion, body, contacts, ((first, stop),))
    parts = choose_idle(motion, body, contacts, ((first, stop),), length_s, seed)
    idle = build_idle(motion, body, contacts, parts, length_s)
    spec = ClipSpec(
        name,
        Moment(first, in_frames=True),
        Moment(stop - 1, in_frames=True),
        loop=True,
        root_motion="in_place",
        kind="idle",
        length_s=length_s,
        seed=seed,
    )
    found = find_fidgets(motion, body, calm, suggest_cuts(motion, body, recipe.cuts, contacts))
    fidgets = tuple(
        ClipSpec(
            f"fidget_{number:02}",
            Moment(one.start, in_frames=True),
            Moment(one.stop - 1, in_frames=True),
            root_motion="root",
            kind=one.kind,
            follows=name,
            leads_to=name,
        )
        for number, one in enumerate(found, 1)
    )
    return SuggestedIdle(calm, parts, idle.motion.duration_s, idle.facts, spec, fidgets)
