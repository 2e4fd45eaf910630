"""The order of the stages, and nothing else: a take is repaired once, then each clip is cut and finished."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

from ..base.errors import InputError, RecipeError
from ..body.motion import Motion
from ..clip.cuts import Cut, suggest_cuts
from ..recipe.recipe import ClipSpec, Recipe, parts_of
from ..recipe.recipe_names import expect_unique, filled
from ..sensors.misalignment import between_poses
from .finish_clip import FinishedClip, Piece, cut_out, finish
from .prepare_take import PreparedTake, Progress, body_of, digest_of, expect_one_skeleton, prepare, silent

__all__ = [
    "FinishedClip",
    "PreparedTake",
    "Progress",
    "body_of",
    "cuts_of",
    "digest_of",
    "expect_clips",
    "expect_one_skeleton",
    "make_clips",
    "prepare",
    "silent",
    "specs_of",
]


def cuts_of(take: PreparedTake, recipe: Recipe) -> tuple[Cut, ...]:
    """The clips that a repaired take suggests."""
    return suggest_cuts(take.motion, take.body, recipe.cuts, take.contacts)


def specs_of(takes: Sequence[PreparedTake], recipe: Recipe) -> tuple[ClipSpec, ...]:
    """The recipe's clips with their takes, kinds and names; the suggested cuts of all takes if it has none.

    Raises:
        RecipeError: a clip names no take of the set, or none of several; the naming gives a name twice.
        InputError: nothing is asked for and nothing suggests itself.
    """
    cuts = {take.name: cuts_of(take, recipe) for take in takes}
    rates = {take.name: take.motion.rate for take in takes}
    if recipe.clips:
        placed = (replace(spec, take=_take_of(spec, tuple(cuts))) for spec in recipe.clips)
        specs = [replace(one, kind=_kind_of(one, rates[one.take], cuts[one.take])) for one in placed]
    else:
        specs = [
            ClipSpec.from_cut(
                cut, take, "" if recipe.naming else cut.name if len(takes) == 1 else f"{take}_{cut.name}"
            )
            for take, found in cuts.items()
            for cut in found
        ]
    if not specs:
        raise InputError("no stretch of the take can be suggested as a clip; name clips in a recipe")
    return _named(specs, recipe)


def _named(specs: Sequence[ClipSpec], recipe: Recipe) -> tuple[ClipSpec, ...]:
    """The clips, those without a name named by the recipe's pattern."""
    whole = recipe.name or specs[0].take
    taken = {spec.name for spec in specs if spec.name} | {one.name for one in recipe.variants}
    out = []
    for spec in specs:
        if not spec.name:
            words = {
                "character": recipe.character or whole,
                "set": whole,
                "take": spec.take,
                "kind": spec.kind,
            }
            spec = replace(spec, name=filled(recipe.naming, taken, str(spec), **words))
            taken.add(spec.name)
        out.append(spec)
    expect_unique([*(spec.name for spec in out), *(one.name for one in recipe.variants)], "clips")
    return tuple(out)


def expect_clips(recipe: Recipe, motions: Mapping[str, Motion]) -> None:
    """Insist, before the long work, on clips that lie within the takes (by name) that they are of.

    Raises:
        RecipeError: a clip leaves its take, names no take of the set, or none of several; or a clip is spoken
            of that is not there.
    """
    for spec in recipe.clips:
        motion = motions[_take_of(spec, tuple(motions))]
        spec.ranges(len(motion), motion.rate)
    if recipe.clips and all(spec.name for spec in recipe.clips):
        _expect_known(recipe, [spec.name for spec in recipe.clips])


def _expect_between_poses(takes: Sequence[PreparedTake], recipe: Recipe) -> None:
    """Insist on clips that do not reach into the reference poses that a trim leaves out."""
    kept = {take.name: between_poses(take.motion, take.body) for take in takes}
    motions = {take.name: take.motion for take in takes}
    for spec in recipe.clips:
        name = _take_of(spec, tuple(kept))
        first, last = kept[name]
        start, stop = spec.frames(len(motions[name]), motions[name].rate)
        if start < first or stop > last:
            raise RecipeError(
                f"{spec}: it reaches into the reference pose that [repair] trim leaves out of {name!r}; "
                f'frames "{first}f" to "{last - 1}f" of the take are left'
            )


