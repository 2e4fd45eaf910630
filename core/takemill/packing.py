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
from .pipeline import Progress
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
    names = [Path(path).stem for path in paths]
    if len(set(names)) < len(names):
        twice = Counter(names).most_common(1)[0][0]
        raise InputError(f"two takes are called {twice!r}; takes of a set need file names of their own")
    read = {}
    for number, path in enumerate(paths):
        progress(f"reading {path}", 0.1 * number / len(paths))
        read[names[number]] = read_take(path, recipe, unit_m, up)
    pipeline.expect_one_skeleton({name: motion for name, (motion, _, _) in read.items()})
    set_name = expect_name(recipe.name or names[0], "name of the set")
    clip_set.expect_place(out_dir, set_name)
    takes = []
    for number, (path, name) in enumerate(zip(paths, names, strict=True)):
        motion, body, _ = read[name]
        digest = hashlib.sha256(disk.read_bytes(path)).hexdigest()
        part = _part(progress, 0.1 + 0.5 * number / len(paths), 0.5 / len(paths))
        takes.append(pipeline.prepare(name, motion, body, recipe, part, digest))
    clips = pipeline.make_clips(takes, recipe, _part(progress, 0.6, 0.1))
    base = glb.skeleton_glb(clips[0].motion.skeleton, set_name)
    return clip_set.write_clip_set(out_dir, base, set_name, takes, clips, recipe, _part(progress, 0.7, 0.3))


def _part(progress: Progress, begin: float, share: float) -> Progress:
    """The progress of a part of the work, which begins at `begin` and takes `share` of the whole."""
    return lambda text, part: progress(text, begin + share * part)
