"""Which clips are made: the recipe's or the suggested ones, each with its take, its kind and its name."""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property

from ..base.errors import InputError, RecipeError, TakemillError
from ..body.motion import Motion
from ..cuts.cuts import Cut, suggest_cuts
from ..recipe.recipe import ClipSpec, Recipe, VariantSpec, parts_of, rate_of
from ..recipe.recipe_clip import expect_one_way, part_name
from ..recipe.recipe_names import expect_unique, fill_pattern
from ..sensors.misalignment import between_poses
from .cut_clip import keep_loops
from .gait_clips import expand_gait, part_gaits
from .prepare_take import PreparedTake

OnFailure = Callable[[str, TakemillError], None]
"""Hears of a clip that cannot be made, by its name, and why; then the others are made without it."""


@dataclass(frozen=True)
class Plan:
    """What is to be made.

    Attributes:
        recipe: all settings.
        drafts: the clips with their takes and kinds, not all of them named.
        suggested: whether they are the takes' suggested cuts; then one that does not loop becomes a one-shot.
        known: names of clips that were made before, onto which others may be blended.
        judged: whether the clips' seams were found and judged before, on the performer.
        one_shots: why clips that were to be loops are none, where that was found there; by name.
        beside_rooted: whether clips of other plans, in the same set, put their root motion on the root joint.
    """

    recipe: Recipe
    drafts: tuple[ClipSpec, ...]
    suggested: bool
    known: frozenset[str] = frozenset()
    judged: bool = False
    one_shots: Mapping[str, str] = field(default_factory=dict)
    beside_rooted: bool = False

    @cached_property
    def specs(self) -> tuple[ClipSpec, ...]:
        """The clips, those without a name named by the recipe's pattern.

        Raises:
            RecipeError: the pattern gives a name twice, or the recipe names a clip that is not there.
        """
        specs = _name_clips(self.drafts, self.recipe)
        _expect_known(self.recipe, specs, [*(spec.name for spec in specs), *sorted(self.known)])
        return specs

    @property
    def is_rooted(self) -> bool:
        """Whether any clip puts its root motion on the root joint: then the set's skeleton has one."""
        return self.beside_rooted or any(parts_of(spec, self.recipe).mode == "root" for spec in self.drafts)

    def for_character(self, name: str) -> Plan:
        """The same clips for a character: its own settings, and its name for {character} in a pattern."""
        recipe = self.recipe.of_character(name)
        return replace(self, recipe=replace(recipe, character=recipe.character or name))


def plan_clips(
    takes: Sequence[PreparedTake],
    recipe: Recipe,
    known: Iterable[str] = (),
    failed: OnFailure | None = None,
) -> Plan:
    """The recipe's clips with their takes and kinds; the suggested cuts of all takes if it has none.

    Cuts are looked for once in each take, and only where a clip's kind, or the clips, depend on them. With
    `failed` a clip that leaves its take is told of and left out, unless there is no other.

    Raises:
        RecipeError: a clip leaves its take, names no take of the set, or none of several, or reaches into a
            pose that is trimmed; or the recipe names a clip that is not there.
        InputError: nothing is asked for and no clip can be suggested.
    """
    by_name = {take.name: take for take in takes}
    known = frozenset(known)
    if failed is not None:
        recipe = _without_misplaced(takes, recipe, failed)
    expect_clips(recipe, {take.name: take.motion for take in takes}, known)
    if recipe.repair.trim:
        _expect_between_poses(takes, recipe)
    if not recipe.clips:
        found = {name: suggest_take_cuts(take, recipe) for name, take in by_name.items()}
        drafts = [
            _with_room_for_blends(
                _suggested_spec(cut, take, recipe, len(takes) > 1), recipe, by_name[take].motion.rate
            )
            for take, cuts in found.items()
            for cut in cuts
        ]
        if not drafts:
            raise InputError("no stretch of the take can be suggested as a clip; name clips in a recipe")
        return Plan(recipe, tuple(drafts), suggested=True, known=known)
    placed = [replace(spec, take=_find_take(spec, tuple(by_name))) for spec in recipe.clips]
    whole_gaits = replace(recipe, cuts=replace(recipe.cuts, gaits="whole"))  # parts leave cycles out
    cuts = {
        name: suggest_take_cuts(by_name[name], whole_gaits)
        for name in dict.fromkeys(spec.take for spec in placed if not spec.kind)
    }
    drafts = [
        spec
        if spec.kind
        else replace(spec, kind=_guess_kind(spec, by_name[spec.take].motion.rate, cuts[spec.take]))
        for spec in placed
    ]
    whole = tuple(part for spec in drafts for part in expand_gait(by_name[spec.take], spec, recipe))
    return Plan(recipe, whole, suggested=False, known=known)


