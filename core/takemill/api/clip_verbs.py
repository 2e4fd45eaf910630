"""Verbs from takes to clips: suggest cuts and idles, find loops, make clips."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

from ..cuts import cuts
from ..cuts.cuts import Cut
from ..feet.contacts import find_contacts
from ..loops import loop_search
from ..loops.loop_search import LoopCandidate
from ..pipeline.cut_clip import keep_loops
from ..pipeline.finish_clip import FinishedClip
from ..pipeline.gait_clips import part_gaits
from ..pipeline.plan_clips import OnFailure
from ..pipeline.prepare_take import PreparedTake, Progress, ignore_progress
from ..pipeline.stages import make_set
from ..pipeline.suggest_idle import SuggestedIdle
from ..pipeline.suggest_idle import suggest_idle as suggest_take_idle
from ..recipe.recipe import ClipSpec, Moment, Recipe, parse_moment
from ..sets.packing import expect_set, partial_progress
from .take_verbs import AnyRecipe, AnyTake, prepare, recipe_of, repair_take, take_of
from .working_take import Take


def suggest_cuts(take: AnyTake, recipe: AnyRecipe = None) -> tuple[Cut, ...]:
    """Suggested clips: name, kind, frames [start, stop), loop or not, limbs that strike, how sure and why.

    One that is raw is repaired first.

    Example:
        >>> [(cut.name, cut.start, cut.stop) for cut in takemill.suggest_cuts("take.bvh")]

    Raises:
        TakemillError: the file cannot be read, or a setting is not above 0.
    """
    recipe = recipe_of(recipe)
    take = repair_take(take, recipe)
    contacts = take.contacts or find_contacts(take.motion, take.body_map, recipe.contacts)
    found = cuts.suggest_cuts(take.motion, take.body_map, recipe.cuts, contacts)
    found = keep_loops(found, take.motion, take.body_map, contacts, recipe)
    return part_gaits(found, take.motion, take.body_map, contacts, recipe)


def find_loops(
    take: AnyTake,
    start: float | str | None = None,
    stop: float | str | None = None,
    recipe: AnyRecipe = None,
) -> tuple[LoopCandidate, ...]:
    """Where a stretch of a take repeats itself, the best first: frames `start` and `end`, and their gaps.

    One that is raw is repaired first.

    Example:
        >>> best = takemill.find_loops("take.bvh", 3.5, "480f")[0]
        >>> best.start, best.end, best.gap_cm, best.quality

    Args:
        take: the take, or its file.
        start: where the stretch begins: seconds, or a frame as "90f"; None for the take's first.
        stop: where it ends, and its last frame; None for the take's last.
        recipe: its [repair] and [loop] count.

    Raises:
        TakemillError: the stretch leaves the take, or is shorter than the shortest loop.
    """
    recipe = recipe_of(recipe)
    take = repair_take(take, recipe)
    low, high = _frames(take, start, stop)
    contacts = take.contacts or find_contacts(take.motion, take.body_map, recipe.contacts)
    return loop_search.find_loops(take.motion, take.body_map, recipe.loop, contacts, (low, high))


def suggest_idle(
    take: AnyTake,
    length_s: float = 30.0,
    seed: int = 0,
    start: float | str | None = None,
    stop: float | str | None = None,
    recipe: AnyRecipe = None,
) -> SuggestedIdle:
    """An idle of `length_s` from the calm of a take, and the fidgets beside it, as clips of a recipe.

    One that is raw is repaired first.

    Example:
        >>> found = takemill.suggest_idle("calm.bvh", 20)
        >>> found.parts, found.duration_s, found.facts.repeats, found.idle, found.fidgets

    Args:
        take: the take, or its file.
        length_s: how long it shall last; with a breath in it, whole breaths.
        seed: of the order of its parts.
        start: where calm is looked for: seconds, or a frame as "90f"; None for the take's first.
        stop: where that ends; None for the take's last.
        recipe: its [repair], [contacts] and [cuts].

    Raises:
        TakemillError: the body rests nowhere there, or its parts close to no loop of that length.
    """
    recipe = recipe_of(recipe)
    take = repair_take(take, recipe)
    return suggest_take_idle(prepare(take, recipe), recipe, length_s, seed, _frames(take, start, stop))


def _frames(take: Take, start: float | str | None, stop: float | str | None) -> tuple[int, int]:
    """The frames [start, stop) of a stretch whose ends are said, or the take's."""
    first, last = (
        end if given is None else parse_moment(str(given), name)
        for name, given, end in (
            ("start", start, Moment(0)),
            ("stop", stop, Moment(take.frames - 1, in_frames=True)),
        )
    )
    return ClipSpec("the stretch", first, last).frames(take.frames, take.rate)


def make_clips(
    takes: AnyTake | Sequence[AnyTake],
    recipe: AnyRecipe = None,
    progress: Progress = ignore_progress,
    *,
    failed: OnFailure | None = None,
) -> tuple[FinishedClip, ...]:
    """The clips of a recipe, or those that suggest themselves, as `pack_takes` would write them.

    Example:
        >>> clips = takemill.make_clips("take.bvh", "set.toml")
        >>> [(clip.name, clip.kind, clip.loop, clip.events) for clip in clips]

    Args:
        takes: one or several, of one skeleton.
        recipe: what to make, and how.
        progress: called with what is being done, and the share that is done, 0 to 1.
        failed: called with the name of each clip that cannot be made and its error; the others are made.
            None: the first such error is raised.

    Raises:
        TakemillError: anything is wrong with the takes or the recipe.
    """
    recipe = recipe_of(recipe)
    prepared = prepare_all(takes, recipe, partial_progress(progress, 0.0, 0.7))
    return make_set(prepared, recipe, partial_progress(progress, 0.7, 0.3), failed)


def read_all(takes: AnyTake | Sequence[AnyTake], recipe: Recipe) -> list[Take]:
    """Takes of one skeleton, with names of their own, that the recipe's clips lie within.

    Raises:
        TakemillError: they are not.
    """
    many = [takes] if isinstance(takes, Take | str | Path) else list(takes)
    read = [take_of(one, recipe) for one in many]
    known = expect_set([(one.name, (one.motion, one.body_map, one.layout)) for one in read], recipe)
    return [replace(one, motion=known[one.name][0], body_map=known[one.name][1]) for one in read]


def prepare_all(takes: AnyTake | Sequence[AnyTake], recipe: Recipe, progress: Progress) -> list[PreparedTake]:
    """The takes of `read_all`, repaired and judged."""
    read = read_all(takes, recipe)
    parts = (partial_progress(progress, number / len(read), 1 / len(read)) for number in range(len(read)))
    return [prepare(one, recipe, part) for one, part in zip(read, parts, strict=True)]