def _expect_known(recipe: Recipe, names: Sequence[str]) -> None:
    """Insist that clips which the recipe speaks of are among those of the set."""
    spoken = [("neutral", recipe.neutral)]
    spoken += [(str(one), name) for one in recipe.variants for name in (one.of, one.additive_to)]
    for where, name in spoken:
        if name and name not in names:
            raise RecipeError(f"{where}: there is no clip {name!r}; there are: {', '.join(names)}")


def _take_of(spec: ClipSpec, names: Sequence[str]) -> str:
    """The name of a clip's take."""
    if spec.take in names or (not spec.take and len(names) == 1):
        return spec.take or names[0]
    problem = f"there is no take {spec.take!r}" if spec.take else "it does not say which take it is from"
    raise RecipeError(f'{spec}: {problem}; write take = "..." with one of: {", ".join(names)}')


def _kind_of(spec: ClipSpec, rate: float, cuts: Sequence[Cut]) -> str:
    """What a clip holds: as it says, or the kind of the suggested cut that shares most frames with it."""
    if spec.kind:
        return spec.kind
    ranges = [(a.frame(rate), b.frame(rate) + 1) for a, b in spec.stretches or ((spec.start, spec.stop),)]
    shared = {
        cut: sum(max(0, min(stop, cut.stop) - max(start, cut.start)) for start, stop in ranges)
        for cut in cuts
    }
    best = max(shared, key=lambda cut: shared[cut], default=None)
    near = best is not None and 2 * shared[best] >= sum(stop - start for start, stop in ranges)
    return best.kind if best and near else "other"


def make_clips(
    takes: PreparedTake | Sequence[PreparedTake], recipe: Recipe, progress: Progress = silent
) -> tuple[FinishedClip, ...]:
    """All clips of a set, in the recipe's order, then the variants of them.

    Raises:
        RecipeError: a clip leaves its take, names no take, has no loop in its range, or asks for what its
            frames cannot give, or reaches into a pose that is trimmed; or the recipe speaks of a clip that is
            not there.
    """
    takes = (takes,) if isinstance(takes, PreparedTake) else tuple(takes)
    motions = {take.name: take.motion for take in takes}
    expect_one_skeleton(motions)
    expect_clips(recipe, motions)
    if recipe.repair.trim:
        _expect_between_poses(takes, recipe)
    specs = {spec.name: spec for spec in specs_of(takes, recipe)}
    _expect_known(recipe, list(specs))
    by_name = {take.name: take for take in takes}
    rooted = any(parts_of(spec, recipe).mode == "root" for spec in specs.values())
    work = len(specs) + len(recipe.variants)
    pieces: dict[str, Piece] = {}
    clips: dict[str, FinishedClip] = {}
    # The neutral clip first: others end in its pose.
    for number, name in enumerate(sorted(specs, key=lambda name: name != recipe.neutral)):
        progress(f"clip {name}", number / work)
        specs[name], pieces[name] = _piece(by_name[specs[name].take], specs[name], recipe)
        neutral = clips.get(recipe.neutral)
        clips[name] = finish(pieces[name], specs[name], recipe, rooted, neutral)
    made = [clips[name] for name in specs]
    for number, one in enumerate(recipe.variants, len(specs)):
        progress(f"clip {one.name}", number / work)
        neutral = clips[recipe.neutral] if recipe.neutral and recipe.neutral != one.of else None
        reference = clips[one.additive_to] if one.additive_to else None
        made.append(finish(pieces[one.of], specs[one.of], recipe, rooted, neutral, one, reference))
    return tuple(made)


def _piece(take: PreparedTake, spec: ClipSpec, recipe: Recipe) -> tuple[ClipSpec, Piece]:
    """A clip cut out; as a one-shot if it only suggested itself as a loop, and is none."""
    try:
        return spec, cut_out(take, spec, recipe)
    except RecipeError:
        if recipe.clips or not spec.loop:
            raise
        spec = replace(spec, loop=False)
        return spec, cut_out(take, spec, recipe)
