"""Takes read from files: the reference pose that was asked for, the body map, and what a take was read as."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

from ..base import disk
from ..base.errors import BodyMapError, FileError, InputError, RecipeError
from ..base.plain import is_name
from ..body.body_map import BodyMap
from ..body.body_twins import settle_twins
from ..body.intake import Intake, IntakeSettings, expect_plausible, find_intake
from ..body.motion import Motion
from ..body.one_skeleton import with_one_skeleton
from ..body.reference_pose import with_frame_as_reference, with_reference, with_reference_of
from ..body.skeleton import Skeleton
from ..feet.walks_in_place import walked_in_place_m
from ..files.bvh import BvhLayout
from ..files.take_address import file_of, name_of
from ..files.take_motion import read_motion
from ..health.profile import find_profile, in_place_text
from ..pipeline.prepare_take import body_of
from ..recipe.recipe import Recipe, parse_moment
from ..repair.settings import finds_path

Read = tuple[Motion, BodyMap, BvhLayout]
"""What a file held: the motion, its body map, and how the file stores it."""

OtherTake = Callable[[str], tuple[Skeleton, str]]
"""What gives the skeleton of the take that a recipe names as reference, and a name for it."""

OnIntake = Callable[[str, Intake], None]
"""Called with the name of a take, and what it was read as."""


def ignore_intake(name: str, intake: Intake) -> None:
    """An `OnIntake` that shows nothing."""
    del name, intake


def read_take(path: str | Path, recipe: Recipe) -> Read:
    """A take, read as the recipe's [intake] says, and its body map with the corrections of [body].

    Args:
        path: a file, or one of the takes in it, as in `takes.glb:walk`.
        recipe: how it is read.

    Raises:
        FileError: the file cannot be read, or is malformed.
        BodyMapError: the parts cannot be determined; the message holds the path.
        InputError: the file holds several takes, the reference pose that is asked for is not there, or a
            name cannot be stored.
    """
    if not is_name(name_of(path)):
        raise InputError(
            f"{str(path)!r}: the file's name is not UTF-8 or holds control characters; rename it"
        )
    motion, layout = read_motion(path, recipe.intake)
    try:
        motion = with_asked_reference(motion, recipe, lambda asked: _other_file(asked, file_of(path), layout))
        return motion, body_in(motion, recipe), layout
    except BodyMapError as problem:
        raise BodyMapError(f"{path}: {problem}") from problem


def body_in(motion: Motion, recipe: Recipe) -> BodyMap:
    """The body map of a take, by names and shape; of joints in one place, by the motion.

    Raises:
        BodyMapError: none can be found, or the recipe names no joint or no part.
    """
    return settle_twins(motion, body_of(motion.skeleton, recipe), recipe.body)


def with_asked_reference(motion: Motion, recipe: Recipe, other: OtherTake) -> Motion:
    """The motion, with the reference pose that was found, with the one that the recipe asks for.

    `other` gives the skeleton of another take, with its reference pose, and what to call it.

    Raises:
        InputError: there is no such frame, or the other take is of another skeleton.
    """
    asked = recipe.intake.reference
    if not asked:
        if not recipe.body:
            return motion
        return with_reference(motion, lambda skeleton: body_of(skeleton, recipe))
    if asked == "rest":
        return motion.with_skeleton(motion.skeleton.with_reference(None))
    try:
        moment = parse_moment(asked, "reference")
    except RecipeError:
        return with_reference_of(motion, *other(asked))
    return with_frame_as_reference(motion, moment.frame(motion.rate))


def reference_file(asked: str, path: Path) -> Path | None:
    """Where the take is that is asked for as reference of the take in `path`; None where there is none."""
    if not asked:
        return None
    return next((one for one in (Path(asked), path.parent / asked) if file_of(one).exists()), None)


def _other_file(asked: str, path: Path, layout: BvhLayout) -> tuple[Skeleton, str]:
    """The skeleton of a take in another file, which lies anywhere or beside the first one."""
    other = reference_file(asked, path)
    if other is None:
        raise InputError(
            f"reference: {asked!r} is no second (1.5) and no frame (90f) of the take, not the word rest, "
            "and no file of this name is there"
        )
    held, _ = read_motion(other, IntakeSettings(unit_m=layout.unit_m, up=layout.up))
    return held.skeleton, other.name


def intake_of(read: Read, recipe: Recipe | None = None) -> Intake | None:
    """What a take was read as; None for a body without legs."""
    motion, body, layout = read
    found = find_intake(motion, body, layout.unit_m, layout.up)
    if found is None:
        return None
    asked = recipe.repair.profile if recipe else ""
    profile = None if asked else find_profile(motion, body)
    walked_m = profile.in_place_m if profile else walked_in_place_m(motion, body)
    if recipe and finds_path(recipe.repair, walked_m):
        found = find_intake(motion, body, layout.unit_m, layout.up, keeps_height=False) or found
    words = profile.text() if profile else f"{asked} (as asked){in_place_text(walked_m)}"
    kind = profile.kind if profile else asked
    return replace(found, notes=(*layout.notes, *found.notes), profile=words, recorded_by=kind)


def as_one_set(read: dict[str, Read], recipe: Recipe, on_intake: OnIntake = ignore_intake) -> dict[str, Read]:
    """Takes by name on one skeleton where they are of one; `on_intake` hears what each was read as.

    Raises:
        InputError: one is no body on a floor, and the recipe does not accept that.
    """
    motions = {name: motion for name, (motion, _, _) in read.items()}
    if len(read) > 1:
        shared = with_one_skeleton(motions)
        first = body_in(next(iter(shared.values())), recipe)  # one skeleton has one body
        whole = next(iter(shared.values())).skeleton
        read = {
            name: (shared[name], first if shared[name].skeleton is whole else body, layout)
            for name, (_, body, layout) in read.items()
        }
    intakes = {name: found for name, one in read.items() if (found := intake_of(one, recipe))}
    for name, intake in intakes.items():
        on_intake(name, intake)
    for name, intake in intakes.items():
        expect_plausible(intake, name, recipe.intake)
    return read


def expect_another_file(take: str | Path, out: str | Path | None, what: str = "the take itself") -> None:
    """Insist that what is written is no take, which is never changed.

    Raises:
        FileError: it is the same file.
    """
    if out is None:
        return
    take = file_of(take)
    with disk.explain_errors("write", out):
        same = Path(out).exists() and Path(take).exists() and Path(out).samefile(take)
        if same or Path(out).absolute() == Path(take).absolute():
            raise FileError(f"cannot write {out}: it is {what}, which is never changed")
