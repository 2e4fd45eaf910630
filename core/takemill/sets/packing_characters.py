"""From BVH files to sets of clips on characters: a GLB each, with rig and mesh."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from pathlib import Path

from ..files.take_motion import takes_in
from ..pipeline import stages
from ..pipeline.finish_clip import FinishedClip
from ..pipeline.plan_clips import OnFailure, Plan, plan_clips
from ..pipeline.prepare_take import PreparedTake, Progress
from ..pipeline.swing_clips import describe_swing
from ..recipe.recipe import Recipe
from . import clip_set
from .character import Character, read_characters
from .character_clips import build_character_set, expect_fit, fit_character
from .clip_facts import Facts
from .packing import choose_set_name, partial_progress, prepare_takes, read_takes
from .packing_beside import performers_clips, seen_beside
from .take_files import OnIntake, ignore_intake


def pack_characters(
    paths: Sequence[str | Path],
    rigs: Sequence[str | Path],
    recipe: Recipe,
    out_dir: str | Path,
    progress: Progress,
    on_intake: OnIntake = ignore_intake,
    say: Callable[[str], None] = clip_set.say_nothing,
    failed: OnFailure | None = None,
) -> dict[str, list[Facts]]:
    """Takes fitted to characters and packed; by character, what clips.json says of each clip.

    One character's set is `out_dir`; several have a folder each in it, called as they are. Seams are looked
    for once, on the performer, so that all characters' clips are of the same frames. All sets are
    written, or none. `say` is called with a line for each file that is kept under another name, and for
    contacts of hands and body that a character does not reach. With `failed` a clip that cannot be made is
    told of, and the sets are made of the others.

    Raises:
        TakemillError: anything is wrong; then nothing is written.
    """
    characters = read_characters(rigs, recipe)
    named = [spec.name for spec in recipe.clips] + [spec.name for spec in recipe.variants]
    for one in characters:  # clips that are named later are looked at when they are
        one.make_room(named, recipe.same_names)
    paths = takes_in(paths)
    read = read_takes(paths, recipe, partial_progress(progress, 0.0, 0.1), on_intake)
    name = choose_set_name(recipe, next(iter(read)))
    for one in characters:
        clip_set.expect_place(character_folder(out_dir, one.name, len(characters)), name, recipe.fbx)
    takes = prepare_takes(paths, read, recipe, partial_progress(progress, 0.1, 0.4))
    rest = partial_progress(progress, 0.5, 0.5)
    return pack_prepared_for(takes, characters, name, recipe, out_dir, rest, say, failed)


def pack_prepared_for(
    takes: Sequence[PreparedTake],
    characters: Sequence[Character],
    name: str,
    recipe: Recipe,
    out_dir: str | Path,
    progress: Progress,
    say: Callable[[str], None] = clip_set.say_nothing,
    failed: OnFailure | None = None,
) -> dict[str, list[Facts]]:
    """Prepared takes, fitted to characters and packed under a set's name; by character, as `pack_characters`.

    Raises:
        TakemillError: anything is wrong; then nothing is written.
    """
    places = {one.name: character_folder(out_dir, one.name, len(characters)) for one in characters}
    performed: list[FinishedClip] = []

    def perform(plan: Plan) -> None:
        performed.extend(performers_clips(takes, plan))

    part = partial_progress(progress, 0.0, 0.4)
    fitted = list(_fit_characters(takes, characters, recipe, part, failed, say, perform))
    beside = seen_beside(performed, [(one.name, one.glb, clips) for one, _, clips in fitted])
    for line in _spring_lines(recipe, fitted):
        say(line)
    sets = {}
    for number, (one, own_recipe, clips) in enumerate(fitted):
        part = partial_progress(progress, 0.4 + 0.6 * number / len(fitted), 0.6 / len(fitted))
        others = beside[one.name]
        sets[one.name] = build_character_set(one, takes, clips, name, own_recipe, part, say, others)
    for line in clip_set.write_clip_sets({places[character]: one for character, one in sets.items()}):
        say(line)
    return {character: one.facts for character, one in sets.items()}


def _spring_lines(
    recipe: Recipe, fitted: Sequence[tuple[Character, Recipe, tuple[FinishedClip, ...]]]
) -> Iterator[str]:
    """What is to be said of springs that a recipe asks for and that no character has, and of mixed loops."""
    if recipe.springs:
        yield OWN_SPRINGS
    for one, _, clips in fitted:
        yield from (f"{one.name}: {line}" for line in describe_swing(clips))


OWN_SPRINGS = "[springs] are those of the take's own skeleton; a character's are [characters.NAME.springs]"
"""What is said where a recipe has them and clips are for characters alone."""


def make_character_clips(
    paths: Sequence[str | Path],
    rigs: Sequence[str | Path],
    recipe: Recipe,
    progress: Progress,
    on_intake: OnIntake = ignore_intake,
    failed: OnFailure | None = None,
) -> dict[str, tuple[FinishedClip, ...]]:
    """By character, the clips as `pack_characters` would write them.

    Raises:
        TakemillError: anything is wrong.
    """
    characters = read_characters(rigs, recipe)
    paths = takes_in(paths)
    read = read_takes(paths, recipe, partial_progress(progress, 0.0, 0.2), on_intake)
    takes = prepare_takes(paths, read, recipe, partial_progress(progress, 0.2, 0.4))
    return {
        one.name: clips
        for one, _, clips in _fit_characters(
            takes, characters, recipe, partial_progress(progress, 0.6, 0.4), failed
        )
    }


def character_folder(out_dir: str | Path, character: str, count: int) -> Path:
    """The folder of a character's set, of so many."""
    return Path(out_dir) if count == 1 else Path(out_dir) / character


def _fit_characters(
    takes: Sequence[PreparedTake],
    characters: Sequence[Character],
    recipe: Recipe,
    progress: Progress,
    failed: OnFailure | None = None,
    say: Callable[[str], None] = clip_set.say_nothing,
    planned: Callable[[Plan], None] | None = None,
) -> Iterator[tuple[Character, Recipe, tuple[FinishedClip, ...]]]:
    """Each character, its recipe, and its clips; `planned` is told the plan that they share."""
    work_share = 1 / (len(characters) + 1)
    begins = {one.name: expect_fit(one, takes, recipe, say) for one in characters}
    plan = plan_clips(takes, recipe, (), failed)
    progress("looking for seams", 0.0)
    shared_plan = stages.settle_seams(takes, plan, failed)
    if planned:
        planned(shared_plan)
    for number, one in enumerate(characters, 1):
        part = partial_progress(progress, number * work_share, work_share)
        part(f"fitting {one.name}", 0.0)
        yield fit_character(one, takes, shared_plan, begins[one.name], part, say)
