"""Names of sets and clips that would be given twice, told before any work."""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from ..base.errors import RecipeError
from ..base.systems import same_name
from ..cuts.action_kinds import KINDS
from ..recipe.recipe_names import expect_name
from .shoot_file import OWN, ShootFile
from .shoot_takes import ShootTake

_N = re.compile(r"\{n(?::[^}]*)?\}")
_COUNTED = "\x00"  # stands for the digits of {n}, which no name can hold


@dataclass(frozen=True)
class _Asked:
    """A name that a take's clips may get: as it is, or with any number in the place of {n}."""

    take: str
    name: str

    @property
    def shown(self) -> str:
        return self.name.replace(_COUNTED, "01")


def expect_own_names(shoot: ShootFile, takes: Sequence[ShootTake], characters: Sequence[str]) -> None:
    """Insist on folders, sets and clips with names of their own.

    Raises:
        RecipeError: a name would be given twice; the message says by which takes, and the way out.
    """
    folders = {same_name(name): name for name in characters}
    if shoot.own_skeleton and (name := folders.get(same_name(OWN))):
        raise RecipeError(
            f"{shoot.path}: a character is called {name!r}, as the folder of the performer's skeleton"
        )
    if shoot.sets == "take":
        names = [_Asked(take.name, expect_name(take.recipe.name or take.name, take.source)) for take in takes]
        _expect_once(names, "set", "give each recipe a `name` of its own")
        return
    what = "clip" if shoot.sets == "one" else "set"
    for character in characters or [OWN]:
        asked = [one for take in takes for one in _names_of(take, character)]
        _expect_once(
            asked, what, "put {take} into the pattern `naming`, or give them names in the takes' recipes"
        )


def _names_of(take: ShootTake, character: str) -> Iterator[_Asked]:
    """The names that a take's clips have, or may have."""
    recipe = take.recipe
    for name in [*(spec.name for spec in recipe.clips), *(one.name for one in recipe.variants)]:
        if name:
            yield _Asked(take.name, name)
    unnamed = [spec for spec in recipe.clips if not spec.name]
    if recipe.clips and not unnamed:
        return
    kinds = {spec.kind for spec in unnamed} if unnamed and all(spec.kind for spec in unnamed) else {*KINDS}
    words = {"take": take.name, "set": recipe.name or take.name, "character": recipe.character or character}
    pattern = _N.sub(_COUNTED, recipe.naming or "{kind}_{n}")
    for kind in sorted(kinds):
        yield _Asked(take.name, pattern.format(kind=kind, **words))


def _expect_once(asked: Sequence[_Asked], what: str, way_out: str) -> None:
    """Insist that no two takes ask for one name; within a take its own recipe sees to that."""
    exact: dict[str, _Asked] = {}
    for one in asked:
        known = exact.setdefault(same_name(one.name), one)
        if known.take != one.take:
            raise RecipeError(_twice(what, one.shown, known.take, one.take, way_out))
    counted = [one for one in exact.values() if _COUNTED in one.name]
    if not counted:
        return
    forms = {re.escape(same_name(one.name)).replace(re.escape(_COUNTED), r"\d+"): one for one in counted}
    plain = [one for one in exact.values() if _COUNTED not in one.name]
    for form, owner in forms.items():
        for one in plain:
            if one.take != owner.take and re.fullmatch(form, same_name(one.name)):
                raise RecipeError(_twice(what, one.name, owner.take, one.take, way_out))


def _twice(what: str, name: str, one: str, other: str, way_out: str) -> str:
    return f"a {what} {name!r} would be made of two takes, {one!r} and {other!r}; {way_out}"
