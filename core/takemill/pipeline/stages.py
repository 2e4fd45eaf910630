"""The order of the stages, and nothing else.

    take    prepare_take: repair, contacts, check, each once
    plan    plan_clips: the clips that are asked for, or those that the take suggests
    clip    cut_clip, finish_clip: cut, close, root motion, pin, blend, events, at the take's rate
    vary    vary_clip: speed, mirror, difference
    rate    resample_clip: the rate that the clips leave with; feet pinned again

A character's takes are fitted between plan and clip (fit_take), and cut where the performer's were
(settle_seams).
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from types import MappingProxyType

from ..base.errors import SeamError, TakemillError
from ..recipe.recipe import ClipSpec, Moment, Recipe
from .cut_clip import Piece, cut_clip
from .finish_clip import FinishedClip, finish_clip
from .plan_clips import OnFailure, Plan, plan_clips, without_sources
from .prepare_take import PreparedTake, Progress, expect_one_skeleton, ignore_progress
from .resample_clip import resample_clip
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
    return resample_clips(make_clips(takes, plan_clips(takes, recipe, (), failed), progress, failed=failed))


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
    # The neutral clip first: others end in its pose.
    for number, name in enumerate(sorted(specs, key=lambda name: name != recipe.neutral)):
        progress(f"clip {name}", number / work)
        try:
            spec, piece = _cut_or_one_shot(by_name[specs[name].take], specs[name], plan)
            clips[name] = finish_clip(piece, spec, recipe, plan.is_rooted, clips.get(recipe.neutral))
        except TakemillError as problem:
            if failed is None or name == recipe.neutral or len(gone) == len(specs) - 1:
                raise
            failed(name, problem)
            gone.add(name)
    done = [clips[name] for name in specs if name not in gone]
    variants = without_sources(recipe.variants, gone, failed) if failed else recipe.variants
    for number, one in enumerate(variants, len(specs)):
        progress(f"clip {one.name}", number / work)
        neutral = clips[recipe.neutral] if recipe.neutral and recipe.neutral != one.of else None
        done.append(
            vary_clip(clips[one.of], one, neutral, clips[one.additive_to] if one.additive_to else None)
        )
    return tuple(done)


def settle_seams(takes: Sequence[PreparedTake], plan: Plan, failed: OnFailure | None = None) -> Plan:
    """The plan with the frames that are found for each clip on the performer, for characters to share.

    A clip of joined stretches stays as it was asked for. `failed` as for `make_clips`.

    Raises:
        RecipeError: a clip has no loop in its range, or an event outside it.
    """
    by_name = {take.name: take for take in takes}
    drafts: list[ClipSpec] = []
    gone = set[str]()
    for number, draft in enumerate(plan.drafts):
        try:
            spec, piece = _cut_or_one_shot(by_name[draft.take], draft, plan)
        except TakemillError as problem:
            is_last = number == len(plan.drafts) - 1 and not drafts
            if failed is None or is_last or draft.name == plan.recipe.neutral != "":
                raise
            failed(draft.name or str(draft), problem)
            gone.add(draft.name)
            continue
        if not spec.stretches:
            first, last = (
                Moment(frame, in_frames=True) for frame in (piece.source_range[0], piece.source_range[1] - 1)
            )
            spec = replace(spec, start=first, stop=last, search=False)
        drafts.append(spec)
    recipe = plan.recipe
    if failed and gone:
        recipe = replace(recipe, variants=without_sources(recipe.variants, gone, failed))
    return replace(plan, recipe=recipe, drafts=tuple(drafts), judged=True)


def _cut_or_one_shot(take: PreparedTake, spec: ClipSpec, plan: Plan) -> tuple[ClipSpec, Piece]:
    """A clip cut out; as a one-shot if it has no good enough seam, and the recipe allows that."""
    try:
        return spec, cut_clip(take, spec, plan.recipe, plan.judged)
    except SeamError:
        if not plan.suggested and plan.recipe.loop.bad_seam != "one_shot":
            raise
        spec = replace(spec, loop=False)
        return spec, cut_clip(take, spec, plan.recipe)


def resample_clips(clips: Iterable[FinishedClip], rate: float | None = None) -> tuple[FinishedClip, ...]:
    """Clips at the rates that they leave with: their own, the set's, or else the take's."""
    return tuple(resample_clip(clip, rate) for clip in clips)
