"""The order of the stages, and nothing else.

    take    prepare_take: repair, contacts, check, each once
    plan    plan_clips: the clips that are asked for, or those that the take suggests
    clip    cut_clip, finish_clip: cut, close, root motion, pin, blend, events, at the take's rate
    vary    vary_clip: speed, mirror, difference
    rate    resample_clip: the rate that the clips leave with; feet pinned again
    swing   swing_clips: tails, ears, hair and straps, in all clips together

A character's takes are fitted between plan and clip (fit_take), and cut where the performer's were
(settle_seams).
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from types import MappingProxyType

from ..base.errors import RecipeError, SeamError, TakemillError
from ..recipe.recipe import ClipSpec, Moment, Recipe
from .character_springs import springs_of
from .cut_clip import Piece, cut_clip
from .finish_clip import FinishedClip, finish_clip
from .gait_clips import LoopStart, settle_ends
from .meet_loops import meet_loops
from .plan_clips import OnFailure, Plan, plan_clips, without_sources
from .prepare_take import PreparedTake, Progress, expect_one_skeleton, ignore_progress
from .resample_clip import resample_clip
from .swing_clips import swing_clips
from .vary_clip import vary_clip


def make_set(
    takes: PreparedTake | Sequence[PreparedTake],
    recipe: Recipe,
    progress: Progress = ignore_progress,
    failed: OnFailure | None = None,
) -> tuple[FinishedClip, ...]:
    """The clips of prepared takes, and the variants of them, at the rates that they leave with.

    With `failed` those that cannot be made are told of, and the others made.

    Raises:
        RecipeError: as `plan_clips` and `make_clips` do.
        InputError: nothing is asked for and no clip can be suggested.
    """
    takes = (takes,) if isinstance(takes, PreparedTake) else tuple(takes)
    if recipe.springs:  # what is wrong with them is said before the work
        springs_of(recipe.springs, takes[0].motion.skeleton, takes[0].body)
    return make_planned_set(takes, plan_clips(takes, recipe, (), failed), progress, failed)


def make_planned_set(
    takes: Sequence[PreparedTake],
    plan: Plan,
    progress: Progress = ignore_progress,
    failed: OnFailure | None = None,
) -> tuple[FinishedClip, ...]:
    """As `make_set`, of a plan that is made.

    Raises:
        RecipeError: as `make_clips` does.
    """
    clips, recipe = resample_clips(make_clips(takes, plan, progress, failed=failed)), plan.recipe
    if not recipe.springs:
        return clips
    springs = springs_of(recipe.springs, clips[0].motion.skeleton, clips[0].body)
    return swing_clips(clips, springs, recipe.neutral)


def make_clips(
    takes: Sequence[PreparedTake],
    plan: Plan,
    progress: Progress = ignore_progress,
    known: Mapping[str, FinishedClip] = MappingProxyType({}),
    failed: OnFailure | None = None,
) -> tuple[FinishedClip, ...]:
    """All clips of a plan at their takes' rates, in its order, then the variants of them.

    `known` are clips that were made before, by name, onto which others may be blended. With `failed` a clip
    that cannot be made is told of and left out, unless it is the only or the neutral one.

    Raises:
        RecipeError: a clip has no loop in its range, or asks for what its frames cannot give.
    """
    expect_one_skeleton({take.name: take.motion for take in takes})
    by_name, recipe = {take.name: take for take in takes}, plan.recipe
    specs = {spec.name: spec for spec in plan.specs}
    work = len(specs) + len(recipe.variants)
    clips = {name: one for name, one in known.items() if name not in specs}
    gone = set[str]()
    # The neutral clip first, then loops: others end in their poses.
    loops: dict[str, LoopStart] = {}
    order = sorted(specs, key=lambda name: (name != recipe.neutral, len(specs[name].loops)))
    for number, name in enumerate(order):
        progress(f"clip {name}", number / work)
        try:
            spec = settle_ends(by_name[specs[name].take], specs[name], loops, recipe)
            spec, piece, no_loop = _cut_or_one_shot(by_name[spec.take], spec, plan)
            if start := LoopStart.of(by_name[spec.take], piece):
                loops[name] = start
            clip = finish_clip(piece, spec, recipe, plan.is_rooted, clips.get(recipe.neutral), clips)
            clips[name] = replace(clip, no_loop=no_loop or plan.one_shots.get(name, ""))
        except TakemillError as problem:
            if failed is None or name == recipe.neutral or len(gone) == len(specs) - 1:
                raise
            failed(name, problem)
            gone.add(name)
    done = [clips[name] for name in specs if name not in gone]
    variants = without_sources(recipe.variants, gone, failed) if failed is not None else recipe.variants
    for number, one in enumerate(variants, len(specs)):
        progress(f"clip {one.name}", number / work)
        neutral = clips[recipe.neutral] if recipe.neutral and recipe.neutral != one.of else None
        done.append(
            vary_clip(clips[one.of], one, neutral, clips[one.additive_to] if one.additive_to else None)
        )
    return tuple(done)


def settle_seams(takes: Sequence[PreparedTake], plan: Plan, failed: OnFailure | None = None) -> Plan:
    """The plan with the frames that are found for each clip on the performer, for characters to share.

    A clip of joined stretches stays as it was asked for; of an idle with a length the parts are settled.
    `failed` as for `make_clips`.

    Raises:
        RecipeError: a clip has no loop in its range, or an event outside it.
    """
    by_name = {take.name: take for take in takes}
    found: dict[int, ClipSpec] = {}
    one_shots: dict[str, str] = {}
    loops: dict[str, LoopStart] = {}
    gone = set[str]()
    order = sorted(range(len(plan.drafts)), key=lambda k: len(plan.drafts[k].loops))
    for number, place in enumerate(order):
        draft = plan.drafts[place]
        try:
            if lost := {*draft.loops.values()} & (gone | {*one_shots}):
                what = "was not made" if min(lost) in gone else "is no loop"
                raise RecipeError(f"{draft}: its loop {min(lost)!r} {what}")
            draft = settle_ends(by_name[draft.take], draft, loops, plan.recipe)
            spec, piece, no_loop = _cut_or_one_shot(by_name[draft.take], draft, plan)
        except TakemillError as problem:
            is_last = number == len(plan.drafts) - 1 and not found
            if failed is None or is_last or draft.name == plan.recipe.neutral != "":
                raise
            failed(draft.name or str(draft), problem)
            gone.add(draft.name)
            continue
        if start := LoopStart.of(by_name[draft.take], piece):
            loops[draft.name] = start
        if no_loop:
            one_shots[draft.name] = no_loop
        if piece.idle:
            parts = tuple(
                (Moment(start, in_frames=True), Moment(stop - 1, in_frames=True))
                for start, stop in piece.stretches
            )
            spec = replace(spec, start=parts[0][0], stop=parts[-1][1], stretches=parts, search=False)
        elif not spec.stretches:
            first, last = (
                Moment(frame, in_frames=True) for frame in (piece.source_range[0], piece.source_range[1] - 1)
            )
            spec = replace(spec, start=first, stop=last, search=False)
        found[place] = spec
    recipe = plan.recipe
    if failed is not None and gone:
        recipe = replace(recipe, variants=without_sources(recipe.variants, gone, failed))
    drafts = tuple(found[place] for place in sorted(found))
    return replace(plan, recipe=recipe, drafts=drafts, judged=True, one_shots=one_shots)


def _cut_or_one_shot(take: PreparedTake, spec: ClipSpec, plan: Plan) -> tuple[ClipSpec, Piece, str]:
    """A clip cut out; as a one-shot, and why, if it has no good enough seam and the recipe allows that."""
    try:
        return spec, cut_clip(take, spec, plan.recipe, plan.judged), ""
    except SeamError as problem:
        if not plan.suggested and plan.recipe.loop.bad_seam != "one_shot":
            raise
        spec = replace(spec, loop=False)
        return spec, cut_clip(take, spec, plan.recipe), problem.reason


def resample_clips(clips: Iterable[FinishedClip], rate: float | None = None) -> tuple[FinishedClip, ...]:
    """Clips at the rates that they leave with: their own, the set's, or else the take's."""
    return meet_loops([resample_clip(clip, rate) for clip in clips])