def _suggested_spec(cut: Cut, take: str, recipe: Recipe, several: bool) -> ClipSpec:
    """A suggested cut as a clip, named after its take too where there are several.

    What a pattern is to name keeps its name if others go over into it or it into others: they name it.
    """
    if recipe.naming and not (cut.follows or cut.leads_to or cut.exact):
        return ClipSpec.from_cut(cut, take, "")
    if not several:
        return ClipSpec.from_cut(cut, take)
    follows, leads_to = (f"{take}_{name}" if name else "" for name in (cut.follows, cut.leads_to))
    return replace(ClipSpec.from_cut(cut, take, f"{take}_{cut.name}"), follows=follows, leads_to=leads_to)


def _with_room_for_blends(spec: ClipSpec, recipe: Recipe, rate: float) -> ClipSpec:
    """A suggested clip; where it is too short for the recipe's blends at both ends, with shorter ones."""
    frames = spec.stop.frame(rate) - spec.start.frame(rate)
    room = int(frames / 2 * rate_of(spec, recipe, rate) / rate)
    return replace(spec, blend_frames=room) if recipe.blend_frames > room and not spec.loop else spec


def _without_misplaced(takes: Sequence[PreparedTake], recipe: Recipe, failed: OnFailure) -> Recipe:
    """The recipe without the clips that leave their take; as it is if all do, or the neutral one does."""
    problems: dict[str, RecipeError] = {}
    for spec in recipe.clips:
        clips = (replace(spec, blend_frames=None, follows="", leads_to=""),)
        alone = replace(recipe, clips=clips, variants=(), neutral="", blend_frames=0)
        try:
            expect_clips(alone, {take.name: take.motion for take in takes})
            if recipe.repair.trim:
                _expect_between_poses(takes, alone)
        except RecipeError as problem:
            problems[spec.name or str(spec)] = problem
    for spec in recipe.clips:
        lost = {*spec.loops.values()} & {one.name for one in recipe.clips if one.name in problems}
        if lost and spec.name not in problems:
            problems[spec.name or str(spec)] = RecipeError(f"{spec}: its loop {min(lost)!r} is not made")
    left = tuple(spec for spec in recipe.clips if (spec.name or str(spec)) not in problems)
    gone = {spec.name for spec in recipe.clips} - {spec.name for spec in left}
    if not left or recipe.neutral in gone:
        return recipe
    for name, one in problems.items():
        failed(name, one)
    return replace(recipe, clips=left, variants=without_sources(recipe.variants, gone, failed))


def without_sources(
    variants: Sequence[VariantSpec], gone: Collection[str], failed: OnFailure
) -> tuple[VariantSpec, ...]:
    """The variants whose clips are made; `failed` hears of the others."""
    left = []
    for one in variants:
        missing = {one.of, one.additive_to} & set(gone)
        if missing:
            failed(one.name, RecipeError(f"{one}: its clip {min(missing)!r} was not made"))
        else:
            left.append(one)
    return tuple(left)


def suggest_take_cuts(take: PreparedTake, recipe: Recipe) -> tuple[Cut, ...]:
    """The clips that a repaired take suggests; as loops only those with a seam that is good or fair."""
    cuts = suggest_cuts(take.motion, take.body, recipe.cuts, take.contacts)
    cuts = keep_loops(cuts, take.motion, take.body, take.contacts, recipe)
    return part_gaits(cuts, take.motion, take.body, take.contacts, recipe)


