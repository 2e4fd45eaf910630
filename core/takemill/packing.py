"""From BVH files to a set of clips on the takes' own skeleton."""

from __future__ import annotations

import hashlib
from collections import Counter
from collections.abc import Sequence
from pathlib import Path

from . import clip_set, disk, glb, pipeline
from .body_map import BodyMap
from .bvh import BvhLayout, read_bvh
from .clip_facts import Facts
from .errors import BodyMapError, InputError
from .motion import Motion
from .pipeline import FinishedClip, PreparedTake, Progress
from .recipe import Recipe, expect_name


def read_take(
    path: str | Path, recipe: Recipe, unit_m: float | None = None, up: str | None = None
) -> tuple[Motion, BodyMap, BvhLayout]:
    """A BVH file, its body map with the recipe's corrections, and how the file stores it.

    Raises:
        BvhError: the file cannot be read, or is malformed.
        BodyMapError: the parts cannot be told; the message holds the path.
    """
    motion, layout = read_bvh(path, unit_m=unit_m, up=up)
    try:
        return motion, pipeline.body_of(motion.skeleton, recipe), layout
    except BodyMapError as problem:
        raise BodyMapError(f"{path}: {problem}") from problem


def pack_takes(
    paths: Sequence[str | Path],
    recipe: Recipe,
    out_dir: str | Path,
    progress: Progress,
    unit_m: float | None = None,
    up: str | None = None,
) -> list[Facts]:
    """Takes from files, packed on their own skeleton; what clips.json says of each clip.

    Raises:
        TakemillError: anything is wrong; then nothing is written.
    """
    read = _read(paths, recipe, _part(progress, 0.0, 0.1), unit_m, up)
    name = expect_name(recipe.name or next(iter(read)), "name of the set")
    clip_set.expect_place(out_dir, name)
    takes, clips = _made(paths, read, recipe, _part(progress, 0.1, 0.6))
    base = glb.skeleton_glb(clips[0].motion.skeleton, name)
    return clip_set.write_clip_set(out_dir, base, name, takes, clips, recipe, _part(progress, 0.7, 0.3))


def clips_of(
    paths: Sequence[str | Path],
    recipe: Recipe,
    progress: Progress,
    unit_m: float | None = None,
    up: str | None = None,
) -> tuple[FinishedClip, ...]:
    """The clips of takes from files, as `pack_takes` would write them.

    Raises:
        TakemillError: anything is wrong.
    """
    read = _read(paths, recipe, _part(progress, 0.0, 0.2), unit_m, up)
    return _made(paths, read, recipe, _part(progress, 0.2, 0.8))[1]


_Read = dict[str, tuple[Motion, BodyMap, BvhLayout]]


def _read(
    paths: Sequence[str | Path], recipe: Recipe, progress: Progress, unit_m: float | None, up: str | None
) -> _Read:
    names = [Path(path).stem for path in paths]
    if len(set(names)) < len(names):
        twice = Counter(names).most_common(1)[0][0]
        raise InputError(f"two takes are called {twice!r}; takes of a set need file names of their own")
    read = {}
    for number, (path, name) in enumerate(zip(paths, names, strict=True)):
        progress(f"reading {path}", number / len(paths))
        read[name] = read_take(path, recipe, unit_m, up)
    motions = {name: motion for name, (motion, _, _) in read.items()}
    pipeline.expect_one_skeleton(motions)
    pipeline.expect_clips(recipe, motions)
    return read


def _made(
    paths: Sequence[str | Path], read: _Read, recipe: Recipe, progress: Progress
) -> tuple[list[PreparedTake], tuple[FinishedClip, ...]]:
    takes = []
    for number, (path, (name, (motion, body, _))) in enumerate(zip(paths, read.items(), strict=True)):
        digest = hashlib.sha256(disk.read_bytes(path)).hexdigest()
        part = _part(progress, 0.8 * number / len(paths), 0.8 / len(paths))
        takes.append(pipeline.prepare(name, motion, body, recipe, part, digest))
    return takes, pipeline.make_clips(takes, recipe, _part(progress, 0.8, 0.2))


def _part(progress: Progress, begin: float, share: float) -> Progress:
    """The progress of a part of the work, which begins at `begin` and takes `share` of the whole."""
    return lambda text, part: progress(text, begin + share * part)
