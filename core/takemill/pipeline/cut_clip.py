"""A clip's frames cut out of a take and, where they are to repeat, closed; at the take's rate."""

from __future__ import annotations

from dataclasses import dataclass, replace

from ..base.errors import InputError, RecipeError
from ..body.body_map import BodyMap
from ..body.motion import Motion
from ..clip.chain import join_stretches
from ..clip.events import Event
from ..clip.loop_close import close_range
from ..clip.loop_search import MIN_LENGTH_S, LoopCandidate, find_loops, measure_loops
from ..feet.contacts import Contacts, find_contacts
from ..recipe.recipe import ClipSpec, Recipe
from .prepare_take import PreparedTake

_LOOP_KINDS = {
    "locomotion": "locomotion",
    "idle": "idle",
    "lying": "idle",
}  # how the loop of a kind is searched for


@dataclass(frozen=True)
class Piece:
    """A stretch of a take, cut out and, if it is to repeat, closed; at the take's rate.

    Attributes:
        motion: its frames.
        body: of its skeleton.
        contacts: of its frames.
        candidate: the seam of a loop; None for others.
        events: the user's, by frame.
        source, source_range, stretches: as in `FinishedClip`.
    """

    motion: Motion
    body: BodyMap
    contacts: Contacts
    candidate: LoopCandidate | None
    events: tuple[Event, ...]
    source: str
    source_range: tuple[int, int]
    stretches: tuple[tuple[int, int], ...]


def cut_clip(take: PreparedTake, spec: ClipSpec, recipe: Recipe) -> Piece:
    """A clip's frames of a take, joined from its stretches and closed where it repeats.

    Raises:
        RecipeError: the clip leaves the take, has no loop in its range, or an event outside it.
    """
    ranges = spec.ranges(len(take.motion), take.motion.rate)
    whole, contacts, (start, stop) = take.motion, take.contacts, ranges[0]
    if len(ranges) > 1:
        try:
            whole = join_stretches([take.motion.slice(*one) for one in ranges], take.body)
        except InputError as problem:
            raise RecipeError(f"{spec}: {problem}") from problem
        contacts, start, stop = find_contacts(whole, take.body, recipe.contacts), 0, len(whole)
    candidate, motion = None, whole.slice(start, stop)
    if spec.loop:
        candidate = _find_seam(whole, take.body, contacts, (start, stop), spec, recipe)
        start, stop = candidate.start, candidate.end + 1
        motion = close_range(whole, take.body, start, candidate.end, recipe.close)
    joined = ranges if len(ranges) > 1 else ()
    return Piece(
        motion,
        take.body,
        contacts.sliced(start, stop),
        candidate,
        () if joined else _named_events(spec, start, stop, take.motion.rate),
        take.name,
        (min(low for low, _ in ranges), max(high for _, high in ranges)) if joined else (start, stop),
        joined,
    )


def _find_seam(
    whole: Motion,
    body: BodyMap,
    contacts: Contacts,
    within: tuple[int, int],
    spec: ClipSpec,
    recipe: Recipe,
) -> LoopCandidate:
    """The best loop of a clip's frames [start, stop), or all of them when no search is wanted."""
    settings = recipe.loop
    if settings.kind == "auto" and spec.kind in _LOOP_KINDS:
        settings = replace(settings, kind=_LOOP_KINDS[spec.kind])
    if not spec.search:
        return measure_loops(whole, body, [(within[0], within[1] - 1)], settings)[0]
    if settings.shortest_s is None and (within[1] - 1 - within[0]) / whole.rate < MIN_LENGTH_S["idle"]:
        settings = replace(settings, shortest_s=MIN_LENGTH_S["locomotion"])  # so short a range asks for it
    try:
        found = find_loops(whole, body, settings, contacts, within)
    except InputError as problem:
        raise RecipeError(f"{spec}: {problem}") from problem
    if not found:
        raise RecipeError(
            f"{spec}: no loop in its range; widen it, close it as it is (search = false; in Blender untick "
            "Find Best Seam), or make it no loop (loop = false; untick Loop)"
        )
    return found[0]


def _named_events(spec: ClipSpec, start: int, stop: int, rate: float) -> tuple[Event, ...]:
    events = []
    for one in spec.events:
        frame = one.at.frame(rate)
        if not start <= frame < stop:
            raise RecipeError(
                f"{spec}: its event {one.name!r} at {one.at} lies outside it; "
                f"it holds {start / rate:.3f} s to {(stop - 1) / rate:.3f} s of the take"
            )
        events.append(Event(one.name, frame - start))
    return tuple(events)
