"""The idle of a wanted length that a clip asks for, put together from its take."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from itertools import pairwise

from ..base.errors import InputError, RecipeError
from ..clip.seam_quality import REFUSED
from ..idle.idle import Idle, build_idle, choose_idle
from ..loops.loop_search import LoopCandidate, measure_loops
from ..recipe.recipe import ClipSpec, Recipe
from .prepare_take import PreparedTake

Ranges = Sequence[tuple[int, int]]

_QUALITIES = ("good", "fair", "poor", "bad")  # as of seam_quality


def cut_idle(
    take: PreparedTake, spec: ClipSpec, ranges: Ranges, recipe: Recipe
) -> tuple[Idle, LoopCandidate, tuple[tuple[int, int], ...]]:
    """The idle of a clip with a length, the worst of its joins, and its parts [start, stop) of the take.

    Raises:
        RecipeError: its ranges hold too little calm, or parts that are given in their order do not join.
    """
    motion, body = take.motion, take.body
    try:
        parts = tuple(ranges)
        if spec.search and spec.length_s is not None:
            parts = choose_idle(motion, body, take.contacts, ranges, spec.length_s, spec.seed)
        pin = recipe.pin if recipe.close.pin else None
        idle = build_idle(motion, body, take.contacts, parts, spec.length_s, pin)
    except InputError as problem:
        raise RecipeError(f"{spec}: {problem}") from problem
    joins = [(after[0], before[1]) for before, after in pairwise((*parts, parts[0]))]
    worst = max(
        measure_loops(motion, body, joins, replace(recipe.loop, kind="idle")),
        key=lambda one: (_QUALITIES.index(one.quality), one.gap_cm),
    )
    if worst.quality in REFUSED and recipe.loop.bad_seam != "keep":
        raise RecipeError(
            f"{spec}: its join from frame {worst.end} of the take to frame {worst.start} is bad: "
            f"{worst.gap_cm:.1f} cm and {worst.gap_cm_s:.0f} cm/s; {worst.note}. Let its parts be chosen "
            "(search = true; in Blender tick Find Best Seam), or take others; "
            '[loop] bad_seam = "keep" joins them all the same'
        )
    return idle, worst, parts
