"""A recipe as TOML, and its parts as plain tables: what `recipe.parse_recipe` and `tables` read."""

from __future__ import annotations

import json
import re
from collections.abc import Mapping
from dataclasses import MISSING, fields, is_dataclass
from typing import Any

from .recipe import ABOVE_KEYS, TABLES, Recipe
from .recipe_character import TABLES_OF_A_CHARACTER
from .recipe_clip import ClipSpec, Moment, VariantSpec
from .recipe_springs import SpringsSpec, springs_tables

Table = dict[str, Any]
"""What TOML and JSON know: texts, numbers, truth values, lists and tables."""

_BARE_KEY = re.compile(r"[A-Za-z0-9_-]+")  # TOML 1.0, "Keys"
_SPEC_KEYS = {"start": "from", "stop": "to"}  # fields of a ClipSpec that are called otherwise in a recipe


def recipe_toml(recipe: Recipe) -> str:
    """A recipe's text; what stands at its default is left out.

    `parse_recipe` reads an equal recipe from it.
    """
    lines = [_line(key, value) for key, value in _changed(recipe, ABOVE_KEYS).items()]
    parts = ["\n".join(lines)] if lines else []
    tables: Table = {"body": dict(recipe.body)}
    tables |= {
        f"characters.{_key(name)}.{table}": {key: _plain(value) for key, value in getattr(one, table).items()}
        for name, one in recipe.characters.items()
        for table in TABLES_OF_A_CHARACTER
        if table not in ("springs", "face")
    }
    tables |= {f"characters.{_key(name)}.face": _changed(one.face) for name, one in recipe.characters.items()}
    tables |= {name: _changed(getattr(recipe, name)) for name in TABLES}
    parts += [_table(f"[{name}]", table) for name, table in tables.items() if table]
    parts += _springs("springs", recipe.springs)
    for name, one in recipe.characters.items():
        parts += _springs(f"characters.{_key(name)}.springs", one.springs)
    parts += [_table("[[clip]]", clip_table(one)) for one in recipe.clips]
    parts += [_table("[[variant]]", variant_table(one)) for one in recipe.variants]
    return "\n\n".join(parts) + "\n" if parts else ""


def _springs(head: str, spec: SpringsSpec) -> list[str]:
    """The tables of springs; a chain or collider that says nothing is a table too."""
    return [
        _table(f"[{'.'.join([head, *(_key(part) for part in name)])}]", table)
        for name, table in springs_tables(spec).items()
        if table or name
    ]


def settings_table(recipe: Recipe) -> Table:
    """All settings that clips are made with, defaults too; not the clips, the names and the body maps."""
    return {
        **{key: getattr(recipe, key) for key in ("rate", "neutral", "blend_frames")},
        **{name: _every(getattr(recipe, name)) for name in TABLES},
    }


def clip_table(spec: ClipSpec) -> Table:
    """A [[clip]] as a table; what stands at its default is left out."""
    table = _changed(spec)
    if spec.stretches:
        del table["from"], table["to"]
    return table


def variant_table(variant: VariantSpec) -> Table:
    """A [[variant]] as a table; what stands at its default is left out."""
    return _changed(variant)


def _changed(settings: object, only: tuple[str, ...] = ()) -> Table:
    """The fields that are not at their defaults, as plain values."""
    out: Table = {}
    for field in fields(settings):  # type: ignore[arg-type]
        value = getattr(settings, field.name)
        default = field.default if field.default_factory is MISSING else field.default_factory()
        if only and field.name not in only:
            continue
        # Settings inside settings have a table of their own.
        if value == default or (is_dataclass(default) and not isinstance(default, type)):
            continue
        out[_SPEC_KEYS.get(field.name, field.name)] = _plain(value)
    return out


def _every(settings: object) -> Table:
    """All fields as plain values."""
    pairs = ((field.name, getattr(settings, field.name)) for field in fields(settings))  # type: ignore[arg-type]
    return {name: _plain(value) for name, value in pairs if not is_dataclass(value)}


def _plain(value: Any) -> Any:
    if isinstance(value, Moment):
        return f"{int(value.value)}f" if value.in_frames else float(value.value)
    if is_dataclass(value):
        return {field.name: _plain(getattr(value, field.name)) for field in fields(value)}
    if isinstance(value, Mapping):
        return {str(key): _plain(one) for key, one in value.items()}
    return [_plain(one) for one in value] if isinstance(value, tuple) else value


def _table(head: str, table: Mapping[str, Any]) -> str:
    return "\n".join([head, *(_line(key, value) for key, value in table.items())])


def _line(key: str, value: object) -> str:
    return f"{_key(key)} = {_value(value)}"


def _key(key: str) -> str:
    return key if _BARE_KEY.fullmatch(key) else _text(key)


def _value(value: object) -> str:
    if isinstance(value, Mapping):
        return "{" + ", ".join(_line(str(key), one) for key, one in value.items()) + "}"
    if isinstance(value, list):
        return "[" + ", ".join(map(_value, value)) + "]"
    return _text(value) if isinstance(value, str) else json.dumps(value, allow_nan=False)


def _text(text: str) -> str:
    """A basic string of TOML 1.0: as JSON's, and DEL must be escaped too."""
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f")
