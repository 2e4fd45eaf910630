"""Verbs for one take: read it, map its body, check it, repair it, fit it to a character, write it."""

from __future__ import annotations

import warnings
from collections.abc import Callable, Mapping
from dataclasses import replace
from pathlib import Path

from ..base.errors import InputError
from ..body.body_map import BodyMap
from ..feet.contacts import find_contacts
from ..files.bvh import BvhLayout, write_bvh
from ..files.take_address import file_of, name_of
from ..files.take_motion import digest_of_file
from ..health.check import Health, check
from ..pipeline.prepare_take import PreparedTake, Progress, ignore_progress, judge_take, prepare_take
from ..recipe.recipe import Recipe, read_recipe
from ..repair.repair import repair
from ..sets import take_files
from ..sets.character import Character
from .working_take import Take

AnyTake = Take | str | Path
"""A take, or the file that holds one."""

AnyRecipe = Recipe | str | Path | None
"""A recipe, the TOML file that holds one, or None for the defaults."""


def read_take(path: str | Path, recipe: AnyRecipe = None) -> Take:
    """A take from a file, with unit, axes, reference pose and body map found, or as [intake] and [body] say.

    Of a file that holds several, name one: `takes.glb:walk`.

    Example:
        >>> take = takemill.read_take("take.bvh")

    Raises:
        TakemillError: the file cannot be read, or no body is found in it; the message says how to help.
    """
    motion, body, layout = take_files.read_take(path, recipe_of(recipe))
    return Take(name_of(path), motion, body, layout, digest_of_file(path), file_of(path))


def map_body(take: AnyTake, corrections: Mapping[str, str], recipe: AnyRecipe = None) -> Take:
    """The take with some parts played by other joints; an empty name takes a part away.

    Example:
        >>> take = takemill.map_body("take.bvh", {"head": "neck", "neck": ""})

    Raises:
        TakemillError: there is no such part or joint.
    """
    recipe = recipe_of(recipe)
    if not isinstance(take, Take):
        return read_take(take, replace(recipe, body={**recipe.body, **corrections}))
    taken = set(corrections.values())
    names = {part: name for part, name in take.body.items() if name not in taken} | dict(corrections)
    kept = {part: name for part, name in names.items() if name}
    return replace(take, body_map=BodyMap.from_names(take.motion.skeleton, kept))


def check_take(take: AnyTake, recipe: AnyRecipe = None) -> Health:
    """What is wrong with a take: `findings`, each with its kind, joint, frames and words, and `measures`.

    Example:
        >>> for finding in takemill.check_take("take.bvh").findings:
        ...     print(finding.start, finding.joint, finding.message)

    Raises:
        TakemillError: the file cannot be read.
    """
    take, recipe = take_of(take, recipe), recipe_of(recipe)
    return check(take.motion, take.body_map, recipe.health, take.contacts)


def repair_take(take: AnyTake, recipe: AnyRecipe = None) -> Take:
    """The take repaired, with what was found as its `findings`; one that is repaired is given back.

    Example:
        >>> repaired = takemill.repair_take("take.bvh")
        >>> sum(finding.repaired for finding in repaired.findings)

    Raises:
        TakemillError: the file cannot be read, or a setting names no joint.
    """
    take, recipe = take_of(take, recipe), recipe_of(recipe)
    if take.is_repaired:
        return take
    motion, findings = repair(take.motion, take.body_map, recipe.repair)
    return replace(take, motion=motion, raw=take.motion, findings=findings)


def warn(line: str) -> None:
    """A listener that makes a Python warning of a line."""
    warnings.warn(line, UserWarning, stacklevel=3)


def fit_take(
    take: AnyTake, to: AnyTake, recipe: AnyRecipe = None, *, say: Callable[[str], None] = warn
) -> Take:
    """A take on another build, planted feet kept; one that is raw is repaired first.

    Example:
        >>> courier = takemill.fit_take("take.bvh", "courier.glb")

    Args:
        take: the performer's.
        to: the character: a GLB or BVH file, or a take of it.
        recipe: its [repair], [contacts], [fit] and, for a GLB, [characters] count.
        say: called with a line for contacts of hands and body that are not reached, arms that lie in the
            body, another posture at rest, and settings that are not used; each is a Python warning if not
            given.

    Raises:
        TakemillError: a file cannot be read, or the character lacks a part that the fit needs.
    """
    from ..pipeline.fit_notes import fit_notes, unused_settings
    from ..pipeline.fit_take import fit_take as fit_prepared

    recipe = recipe_of(recipe)
    take = repair_take(take, recipe)
    if isinstance(to, Take) or Path(to).suffix.lower() == ".bvh":
        target, shape = take_of(to, recipe), None
        skeleton, body, layout = target.motion.skeleton, target.body_map, target.layout
        hands = None
        for key in ("hand_pose", "rest_pose"):
            if getattr(recipe.fit, key):
                raise InputError(f"[fit] {key}: it names an animation of a GLB character; a take holds none")
    else:
        character = Character.read(to, recipe)
        recipe = recipe.of_character(character.name)
        skeleton, body, shape = character.rest_skeleton(recipe.fit), character.body, character.shape
        hands = character.hand_pose(recipe.fit)
        layout = BvhLayout.default(skeleton)
    contacts = take.contacts or find_contacts(take.motion, take.body_map, recipe.contacts)
    known = PreparedTake(
        take.name, take.digest, take.motion, take.body_map, take.motion, (), Health((), {}), contacts
    )
    for line in unused_settings([known], recipe.fit):
        say(line)
    fitted = fit_prepared(known, skeleton, body, recipe.fit, hands, shape)
    for line in fit_notes(known, fitted, recipe.fit, take.name):
        say(line)
    motion = fitted.motion
    return Take(take.name, motion, body, layout, take.digest, None, motion, (), contacts)


def write_take(take: Take, path: str | Path) -> None:
    """Write a take as a BVH file, in the layout of the file that it came from.

    Example:
        >>> takemill.write_take(takemill.repair_take("take.bvh"), "repaired.bvh")

    Raises:
        TakemillError: the folder cannot be written, or it is the file that the take was read from.
    """
    if take.path is not None:
        take_files.expect_another_file(take.path, path)
    write_bvh(path, take.motion, take.layout)


def take_of(take: AnyTake, recipe: AnyRecipe) -> Take:
    """The take itself, or that of a file."""
    return take if isinstance(take, Take) else read_take(take, recipe)


def recipe_of(recipe: AnyRecipe) -> Recipe:
    """The recipe itself, that of a file, or the defaults."""
    if isinstance(recipe, str | Path):
        return read_recipe(recipe)
    return recipe or Recipe()


def prepare(take: Take, recipe: Recipe, progress: Progress = ignore_progress) -> PreparedTake:
    """The take ready for cutting: repaired unless it is, and judged."""
    if take.raw is None:
        return prepare_take(take.name, take.motion, take.body_map, recipe, progress, take.digest)
    return judge_take(
        take.name, take.raw, take.motion, take.body_map, take.findings, recipe, take.digest, take.contacts
    )
