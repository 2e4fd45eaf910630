"""Tables of a recipe into settings dataclasses, by field names and types alone."""

from __future__ import annotations

import difflib
import math
import types
import typing
from collections.abc import Iterable, Mapping
from dataclasses import is_dataclass
from typing import Any, TypeVar

from ..base.errors import InputError, RecipeError
from .limits import expect_usable

Settings = TypeVar("Settings")

_WORDS = {bool: "true or false", int: "a whole number", float: "a number", str: "a text in quotes"}


def settings_from(table: object, kind: type[Settings], place: str) -> Settings:
    """The settings dataclass `kind` with the fields that `table` sets; the others keep their defaults.

    `place` says where the table stands, for messages: "ferry.toml: [repair]".

    Raises:
        RecipeError: an unknown key (near ones are named), a value of another type, or one that the
            settings refuse.
    """
    table = expect_table(table, place)
    hints = typing.get_type_hints(kind)
    # Settings inside settings (contacts, for the repair) have a table of their own.
    known = [name for name in hints if not is_dataclass(hints[name])]
    expect_known(table, known, place)
    values = {key: value_of(value, hints[key], f"{place} {key}") for key, value in table.items()}
    for key, value in values.items():
        expect_usable(key, value, f"{place} {key}")
    try:
        return kind(**values)
    except InputError as problem:
        raise RecipeError(f"{place}: {problem}") from problem


def expect_table(value: object, place: str) -> Mapping[str, object]:
    """Insist on a table.

    Raises:
        RecipeError: it is something else.
    """
    if not isinstance(value, dict):
        raise RecipeError(f"{place}: expected a table, got {_shown(value)}")
    return value


def expect_known(table: Iterable[str], known: Iterable[str], place: str) -> None:
    """Insist on known keys; a near miss is suggested.

    Raises:
        RecipeError: a key is unknown.
    """
    known = list(known)
    for key in table:
        if key not in known:
            near = difflib.get_close_matches(key, known, n=1)
            hint = f"did you mean {near[0]!r}? " if near else ""
            raise RecipeError(f"{place}: unknown key {key!r}; {hint}known: {', '.join(known)}")


def value_of(value: object, hint: Any, place: str) -> Any:
    """`value` as the type that a field is annotated with; whole numbers pass as numbers.

    Raises:
        RecipeError: it is of another type, or not finite.
    """
    origin, args = typing.get_origin(hint), typing.get_args(hint)
    if origin in (typing.Union, types.UnionType):  # TOML has no null: None is said by leaving the key out
        (hint,) = (arg for arg in args if arg is not type(None))
        return value_of(value, hint, place)
    if origin is typing.Literal:
        if value not in args or isinstance(value, bool):
            raise RecipeError(f"{place}: expected one of {', '.join(map(repr, args))}, got {_shown(value)}")
        return value
    if origin is tuple:
        if not isinstance(value, list):
            raise RecipeError(f"{place}: expected a list in brackets, got {_shown(value)}")
        kinds = [args[0]] * len(value) if args[1:] == (...,) else list(args)
        if len(kinds) != len(value):
            raise RecipeError(f"{place}: expected {len(kinds)} values, got {len(value)}")
        return tuple(value_of(one, kind, place) for one, kind in zip(value, kinds, strict=True))
    if origin in (Mapping, dict):
        table = expect_table(value, place)
        return {key: value_of(one, args[1], f"{place}.{key}") for key, one in table.items()}
    if hint is float and isinstance(value, int) and not isinstance(value, bool):
        value = float(value) if abs(value) < 2**53 else math.inf
    if type(value) is not hint:
        raise RecipeError(f"{place}: expected {_WORDS.get(hint, hint)}, got {_shown(value)}")
    if isinstance(value, float) and not math.isfinite(value):
        raise RecipeError(f"{place}: expected a finite number, got {value}")
    return value


def _shown(value: object) -> str:
    text = {True: "true", False: "false"}.get(value, repr(value)) if isinstance(value, bool) else repr(value)
    return text if len(text) <= 40 else f"{text[:37]}..."
