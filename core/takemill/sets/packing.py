"""From files to prepared takes, and to a set of clips on the takes' own skeleton."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Sequence
from pathlib import Path

from ..base.errors import InputError
from ..files import glb
from ..files.take_address import name_of as name_of_take
from ..files.take_motion import digest_of_file, takes_in
from ..pipeline import stages
from ..pipeline.finish_clip import FinishedClip
from ..pipeline.plan_clips import OnFailure, expect_clips
from ..pipeline.prepare_take import PreparedTake, Progress, expect_one_skeleton, prepare_take
from ..pipeline.swing_clips import describe_swing
from ..recipe.recipe import Recipe, expect_name
from . import clip_set
from .clip_facts import Facts
from .take_files import OnIntake, Read, as_one_set, ignore_intake, read_take


def pack_takes(
    paths: Sequence[str | Path],
    recipe: Recipe,
    out_dir: str | Path,
    progress: Progress,
    on_intake: OnIntake = ignore_intake,
    say: Callable[[str], None] = clip_set.say_nothing,
    failed: OnFailure | None = None,
) -> list[Facts]:
    """Takes from files, packed on their own skeleton; what clips.json says of each clip.

    `say` is called with a line for each file in the folder that is kept under another name. With `failed` a
    clip that cannot be made is told of, and the set is made of the others.

    Raises:
        TakemillError: anything is wrong; then nothing is written.
    """
    paths = takes_in(paths)
    read = read_takes(paths, recipe, partial_progress(progress, 0.0, 0.1), on_intake)
    name = choose_set_name(recipe, next(iter(read)))
    clip_set.expect_place(out_dir, name, recipe.fbx)
    takes = prepare_takes(paths, read, recipe, partial_progress(progress, 0.1, 0.5))
    return pack_prepared(takes, name, recipe, out_dir, partial_progress(progress, 0.6, 0.4), say, failed)


def pack_prepared(
    takes: Sequence[PreparedTake],
    name: str,
    recipe: Recipe,
    out_dir: str | Path,
    progress: Progress,
    say: Callable[[str], None] = clip_set.say_nothing,
    failed: OnFailure | None = None,
) -> list[Facts]:
    """Prepared takes, packed on their own skeleton under a set's name.

    Raises:
        TakemillError: anything is wrong; then nothing is written.
    """
    if unused := unused_without_character(recipe):
        say(f"{unused}; name its file with --to, or fit the take in Blender")
    clips = stages.make_set(takes, recipe, partial_progress(progress, 0.0, 0.25), failed)
    for line in describe_swing(clips):
        say(line)
    base = glb.skeleton_glb(clips[0].motion.skeleton, name)
    rest = partial_progress(progress, 0.25, 0.75)
    return clip_set.write_clip_set(out_dir, base, name, takes, clips, recipe, rest, say=say)


def unused_without_character(recipe: Recipe) -> str:
    """What to say of tables that clips for no character leave unused; "" where there are none."""
    unused = [key for key in ("fit", "characters") if getattr(recipe, key) != getattr(Recipe(), key)]
    if not unused:
        return ""
    tables = " and ".join(f"[{key}]" for key in unused)
    return f"{tables} of the recipe: not used, since the clips are for no character"


def make_file_clips(
    paths: Sequence[str | Path],
    recipe: Recipe,
    progress: Progress,
    on_intake: OnIntake = ignore_intake,
    failed: OnFailure | None = None,
) -> tuple[FinishedClip, ...]:
    """The clips of takes from files, as `pack_takes` would write them.

    Raises:
        TakemillError: anything is wrong.
    """
    paths = takes_in(paths)
    read = read_takes(paths, recipe, partial_progress(progress, 0.0, 0.2), on_intake)
    takes = prepare_takes(paths, read, recipe, partial_progress(progress, 0.2, 0.6))
    return stages.make_set(takes, recipe, partial_progress(progress, 0.8, 0.2), failed)


Takes = dict[str, Read]
"""What files held, by the takes' names."""


def choose_set_name(recipe: Recipe, first: str) -> str:
    """The set's name: the recipe's, or that of its first take.

    Raises:
        RecipeError: file systems refuse it.
    """
    return expect_name(recipe.name or first, "name of the set")


def read_takes(
    paths: Sequence[str | Path], recipe: Recipe, progress: Progress, on_intake: OnIntake = ignore_intake
) -> Takes:
    """All takes of a set, of one skeleton, with names of their own.

    Raises:
        TakemillError: one cannot be read, is no body on a floor, two are alike in name or of two skeletons,
            or a clip leaves them.
    """
    _expect_names([name_of_take(path) for path in paths])
    read = []
    for number, path in enumerate(paths):
        progress(f"reading {path}", number / len(paths))
        read.append((name_of_take(path), read_take(path, recipe)))
    return expect_set(read, recipe, on_intake)


def expect_set(
    takes: Sequence[tuple[str, Read]], recipe: Recipe, on_intake: OnIntake = ignore_intake
) -> Takes:
    """Takes with their names, brought onto one skeleton where they are of one.

    Raises:
        TakemillError: there are none, one is no body on a floor, two are alike in name or of two skeletons,
            or a clip leaves them.
    """
    _expect_names([name for name, _ in takes])
    read = as_one_set(dict(takes), recipe, on_intake)
    motions = {name: motion for name, (motion, _, _) in read.items()}
    expect_one_skeleton(motions)
    expect_clips(recipe, motions)
    return read


def _expect_names(names: Sequence[str]) -> None:
    if not names:
        raise InputError("a set needs at least one take")
    if len(set(names)) < len(names):
        twice = Counter(names).most_common(1)[0][0]
        raise InputError(f"two takes are called {twice!r}; takes of a set need file names of their own")


def prepare_takes(
    paths: Sequence[str | Path], read: Takes, recipe: Recipe, progress: Progress
) -> list[PreparedTake]:
    """The takes repaired and judged, with the digests of their files."""
    takes = []
    for number, (path, (name, (motion, body, _))) in enumerate(zip(paths, read.items(), strict=True)):
        digest = digest_of_file(path)
        part = partial_progress(progress, number / len(paths), 1 / len(paths))
        takes.append(prepare_take(name, motion, body, recipe, part, digest))
    return takes


def partial_progress(progress: Progress, begin: float, part_share: float) -> Progress:
    """The progress of a part of the work, which begins at `begin` and takes `part_share` of the whole."""
    return lambda text, part: progress(text, begin + part_share * part)
