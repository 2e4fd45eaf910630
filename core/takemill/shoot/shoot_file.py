"""A shoot file: which takes, for which characters, with which settings.

takes = ["monday/*.bvh", "tuesday/**/*.bvh"]  # globs, from the shoot file's folder
exclude = ["*_test.bvh"]
characters = ["characters/*.glb"]   # without any, clips are for the performer's own skeleton
own_skeleton = true                 # for that too, beside the characters
sets = "take"                       # a set for each take; "one" for all takes; or one for each "clip"

[shots]                 # what is to be shot: names, and the kind of action that each is ("": any)
jab = "strike"
walk = "locomotion"

[settings]              # a recipe without clips and name, which all takes share
rate = 30

[overrides.fast]        # over it, for the takes that these patterns name ...
takes = ["jab_*", "hook_??"]
like = "strikes"        # ... after what another override says
settings.rate = 60

A recipe beside a take, `jab_03.toml` beside `jab_03.bvh`, counts most, and alone names clips.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Literal

from ..base.errors import RecipeError
from ..cuts.action_kinds import KINDS
from ..recipe import tables
from ..recipe.recipe import parse_toml, read_text, recipe_values
from ..recipe.recipe_names import expect_name

SETS = ("one", "take", "clip")
"""What one set holds: the clips of all takes, those of one take, or one clip."""

NAMING = "{take}_{kind}_{n:02}"
"""What clips without a name are called where nobody says it: unique in the whole shoot."""

OWN = "own_skeleton"
"""The folder of the clips on the performer's own skeleton."""

_KEYS: Mapping[str, object] = {
    "name": str, "takes": tuple[str, ...], "exclude": tuple[str, ...], "characters": tuple[str, ...],
    "own_skeleton": bool, "sets": Literal[SETS],
}  # fmt: skip
_OVERRIDE_KEYS: Mapping[str, object] = {"takes": tuple[str, ...], "like": str}
_OF_A_TAKE = ("name", "clip", "variant")  # keys of a recipe that make sense for a take alone

Layer = tuple[str, Mapping[str, Any]]
"""Settings as TOML has them, and where they stand."""


@dataclass(frozen=True)
class Override:
    """Settings for some takes.

    Attributes:
        name: of the override.
        takes: patterns of takes' names.
        like: the override whose settings come before its own; "" for none.
        settings: over the shared ones, as TOML has them.
    """

    name: str
    takes: tuple[str, ...] = ()
    like: str = ""
    settings: Mapping[str, Any] = field(default_factory=dict)


@dataclass(frozen=True)
class ShootFile:
    """What a shoot file says.

    Attributes:
        path: of the file; globs start in its folder.
        takes: globs of takes.
        name: of the shoot: the file's, without its ending, unless it says another.
        exclude: globs of files that are no takes.
        characters: files or globs of characters.
        own_skeleton: whether clips are made for the performer's own skeleton.
        sets: one of SETS.
        settings: what all takes share, as TOML has it.
        overrides: by name, in the file's order, which is that in which they count.
        shots: name -> kind of action that is to be shot; "" for any. A build makes nothing of it.
    """

    path: Path
    takes: tuple[str, ...]
    name: str
    exclude: tuple[str, ...] = ()
    characters: tuple[str, ...] = ()
    own_skeleton: bool = False
    sets: str = "take"
    settings: Mapping[str, Any] = field(default_factory=dict)
    overrides: Mapping[str, Override] = field(default_factory=dict)
    shots: Mapping[str, str] = field(default_factory=dict)

    def layers_of(self, names: list[str]) -> list[Layer]:
        """Settings of the overrides of these names, each after those that it is like."""
        out: list[Layer] = []
        for name in names:
            chain = [name]
            while like := self.overrides[chain[-1]].like:
                chain.append(like)
            out += [(f"{self.path} [overrides.{one}]", self.overrides[one].settings) for one in chain[::-1]]
        return out


def read_shoot(path: str | Path) -> ShootFile:
    """What a shoot file says.

    Raises:
        FileError: it cannot be read.
        RecipeError: it is no shoot file: a key is unknown, a value of another type, or overrides are like
            each other in a circle.
    """
    path = Path(path)
    source = str(path)
    data = parse_toml(read_text(path), source)
    tables.expect_known(data, [*_KEYS, "settings", "overrides", "shots"], source)
    values = {
        key: tables.value_of(data[key], hint, f"{source}: {key}")
        for key, hint in _KEYS.items()
        if key in data
    }
    if not values.get("takes"):
        raise RecipeError(f'{source}: it names no takes; write takes = ["takes/*.bvh"]')
    values["name"] = expect_name(values.get("name") or path.stem, f"{source}: name")
    values["settings"] = _settings(data.get("settings", {}), f"{source}: [settings]")
    values["overrides"] = _overrides(data.get("overrides", {}), source)
    values["shots"] = _shots(data.get("shots", {}), f"{source}: [shots]")
    values["own_skeleton"] = values.get("own_skeleton", False) or not values.get("characters")
    return ShootFile(path, **values)


def merge_layers(layers: list[Layer]) -> dict[str, Any]:
    """TOML's values of all layers: a later one counts more, table by table; lists are not joined."""
    out: dict[str, Any] = {}
    for _, data in layers:
        out = _merged(out, data)
    return out


def _merged(below: Mapping[str, Any], above: Mapping[str, Any]) -> dict[str, Any]:
    both = {
        key: _merged(below[key], value)
        for key, value in above.items()
        if isinstance(value, dict) and isinstance(below.get(key), dict)
    }
    return {**below, **above, **both}


def _settings(table: object, place: str) -> Mapping[str, Any]:
    """A part of a recipe, each of its keys looked at."""
    said = tables.expect_table(table, place)
    for key in _OF_A_TAKE:
        if key in said:
            raise RecipeError(
                f"{place}: {key!r} belongs into the recipe of one take, a file beside it: take_01.toml "
                "beside take_01.bvh"
            )
    recipe_values(said, place)
    return said


def _shots(table: object, place: str) -> dict[str, str]:
    found: dict[str, str] = {}
    for name, kind in tables.expect_table(table, place).items():
        if kind not in ("", *KINDS):
            raise RecipeError(
                f'{place} {name}: expected a kind, one of {", ".join(KINDS)}, or "", got {kind!r}'
            )
        found[expect_name(name, place)] = kind
    return found


def _overrides(table: object, source: str) -> dict[str, Override]:
    found: dict[str, Override] = {}
    for name, one in tables.expect_table(table, f"{source}: [overrides]").items():
        place = f"{source}: [overrides.{name}]"
        said = tables.expect_table(one, place)
        tables.expect_known(said, [*_OVERRIDE_KEYS, "settings"], place)
        values = {
            key: tables.value_of(said[key], hint, f"{place} {key}")
            for key, hint in _OVERRIDE_KEYS.items()
            if key in said
        }
        found[name] = Override(
            name, settings=_settings(said.get("settings", {}), f"{place} settings"), **values
        )
    for name in found:
        _expect_no_circle(name, found, source)
    return found


def _expect_no_circle(name: str, overrides: Mapping[str, Override], source: str) -> None:
    chain = [name]
    while like := overrides[chain[-1]].like:
        if like not in overrides:
            raise RecipeError(
                f"{source}: [overrides.{chain[-1]}] like = {like!r}: there is no such override; there are: "
                f"{', '.join(overrides)}"
            )
        if like in chain:
            raise RecipeError(
                f"{source}: overrides are like each other in a circle: {' -> '.join([*chain, like])}; "
                "take one `like` away"
            )
        chain.append(like)
