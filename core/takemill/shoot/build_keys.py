"""What each result of a build is made from, as digests: the same inputs have the same key, others another."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping, Sequence
from dataclasses import replace
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np

from .. import __version__
from ..files.fbx import find_exporter
from ..files.take_address import file_of, name_of
from ..pipeline.finish_clip import FinishedClip
from ..recipe.recipe import Recipe
from ..sets.take_files import reference_file
from .file_digests import FileDigests
from .shoot_file import OWN
from .shoot_takes import ShootTake
from .value_bytes import digest_of_value

Parts = Mapping[str, str]
"""What a result is made from: "take", "character", "settings", "version" -> the digest of that."""


@cache
def version_digest() -> str:
    """Of Takemill as it is installed, changed files and all, and of numpy, whose results may differ."""
    root = Path(__file__).parents[1]
    out = hashlib.sha256(f"{__version__} {np.__version__}".encode())
    for path in sorted((*root.glob("*/*.py"), *root.glob("*/*.css"), *root.glob("*/*.js"))):
        out.update(path.relative_to(root).as_posix().encode())
        out.update(path.read_bytes())
    return out.hexdigest()


def writer_digest(recipe: Recipe) -> str:
    """Of all that writes sets by a recipe: `version_digest`, and Blender where it writes FBX files.

    Raises:
        FileError: no Blender is there, and is needed.
    """
    if recipe.fbx == "none":
        return version_digest()
    return digest_of_value((version_digest(), find_exporter().version))


def repaired_parts(take: ShootTake, digests: FileDigests) -> Parts:
    """What a repaired take is made from: its file, and the settings of reading, body, repair and health."""
    recipe = take.recipe
    settings = (recipe.intake, dict(recipe.body), recipe.repair, recipe.health, recipe.contacts, recipe.pin)
    other = reference_file(recipe.intake.reference, file_of(take.address))
    said = (settings, digests.of(file_of(other)) if other else "", str(other or ""))
    return {
        "take": digest_of_value((take.name, name_of(take.address), digests.of(file_of(take.address)))),
        "settings": digest_of_value(said),
        "version": version_digest(),
    }


def made_parts(take: ShootTake, repaired: str, folder: str, character: str, sets: str, rooted: bool) -> Parts:
    """What a take's clips in a folder are made from.

    Args:
        take: of the shoot.
        repaired: the key of the repaired take.
        folder: of the character, or OWN.
        character: the digest of the character's file; "" for OWN.
        sets: what one set holds.
        rooted: whether other clips of the set need a root joint.
    """
    recipe = take.recipe
    if folder == OWN:
        recipe = replace(recipe, characters={}, fit=Recipe().fit)
    else:
        said = recipe.said_of(folder)
        recipe = replace(recipe, characters={folder: said} if said else {})
    return {
        "take": repaired,
        "character": character,
        "settings": digest_of_value((recipe, folder, sets, rooted)),
        "version": writer_digest(recipe),
    }


def key_of(parts: Parts) -> str:
    """The key of a result that is made from these."""
    return digest_of_value(dict(sorted(parts.items())))


def set_key(
    name: str,
    folder: str,
    base_glb: bytes,
    takes: Sequence[str],
    clips: Sequence[FinishedClip],
    recipe: Recipe,
) -> str:
    """The key of a set: of all that `build_clip_set` looks at.

    `takes` are the keys of the repaired ones.
    """
    said: tuple[Any, ...] = (
        writer_digest(recipe), name, folder, hashlib.sha256(base_glb).hexdigest(), tuple(takes), tuple(clips),
        recipe.reduce, recipe.files, recipe.fbx, recipe.fit, recipe.same_names,
    )  # fmt: skip
    return digest_of_value(said)