def expect_clips(recipe: Recipe, motions: Mapping[str, Motion], known: Collection[str] = ()) -> None:
    """Insist, before the long work, on clips that lie within the takes (by name) that they are of.

    Raises:
        RecipeError: a clip leaves its take, names no take of the set, or none of several; or the recipe names
            a clip that is not there.
    """
    for spec in recipe.clips:
        motion = motions[_find_take(spec, tuple(motions))]
        spec.ranges(len(motion), motion.rate)
        expect_one_way(vars(spec), str(spec))
        if spec.in_parts and not spec.name:
            raise RecipeError(f"{spec}: a gait in parts needs a name, from which its parts have theirs")
    if recipe.clips and all(spec.name for spec in recipe.clips):
        names = [name for spec in recipe.clips for name in spec.known_parts]
        _expect_known(recipe, recipe.clips, [*names, *sorted(known)])


def _expect_between_poses(takes: Sequence[PreparedTake], recipe: Recipe) -> None:
    """Insist on clips that do not reach into the reference poses that a trim leaves out."""
    kept = {take.name: between_poses(take.motion, take.body) for take in takes}
    motions = {take.name: take.motion for take in takes}
    for spec in recipe.clips:
        name = _find_take(spec, tuple(kept))
        first, last = kept[name]
        start, stop = spec.frames(len(motions[name]), motions[name].rate)
        if start < first or stop > last:
            raise RecipeError(
                f"{spec}: it reaches into the reference pose that [repair] trim leaves out of {name!r}; "
                f'frames "{first}f" to "{last - 1}f" of the take are left'
            )


def _expect_known(recipe: Recipe, specs: Sequence[ClipSpec], names: Sequence[str]) -> None:
    """Insist that clips which the recipe names elsewhere are in the set, and loops where they must be.

    How many turns a gait in parts has, and what they are called, is known when its take is.
    """
    spoken = [("neutral", recipe.neutral)]
    spoken += [(str(one), name) for one in recipe.variants for name in (one.of, one.additive_to)]
    spoken += [(f"{one} {key}", name) for one in specs for key, name in one.loops.items()]
    turns = tuple(part_name(spec.name, "turn_") for spec in specs if spec.in_parts)
    for where, name in spoken:
        if name and name not in names and not name.startswith(turns):
            raise RecipeError(f"{where}: there is no clip {name!r}; there are: {', '.join(names)}")
    shots = {spec.name for spec in specs if not spec.loop}
    for spec in specs:
        for key, name in spec.loops.items():
            if name in shots:
                raise RecipeError(f"{spec}: {key} = {name!r}, which is no loop; say loop = true there")


def _find_take(spec: ClipSpec, names: Sequence[str]) -> str:
    """The name of a clip's take."""
    if spec.take in names or (not spec.take and len(names) == 1):
        return spec.take or names[0]
    problem = f"there is no take {spec.take!r}" if spec.take else "it does not say which take it is from"
    raise RecipeError(f'{spec}: {problem}; write take = "..." with one of: {", ".join(names)}')


def _guess_kind(spec: ClipSpec, rate: float, cuts: Sequence[Cut]) -> str:
    """The kind of the suggested cut that shares most frames with a clip."""
    ranges = [(a.frame(rate), b.frame(rate) + 1) for a, b in spec.stretches or ((spec.start, spec.stop),)]
    shared = {
        cut: sum(max(0, min(stop, cut.stop) - max(start, cut.start)) for start, stop in ranges)
        for cut in cuts
    }
    best = max(shared, key=lambda cut: shared[cut], default=None)
    near = best is not None and 2 * shared[best] >= sum(stop - start for start, stop in ranges)
    return best.kind if best and near else "other"


def _name_clips(specs: Sequence[ClipSpec], recipe: Recipe) -> tuple[ClipSpec, ...]:
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
            spec = replace(spec, name=fill_pattern(recipe.naming, taken, str(spec), **words))
            taken.add(spec.name)
        out.append(spec)
    expect_unique([*(spec.name for spec in out), *(one.name for one in recipe.variants)], "clips")
    return tuple(out)
