"""A clip's frames cut out of a take and, where they are to repeat, closed; at the take's rate."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from ..base.errors import InputError, RecipeError, SeamError
from ..body.body_map import BodyMap
from ..body.motion import Motion
from ..clip.chain import Join, find_joins, join_stretches
from ..clip.events import Event
from ..clip.seam_quality import REFUSED, SUGGESTED
from ..cuts.cuts import Cut
from ..feet.contacts import Contacts, find_contacts
from ..fit.clearance import Clearance
from ..goals.goal_results import GoalResult
from ..idle.idle import IdleFacts
from ..loops.loop_close import close_range
from ..loops.loop_search import MIN_LENGTH_S, LoopCandidate, LoopSettings, find_loops, measure_loops
from ..recipe.recipe import ClipSpec, Recipe
from .cut_idle import cut_idle
from .leg_reach import LegReach
from .prepare_take import PreparedTake

_LOOP_KINDS = {
    "locomotion": "locomotion",
    "idle": "idle",
    "lying": "idle",
}  # how the loop of a kind is searched for
_MAX_TOLD = 3  # other seams that a refusal names: as many as a line has room for


@dataclass(frozen=True)
class Piece:
    """A stretch of a take, cut out and, if it is to repeat, closed; at the take's rate.

    Attributes:
        motion: its frames.
        body: of its skeleton.
        contacts: of its frames.
        candidate: the seam of a loop; None for others.
        events: the user's, by frame.
        source, source_range, stretches, goals, idle, clearance, reach, stretch_joins: as in `FinishedClip`.
    """

    motion: Motion
    body: BodyMap
    contacts: Contacts
    candidate: LoopCandidate | None
    events: tuple[Event, ...]
    source: str
    source_range: tuple[int, int]
    stretches: tuple[tuple[int, int], ...]
    goals: tuple[GoalResult, ...] = ()
    idle: IdleFacts | None = None
    clearance: Clearance | None = None
    reach: LegReach | None = None
    stretch_joins: tuple[Join, ...] = ()


def cut_clip(take: PreparedTake, spec: ClipSpec, recipe: Recipe, judged: bool = False) -> Piece:
    """A clip's frames of a take, joined from its stretches and closed where it repeats.

    A seam that was `judged` on the performer is not judged again.

    Raises:
        SeamError: it is to be a loop, and its best seam is bad.
        RecipeError: the clip leaves the take, has no loop in its range, or an event outside it.
    """
    ranges = spec.ranges(len(take.motion), take.motion.rate)
    if spec.length_s is not None:
        idle, candidate, parts = cut_idle(take, spec, ranges, recipe)
        span = min(low for low, _ in parts), max(high for _, high in parts)
        return Piece(
            idle.motion,
            take.body,
            idle.contacts,
            candidate,
            (),
            take.name,
            span,
            parts,
            idle=idle.facts,
            clearance=take.clearance and take.clearance.within(parts),
            reach=take.reach and take.reach.within(parts),
        )
    whole, contacts, (start, stop) = take.motion, take.contacts, ranges[0]
    stretches = [take.motion.slice(*one) for one in ranges]
    try:
        joins = find_joins(stretches, take.body)
    except InputError as problem:
        raise RecipeError(f"{spec}: {problem}") from problem
    if joins:
        whole = join_stretches(stretches, take.body, joins)
        contacts, start, stop = find_contacts(whole, take.body, recipe.contacts), 0, len(whole)
    seam, motion = None, whole.slice(start, stop)
    if spec.loop:
        seam = _find_seam(whole, take.body, contacts, (start, stop), spec, recipe, judged)
        start, stop = seam.start, seam.end + 1
        motion = close_range(whole, take.body, start, seam.end, recipe.close)
    joined = ranges if len(ranges) > 1 else ()
    return Piece(
        motion,
        take.body,
        contacts.sliced(start, stop),
        seam,
        () if joined else _named_events(spec, start, stop, take.motion.rate),
        take.name,
        (min(low for low, _ in ranges), max(high for _, high in ranges)) if joined else (start, stop),
        joined,
        tuple(
            one
            for one in take.goals
            if any(one.goal.start < high and low < one.goal.stop for low, high in joined or ((start, stop),))
        ),
        clearance=take.clearance and take.clearance.within(joined or ((start, stop),)),
        reach=take.reach and take.reach.within(joined or ((start, stop),)),
        stretch_joins=joins,
    )


def find_seams(take: PreparedTake, spec: ClipSpec, recipe: Recipe) -> tuple[LoopCandidate, ...]:
    """Where the range of a clip repeats itself, the best first: what `cut_clip` chooses from, bad ones too.

    Raises:
        InputError: the range is shorter than the shortest loop.
        RecipeError: the clip leaves the take.
    """
    within, settings = spec.ranges(len(take.motion), take.motion.rate)[0], recipe.loop
    settings = _for_range(settings, within, take.motion.rate)
    return _search(take.motion, take.body, take.contacts, within, spec.kind, settings)


def _for_range(settings: LoopSettings, within: tuple[int, int], rate: float) -> LoopSettings:
    """The settings; a range shorter than an idle asks for a loop as short as of locomotion."""
    if settings.shortest_s is None and (within[1] - 1 - within[0]) / rate < MIN_LENGTH_S["idle"]:
        return replace(settings, shortest_s=MIN_LENGTH_S["locomotion"])
    return settings


def keep_loops(
    cuts: Sequence[Cut], motion: Motion, body: BodyMap, contacts: Contacts, recipe: Recipe
) -> tuple[Cut, ...]:
    """Suggested cuts, as loops only those whose best seam is good or fair: by what makes them."""
    out = []
    for cut in cuts:
        loop = cut.loop
        if loop:
            try:
                found = _search(motion, body, contacts, (cut.start, cut.stop), cut.kind, recipe.loop)
            except InputError:
                found = ()
            best = _best_of(found)
            loop = best is not None and best.quality in SUGGESTED
        out.append(replace(cut, loop=loop))
    return tuple(out)


def _find_seam(
    whole: Motion,
    body: BodyMap,
    contacts: Contacts,
    within: tuple[int, int],
    spec: ClipSpec,
    recipe: Recipe,
    judged: bool,
) -> LoopCandidate:
    """The best loop of a clip's frames [start, stop), or all of them when no search is wanted.

    Raises:
        SeamError: there is none, or it is bad and neither kept nor `judged` before.
    """
    settings = recipe.loop
    own = None if spec.search else measure_loops(whole, body, [(within[0], within[1] - 1)], settings)[0]
    if own and (judged or settings.bad_seam == "keep" or own.quality not in REFUSED):
        return own
    settings = _for_range(settings, within, whole.rate)
    try:
        found = _search(whole, body, contacts, within, spec.kind, settings)
    except InputError as problem:
        if own is None:
            raise SeamError(f"{spec}: {problem}", str(problem)) from problem
        found = ()
    best = own or _best_of(found)
    if best is None:
        raise SeamError(
            f"{spec}: no loop in its range; widen it, close it as it is (search = false; in Blender untick "
            "Find Best Seam), or make it no loop (loop = false; untick Loop)",
            "there is no loop in its range",
        )
    if best.quality in REFUSED and settings.bad_seam != "keep":
        raise _refusal(spec, best, found)
    return best


def _search(
    whole: Motion,
    body: BodyMap,
    contacts: Contacts,
    within: tuple[int, int],
    kind: str,
    settings: LoopSettings,
) -> tuple[LoopCandidate, ...]:
    if settings.kind == "auto" and kind in _LOOP_KINDS:
        settings = replace(settings, kind=_LOOP_KINDS[kind])
    return find_loops(whole, body, settings, contacts, within)


def _best_of(found: Sequence[LoopCandidate]) -> LoopCandidate | None:
    """The first that need not be refused; else the first."""
    return next((one for one in found if one.quality not in REFUSED), found[0] if found else None)


def _refusal(spec: ClipSpec, best: LoopCandidate, found: Sequence[LoopCandidate]) -> SeamError:
    ways = (
        'Choose another range, or make it no loop (loop = false, or [loop] bad_seam = "one_shot"; in '
        'Blender untick Loop, or set Bad Seams); [loop] bad_seam = "keep" closes it all the same'
    )
    others = [one for one in found if (one.start, one.end) != (best.start, best.end)][:_MAX_TOLD]
    told = "; ".join(
        f"{one.start} to {one.end} ({one.quality}, {one.gap_cm:.1f} cm{', ' if one.note else ''}{one.note})"
        for one in others
    )
    reason = (
        f"its seam, frames {best.start} to {best.end} of the take, is bad: {best.gap_cm:.1f} cm and "
        f"{best.gap_cm_s:.0f} cm/s; {best.note}"
    )
    return SeamError(f"{spec}: {reason}. {f'The next: {told}. ' if told else ''}{ways}", reason)


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
