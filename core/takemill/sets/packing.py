"""From BVH files to prepared takes, and to a set of clips on the takes' own skeleton."""

from __future__ import annotations

import hashlib
from collections import Counter
from collections.abc import Callable, Sequence
from pathlib import Path

from ..base import disk
from ..base.errors import InputError
from ..files import glb
from ..pipeline import stages
from ..pipeline.stages import FinishedClip, PreparedTake, Progress
from ..recipe.recipe import Recipe, expect_name
from . import clip_set
from .clip_facts import Facts
from .take_files import OnIntake, Read, as_one_set, nobody, read_take


def pack_takes(
    paths: Sequence[str | Path],
    recipe: Recipe,
    out_dir: str | Path,
    progress: Progress,
    on_intake: OnIntake = nobody,
    say: Callable[[str], None] = clip_set.quiet,
) -> list[Facts]:
    """Takes from files, packed on their own skeleton; what clips.json says of each clip.

    `say` is told of each file in the folder that is kept under another name.

    Raises:
        TakemillError: anything is wrong; then nothing is written.
    """
    read = read_takes(paths, recipe, part_of(progress, 0.0, 0.1), on_intake)
    name = name_of(recipe, read)
    clip_set.expect_place(out_dir, name)
    takes = prepared(paths, read, recipe, part_of(progress, 0.1, 0.5))
    clips = stages.make_clips(takes, recipe, part_of(progress, 0.6, 0.1))
    base = glb.skeleton_glb(clips[0].motion.skeleton, name)
    rest = part_of(progress, 0.7, 0.3)
    return clip_set.write_clip_set(out_dir, base, name, takes, clips, recipe, rest, say=say)


def clips_of(
    paths: Sequence[str | Path],
    recipe: Recipe,
    progress: Progress,
    on_intake: OnIntake = nobody,
) -> tuple[FinishedClip, ...]:
    """The clips of takes from files, as `pack_takes` would write them.

    Raises:
        TakemillError: anything is wrong.
    """
    read = read_takes(paths, recipe, part_of(progress, 0.0, 0.2), on_intake)
    takes = prepared(paths, read, recipe, part_of(progress, 0.2, 0.6))
    return stages.make_clips(takes, recipe, part_of(progress, 0.8, 0.2))


Takes = dict[str, Read]
"""What files held, by the takes' names."""


def name_of(recipe: Recipe, read: Takes) -> str:
    """The set's name: the recipe's, or the first take's.

    Raises:
        RecipeError: file systems refuse it.
    """
    return expect_name(recipe.name or next(iter(read)), "name of the set")


def read_takes(
    paths: Sequence[str | Path], recipe: Recipe, progress: Progress, on_intake: OnIntake = nobody
) -> Takes:
    """All takes of a set, of one skeleton, with names of their own.

    Raises:
        TakemillError: one cannot be read, is no body on a floor, two are alike in name or of two skeletons,
            or a clip leaves them.
    """
    names = [Path(path).stem for path in paths]
    if len(set(names)) < len(names):
        twice = Counter(names).most_common(1)[0][0]
        raise InputError(f"two takes are called {twice!r}; takes of a set need file names of their own")
    read: Takes = {}
    for number, (path, name) in enumerate(zip(paths, names, strict=True)):
        progress(f"reading {path}", number / len(paths))
        read[name] = read_take(path, recipe)
    read = as_one_set(read, recipe, on_intake)
    motions = {name: motion for name, (motion, _, _) in read.items()}
    stages.expect_one_skeleton(motions)
    stages.expect_clips(recipe, motions)
    return read


def prepared(
    paths: Sequence[str | Path], read: Takes, recipe: Recipe, progress: Progress
) -> list[PreparedTake]:
    """The takes repaired and judged, with the digests of their files."""
    takes = []
    for number, (path, (name, (motion, body, _))) in enumerate(zip(paths, read.items(), strict=True)):
        digest = hashlib.sha256(disk.read_bytes(path)).hexdigest()
        part = part_of(progress, number / len(paths), 1 / len(paths))
        takes.append(stages.prepare(name, motion, body, recipe, part, digest))
    return takes


def part_of(progress: Progress, begin: float, share: float) -> Progress:
    """The progress of a part of the work, which begins at `begin` and takes `share` of the whole."""
    return lambda text, part: progress(text, begin + share * part)
