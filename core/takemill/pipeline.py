"""The order of the stages, and nothing else: a take is mended once, then each clip is cut and finished."""

from __future__ import annotations

import hashlib
import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from .body_map import BodyMap, find_body_map
from .checks import Array
from .contacts import Contacts, find_contacts
from .cuts import Cut, suggest_cuts
from .errors import BodyMapError, InputError, RecipeError
from .health import Finding, Health, check
from .loop_close import close_range
from .loop_search import LoopCandidate, find_loops
from .marks import Mark, foot_marks
from .motion import Motion
from .recipe import ClipSpec, Recipe, rate_of
from .repair import repair
from .series import frames_at
from .skeleton import Skeleton
from .travel import Travel, apply_travel, at_origin, find_travel, with_root_joint

Progress = Callable[[str, float], None]
"""Told what is being done, and the part that is behind, 0 to 1."""


@dataclass(frozen=True)
class PreparedTake:
    """A take, mended and judged.

    Attributes:
        name: of the take, unique in a set.
        digest: SHA-256 of what was read, in hexadecimal.
        raw: the take as it came.
        body: which joint plays which part.
        motion: the mended take: same skeleton, frames and rate.
        findings: what the repair found.
        before, after: the health of the raw and of the mended take.
        contacts: of the mended take.
    """

    name: str
    digest: str
    raw: Motion
    body: BodyMap
    motion: Motion
    findings: tuple[Finding, ...]
    before: Health
    after: Health
    contacts: Contacts


@dataclass(frozen=True)
class FinishedClip:
    """A clip ready to be written.

    Attributes:
        name: of the clip.
        kind: one of cuts.KINDS.
        motion: what plays, travel applied.
        body: its body map; it has a root joint when any clip of the set travels by one.
        loop: whether it repeats; then its last pose equals its first, travel apart.
        travel_mode: "keep", "root" or "in_place".
        travel: the root track, from 0 on; also when it was taken away.
        marks: events, by frame of the clip.
        candidate: the seam of a loop, in frames of the take; None for others.
        source: name of the take.
        source_range: frames [start, stop) of the take.
        contacts: of the clip.
    """

    name: str
    kind: str
    motion: Motion
    body: BodyMap
    loop: bool
    travel_mode: str
    travel: Travel
    marks: tuple[Mark, ...]
    candidate: LoopCandidate | None
    source: str
    source_range: tuple[int, int]
    contacts: Contacts


def silent(text: str, part: float) -> None:
    """Progress that nobody looks at."""
    del text, part


def body_of(skeleton: Skeleton, recipe: Recipe) -> BodyMap:
    """The body map that is found, corrected by the recipe's [body].

    Raises:
        BodyMapError: none can be found, or the recipe names no joint or no part.
    """
    try:
        names = find_body_map(skeleton).names(skeleton)
    except BodyMapError:
        if not recipe.body:
            raise
        names = {}
    taken = set(recipe.body.values())
    names = {part: name for part, name in names.items() if name not in taken} | dict(recipe.body)
    return BodyMap.from_names(skeleton, {part: name for part, name in names.items() if name})


def prepare(
    name: str, motion: Motion, body: BodyMap, recipe: Recipe, progress: Progress = silent, digest: str = ""
) -> PreparedTake:
    """A take mended and judged; `digest` is that of its file, found from the arrays when empty."""
    progress(f"{name}: checking", 0.0)
    before = check(motion, body, recipe.health)
    progress(f"{name}: repairing", 0.35)
    mended, findings = repair(motion, body, recipe.repair)
    progress(f"{name}: checking again", 0.75)
    after = check(mended, body, recipe.health)
    contacts = find_contacts(mended, body, recipe.contacts)
    digest = digest or digest_of(motion)
    return PreparedTake(name, digest, motion, body, mended, findings, before, after, contacts)


def expect_one_skeleton(motions: Mapping[str, Motion]) -> None:
    """Insist on takes (by name) of one skeleton, since a set has one.

    Raises:
        InputError: a joint is missing, hangs elsewhere or rests elsewhere.
    """
    (first, motion), *others = motions.items()
    for name, other in others:
        difference = motion.skeleton.difference(other.skeleton)
        if difference:
            raise InputError(
                f"take {name!r} is of another skeleton than {first!r}: {difference}; pack them apart"
            )


def digest_of(motion: Motion) -> str:
    """SHA-256 of a motion's joints, rate and arrays, in hexadecimal."""
    text = repr((motion.skeleton.names, motion.skeleton.parents, motion.rate, sorted(motion.translations)))
    digest = hashlib.sha256(text.encode())
    for array in (motion.rotations, motion.root_translation, *motion.translations.values()):
        digest.update(np.ascontiguousarray(array, "<f8").tobytes())
    return digest.hexdigest()


def cuts_of(take: PreparedTake, recipe: Recipe) -> tuple[Cut, ...]:
    """The clips that a mended take suggests."""
    return suggest_cuts(take.motion, take.body, recipe.cuts, take.contacts)


def specs_of(takes: Sequence[PreparedTake], recipe: Recipe) -> tuple[ClipSpec, ...]:
    """The recipe's clips, each with its take and kind; the suggested cuts of all takes where it has none.

    Raises:
        RecipeError: a clip names no take of the set, or none of several.
        InputError: nothing is asked for and nothing suggests itself.
    """
    cuts = {take.name: cuts_of(take, recipe) for take in takes}
    if recipe.clips:
        specs = (replace(spec, take=_take_of(spec, tuple(cuts))) for spec in recipe.clips)
        rates = {take.name: take.motion.rate for take in takes}
        return tuple(replace(one, kind=_kind_of(one, rates[one.take], cuts[one.take])) for one in specs)
    alone = len(takes) == 1
    found = tuple(
        ClipSpec.from_cut(cut, take.name, cut.name if alone else f"{take.name}_{cut.name}")
        for take in takes
        for cut in cuts[take.name]
    )
    if not found:
        raise InputError("no stretch of the take suggests itself as a clip; name clips in a recipe")
    return found


