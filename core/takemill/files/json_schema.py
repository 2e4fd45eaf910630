"""As much of JSON Schema (draft 2020-12) as `clips.schema.json` uses; a keyword beyond that is an error.

Source: JSON Schema Validation, 2020-12, sections 6.1 to 6.5; Core, sections 8.2.3 and 10.2 to 10.3.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator, Mapping
from typing import Any

_TYPES: Mapping[str, Callable[[Any], bool]] = {
    "object": lambda value: isinstance(value, dict),
    "array": lambda value: isinstance(value, list),
    "string": lambda value: isinstance(value, str),
    "boolean": lambda value: isinstance(value, bool),
    "null": lambda value: value is None,
    "number": lambda value: isinstance(value, int | float) and not isinstance(value, bool),
    "integer": lambda value: _TYPES["number"](value) and float(value).is_integer(),
}
# Keywords that say nothing, or are looked at by themselves.
_ELSEWHERE = {
    "$schema", "$defs", "$ref", "title", "description", "type", "anyOf", "properties", "required", "items",
    "additionalProperties",
}  # fmt: skip


def problems(
    value: Any, schema: Mapping[str, Any], root: Mapping[str, Any], place: str = ""
) -> Iterator[str]:
    """What is wrong with `value` by `schema`, a part of the schema `root`: each with its place."""
    if "$ref" in schema:
        yield from problems(value, _at(root, schema["$ref"]), root, place)
    where = place or "the top"
    types = schema.get("type", [])
    types = [types] if isinstance(types, str) else types
    if types and not any(_TYPES[one](value) for one in types):
        yield f"{where}: expected {' or '.join(types)}"
        return
    for keyword, wanted in schema.items():
        if keyword not in _ELSEWHERE and not _CHECKS[keyword](value, wanted):
            yield f"{where}: {keyword} {wanted!r} does not hold"
    if "anyOf" in schema and all(any(problems(value, one, root)) for one in schema["anyOf"]):
        yield f"{where}: fits none of what it may be"
    if isinstance(value, dict):
        yield from _in_object(value, schema, root, place)
    if isinstance(value, list) and "items" in schema:
        for k, one in enumerate(value):
            yield from problems(one, schema["items"], root, f"{place}[{k}]")


def _in_object(
    value: dict[str, Any], schema: Mapping[str, Any], root: Mapping[str, Any], place: str
) -> Iterator[str]:
    known = schema.get("properties", {})
    for name in schema.get("required", ()):
        if name not in value:
            yield f"{place or 'the top'}: {name!r} is missing"
    for name, one in value.items():
        below = f"{place}.{name}".lstrip(".")
        if name in known:
            yield from problems(one, known[name], root, below)
        elif schema.get("additionalProperties") is False:
            yield f"{below}: unknown"
        elif isinstance(schema.get("additionalProperties"), dict):
            yield from problems(one, schema["additionalProperties"], root, below)


def _at(root: Mapping[str, Any], reference: str) -> Mapping[str, Any]:
    part: Any = root
    for step in reference.removeprefix("#/").split("/"):
        part = part[step]
    return part


def _same(value: Any, wanted: Any) -> bool:
    """Equality as JSON has it, where true is no number."""
    return isinstance(value, bool) == isinstance(wanted, bool) and bool(value == wanted)


# A keyword says nothing of values of another type than its own.
_CHECKS: Mapping[str, Callable[[Any, Any], bool]] = {
    "const": _same,
    "enum": lambda value, wanted: any(_same(value, one) for one in wanted),
    "minimum": lambda value, wanted: not _TYPES["number"](value) or value >= wanted,
    "maximum": lambda value, wanted: not _TYPES["number"](value) or value <= wanted,
    "exclusiveMinimum": lambda value, wanted: not _TYPES["number"](value) or value > wanted,
    "minLength": lambda value, wanted: not isinstance(value, str) or len(value) >= wanted,
    "pattern": lambda value, wanted: not isinstance(value, str) or bool(re.search(wanted, value)),
    "minItems": lambda value, wanted: not isinstance(value, list) or len(value) >= wanted,
    "maxItems": lambda value, wanted: not isinstance(value, list) or len(value) <= wanted,
}
