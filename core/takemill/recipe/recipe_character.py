"""What a recipe says of one character: [characters.NAME.body] and tables over the recipe's own."""

from __future__ import annotations

import typing
from collections.abc import Mapping
from dataclasses import dataclass, field, fields, replace
from typing import Any, TypeVar

from ..base.errors import RecipeError
from ..fit.fit import FitSettings
from . import tables
from .recipe_face import FaceSpec
from .recipe_springs import SpringsSpec, springs_from

Settings = TypeVar("Settings")

OVERRIDES: Mapping[str, type] = {"fit": FitSettings}
"""Tables of a character that hold only what is other than in the recipe's table of the same name."""


@dataclass(frozen=True)
class CharacterSpec:
    """One character; each field is a table of its own, [characters.NAME.FIELD].

    Attributes:
        body: part -> joint name, where the found body map is to be corrected; "" takes a part away.
        fit: settings of [fit] that are others for this character.
        springs: its chains that swing; none where it says nothing of them.
        face: the animation of its file that its face plays.
    """

    body: Mapping[str, str] = field(default_factory=dict)
    fit: Mapping[str, Any] = field(default_factory=dict)
    springs: SpringsSpec = field(default_factory=SpringsSpec)
    face: FaceSpec = field(default_factory=FaceSpec)

    def over(self, name: str, settings: Settings) -> Settings:
        """The settings of a recipe's table, with this character's own."""
        return replace(settings, **getattr(self, name))  # type: ignore[type-var]


TABLES_OF_A_CHARACTER = tuple(one.name for one in fields(CharacterSpec))
"""The tables below [characters.NAME]."""


def characters_from(data: object, place: str) -> dict[str, CharacterSpec]:
    """All [characters.NAME] of a recipe, by name.

    Raises:
        RecipeError: a table or a key is unknown, or a value of another type.
    """
    found: dict[str, CharacterSpec] = {}
    for name, table in tables.expect_table(data, place).items():
        here = f"{place[:-1]}.{name}]"
        twice = next((one for one in found if one.casefold() == name.casefold()), "")
        if twice:
            raise RecipeError(f"{here}: {twice!r} is the same character but for small and large letters")
        table = tables.expect_table(table, here)
        tables.expect_known(table, TABLES_OF_A_CHARACTER, here)
        found[name] = CharacterSpec(**{key: _table(table[key], key, f"{here[:-1]}.{key}]") for key in table})
    return found


def _table(table: object, key: str, place: str) -> Any:
    """One table of a character."""
    if key == "springs":
        return springs_from(table, place)
    if key == "face":
        return tables.settings_from(table, FaceSpec, place)
    if key in OVERRIDES:
        whole: Any = tables.settings_from(table, OVERRIDES[key], place)
        return {name: getattr(whole, name) for name in tables.expect_table(table, place)}
    return tables.value_of(table, typing.get_type_hints(CharacterSpec)[key], place)
