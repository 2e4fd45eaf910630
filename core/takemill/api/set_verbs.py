"""Verbs for sets on disk: pack takes, verify a set."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from ..base.errors import InputError, TakemillError
from ..body.intake import Intake
from ..pipeline.finish_clip import FinishedClip
from ..pipeline.plan_clips import OnFailure
from ..pipeline.prepare_take import Progress, ignore_progress
from ..recipe.recipe import Recipe
from ..sets import clip_set, verify
from ..sets.character import read_characters
from ..sets.clip_facts import Facts, describe_again
from ..sets.packing import choose_set_name, make_file_clips, pack_prepared, partial_progress
from ..sets.packing_characters import (
    character_folder,
    make_character_clips,
    pack_prepared_for,
)
from ..sets.take_files import OnIntake, ignore_intake
from ..sets.verify import Verdict, notes_of, set_folders
from .clip_verbs import prepare_all, read_all
from .take_verbs import AnyRecipe, AnyTake, recipe_of

Paths = str | Path | Sequence[str | Path]
"""One file or several."""


def pack_takes(
    takes: AnyTake | Sequence[AnyTake],
    out: str | Path,
    recipe: AnyRecipe = None,
    *,
    to: Paths = (),
    progress: Progress = ignore_progress,
    say: Callable[[str], None] = clip_set.say_nothing,
    failed: OnFailure | None = None,
) -> dict[Path, list[Facts]]:
    """Write a set of clips: GLB, clips.json and report.html; its folder is replaced whole or not at all.

    Example:
        >>> takemill.pack_takes("take.bvh", "clips", "set.toml")
        >>> takemill.pack_takes(["a.bvh", "b.bvh"], "clips", "set.toml", to=["short.glb", "tall.glb"])

    Args:
        takes: one or several, of one skeleton; those that are raw are repaired first.
        out: the folder; one character's set is this folder, several have a folder each in it.
        recipe: what to make, and how.
        to: the characters, as GLB files; none for the performer's own skeleton.
        progress: called with what is being done, and the share that is done, 0 to 1.
        say: called with a line for each file that is kept under another name.
        failed: called with the name of each clip that cannot be made and its error; the set is made of the
            others. None: the first such error is raised, and nothing is written.

    Returns:
        By folder, what its clips.json says of each clip.

    Raises:
        TakemillError: anything is wrong; then nothing is written.
    """
    recipe = recipe_of(recipe)
    characters = read_characters(_paths(to), recipe) if _paths(to) else []
    read = read_all(takes, recipe)
    name = choose_set_name(recipe, read[0].name)
    places = [character_folder(out, one.name, len(characters)) for one in characters] or [Path(out)]
    for place in places:
        clip_set.expect_place(place, name, recipe.fbx)
    prepared = prepare_all(read, recipe, partial_progress(progress, 0.0, 0.5))
    rest = partial_progress(progress, 0.5, 0.5)
    if not characters:
        return {places[0]: pack_prepared(prepared, name, recipe, out, rest, say, failed)}
    facts = pack_prepared_for(prepared, characters, name, recipe, out, rest, say, failed)
    return {place: facts[one.name] for place, one in zip(places, characters, strict=True)}


@dataclass(frozen=True)
class SetVerdict:
    """What was found of a set.

    Attributes:
        folder: of the set.
        problems: what is wrong with it as a whole.
        notes: what is worth knowing, and not wrong.
        clips: what was found of each clip; each has `problems` of its own.
    """

    folder: Path
    problems: tuple[str, ...]
    notes: tuple[str, ...]
    clips: tuple[Verdict, ...]

    @property
    def is_ok(self) -> bool:
        """Whether nothing is wrong with it or any of its clips."""
        return not self.problems and not any(one.problems for one in self.clips)


def verify_set(
    folder: str | Path,
    takes: Paths = (),
    recipe: AnyRecipe = None,
    *,
    to: Paths = (),
    progress: Progress = ignore_progress,
    on_intake: OnIntake = ignore_intake,
) -> tuple[SetVerdict, ...]:
    """A set, or a folder of characters' sets, read back by a reader of its own, and judged.

    Example:
        >>> all(verdict.is_ok for verdict in takemill.verify_set("clips"))
        >>> takemill.verify_set("clips", "take.bvh", "set.toml", to="courier.glb")

    Args:
        folder: of the set, or the one that holds the characters' ones.
        takes: the files that it was packed from, to make its clips again and compare.
        recipe: with which it was packed.
        to: the characters, as GLB files.
        progress: called with what is being done, and the share that is done, 0 to 1.
        on_intake: called with the name of each take and what it was read as (internal).

    Raises:
        TakemillError: there is no set, or a take or a character cannot be read.
    """
    asked, recipe, folders = recipe is not None, recipe_of(recipe), set_folders(folder)
    odd: list[str] = []

    def note_intake(name: str, intake: Intake) -> None:
        odd.extend(f"{name}: {problem}" for problem in intake.problems)
        on_intake(name, intake)

    lacks: list[str] = []

    def note_failure(name: str, problem: TakemillError) -> None:
        lacks.append(f"clip {name!r} of the recipe cannot be made: {problem}")

    again = _made_again(
        folder, _paths(takes), _paths(to), recipe, progress, folders, note_intake, note_failure
    )
    if recipe.intake.accept:
        odd.clear()
    odd += lacks
    found = []
    for one in folders:
        progress(f"reading {one}", 0.9)
        clips = again.get(one, ())
        motions = {clip.name: clip.motion for clip in clips}
        wrong, verdicts = verify.verify_set(
            one,
            motions,
            describe_again(clips, recipe) if clips else None,
            recipe.reduce.max_error_m if clips or asked else None,
            {clip.name: clip.restore_points for clip in clips},
        )
        unknown = sorted(motions.keys() - {clip.name for clip in verdicts}) if verdicts else []
        more = (f"the recipe makes a clip {name!r}, which is not in the set" for name in unknown)
        found.append(SetVerdict(one, (*odd, *wrong, *more), tuple(notes_of(one)), verdicts))
    return tuple(found)


def _made_again(
    folder: str | Path,
    takes: Sequence[str | Path],
    to: Sequence[str | Path],
    recipe: Recipe,
    progress: Progress,
    folders: Sequence[Path],
    note_intake: OnIntake,
    note_failure: OnFailure,
) -> Mapping[Path, tuple[FinishedClip, ...]]:
    """The clips of each set, from the takes; nothing where these are not at hand.

    What no body on a floor can be is a problem of the set then, no error that leaves the set unread.

    Raises:
        InputError: the characters that are given are not those whose sets are there.
    """
    reading = replace(recipe, intake=replace(recipe.intake, accept=True))
    if not takes:
        if to:
            raise InputError("--to: name the takes too, to make the clips again")
        return {}
    if not to:
        if len(folders) > 1:
            raise InputError(f"{folder} holds sets of characters; name each with --to")
        return {
            folders[0]: _said_of(make_file_clips(takes, reading, progress, note_intake, note_failure), recipe)
        }
    found = make_character_clips(takes, to, reading, progress, note_intake, note_failure)
    again = {
        character_folder(folder, name, len(to)): _said_of(clips, recipe) for name, clips in found.items()
    }
    missing = sorted(str(place) for place in again.keys() - {*folders})
    if missing:
        raise InputError(f"there is no set {missing[0]}")
    return again


def _said_of(clips: Sequence[FinishedClip], recipe: Recipe) -> tuple[FinishedClip, ...]:
    """Clips with the [intake] of their recipe, whatever they were read with."""
    return tuple(
        replace(clip, settings=clip.settings and replace(clip.settings, intake=recipe.intake))
        for clip in clips
    )


def _paths(paths: Paths) -> list[str | Path]:
    return [paths] if isinstance(paths, str | Path) else list(paths)