def expect_clips(recipe: Recipe, motions: Mapping[str, Motion]) -> None:
    """Insist, before the long work, on clips that lie within the takes (by name) that they are of.

    Raises:
        RecipeError: a clip leaves its take, names no take of the set, or none of several.
    """
    for spec in recipe.clips:
        motion = motions[_take_of(spec, tuple(motions))]
        spec.frames(len(motion), motion.rate)


def _take_of(spec: ClipSpec, names: Sequence[str]) -> str:
    """The name of a clip's take."""
    if spec.take in names or (not spec.take and len(names) == 1):
        return spec.take or names[0]
    problem = f"there is no take {spec.take!r}" if spec.take else "it does not say which take it is from"
    raise RecipeError(f'clip {spec.name!r}: {problem}; write take = "..." with one of: {", ".join(names)}')


def _kind_of(spec: ClipSpec, rate: float, cuts: Sequence[Cut]) -> str:
    """What a clip holds: as it says, or the kind of the suggested cut that shares most frames with it."""
    start, stop = spec.start.frame(rate), spec.stop.frame(rate) + 1
    shared = {cut: min(stop, cut.stop) - max(start, cut.start) for cut in cuts}
    best = max(shared, key=lambda cut: shared[cut], default=None)
    near = best is not None and 2 * shared[best] >= stop - start
    return spec.kind or (best.kind if best and near else "other")


def make_clips(
    takes: PreparedTake | Sequence[PreparedTake], recipe: Recipe, progress: Progress = silent
) -> tuple[FinishedClip, ...]:
    """All clips of a set, in the recipe's order.

    Raises:
        RecipeError: a clip leaves its take, names no take, or has no loop in its range.
    """
    takes = (takes,) if isinstance(takes, PreparedTake) else tuple(takes)
    motions = {take.name: take.motion for take in takes}
    expect_one_skeleton(motions)
    expect_clips(recipe, motions)
    specs = specs_of(takes, recipe)
    by_name = {take.name: take for take in takes}
    rooted = any(spec.travel == "root" for spec in specs)
    clips = []
    for number, spec in enumerate(specs):
        progress(f"clip {spec.name}", number / len(specs))
        try:
            clips.append(_make_clip(by_name[spec.take], spec, recipe, rooted))
        except RecipeError:
            if recipe.clips or not spec.loop:
                raise
            # Nobody asked for this loop: what only suggested itself as one still makes a clip.
            clips.append(_make_clip(by_name[spec.take], replace(spec, loop=False), recipe, rooted))
    return tuple(clips)


def _make_clip(take: PreparedTake, spec: ClipSpec, recipe: Recipe, rooted: bool) -> FinishedClip:
    body = take.body
    start, stop = spec.frames(len(take.motion), take.motion.rate)
    candidate = None
    if spec.loop:
        candidate = _seam(take, spec, recipe, start, stop)
        start, stop = candidate.start, candidate.end + 1
        motion = close_range(take.motion, body, start, candidate.end, recipe.close)
    else:
        motion = take.motion.slice(start, stop)
    motion, frames = _at_rate(motion, rate_of(spec, recipe, motion.rate), spec.loop)
    contacts = take.contacts.sampled(start + frames, motion.rate)
    if rooted:  # all clips of a set share one skeleton
        motion, body = with_root_joint(motion, body)
    settings = recipe.travel
    if spec.smooth_hz is not None:
        settings = replace(settings, smooth_hz=spec.smooth_hz)
    motion, travel = at_origin(motion, find_travel(motion, body, settings, spec.loop))
    return FinishedClip(
        name=spec.name,
        kind=spec.kind,
        motion=apply_travel(motion, body, travel, spec.travel),
        body=body,
        loop=spec.loop,
        travel_mode=spec.travel,
        travel=travel,
        marks=foot_marks(contacts, spec.loop),
        candidate=candidate,
        source=take.name,
        source_range=(start, stop),
        contacts=contacts,
    )


def _seam(take: PreparedTake, spec: ClipSpec, recipe: Recipe, start: int, stop: int) -> LoopCandidate:
    """The best loop of the range, or the range itself when no search is wanted; frames of the take."""
    settings = recipe.loop
    if settings.kind == "auto" and spec.kind in ("steps", "still"):
        settings = replace(settings, kind=spec.kind)
    part = take.motion.slice(start, stop)
    if not spec.search:  # only the range's own ends are that far apart
        settings = replace(settings, shortest_s=part.duration_s, longest_s=part.duration_s, count=1)
    try:
        found = find_loops(part, take.body, settings)
    except InputError as problem:
        raise RecipeError(f"clip {spec.name!r}: {problem}") from problem
    if not found:
        raise RecipeError(
            f"clip {spec.name!r}: no loop in its range; widen it, or set search = false to close it as it is"
        )
    return replace(found[0], start=start + found[0].start, end=start + found[0].end)


def _at_rate(motion: Motion, rate: float, loop: bool) -> tuple[Motion, Array]:
    """A clip at its rate, and where its frames (N,) lie among those it had."""
    if math.isclose(rate, motion.rate, rel_tol=1e-4):  # a file's 0.008333 s is 120 frames a second
        return replace(motion, rate=rate), np.arange(len(motion), dtype=np.float64)
    frames = frames_at(len(motion), motion.rate, rate, loop)
    return motion.sampled(frames, rate), frames
