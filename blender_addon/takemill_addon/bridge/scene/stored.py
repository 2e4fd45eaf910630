"""JSON that is kept with Actions, read back without trust: anybody can have written there."""

from __future__ import annotations

from functools import lru_cache
from typing import Any

from takemill.base import strict_json
from takemill.base.errors import InputError
from takemill.clip.root_motion_parts import WORDS
from takemill.cuts.cuts import KINDS
from takemill.files.json_schema import problems


def _of(**parts: Any) -> dict[str, Any]:
    """The schema of an object with just these parts, all of which must be there."""
    return {"type": "object", "properties": parts, "required": list(parts), "additionalProperties": False}


def _or_none(schema: dict[str, Any]) -> dict[str, Any]:
    return {"anyOf": [{"type": "null"}, schema]}


_TEXT, _TRUTH, _NUMBER = {"type": "string"}, {"type": "boolean"}, {"type": "number"}
# Parts of JSON schemas.
_COUNT = {"type": "integer", "minimum": 0}
_RANGE = {"type": "array", "items": _COUNT, "minItems": 2, "maxItems": 2}
_ABOVE_ZERO = {"type": "number", "exclusiveMinimum": 0}
_PLANTED = {
    "type": "array",
    "items": {"type": "array", "items": {"type": "integer", "minimum": 0, "maximum": 1}},
}
_PART = {"enum": list(WORDS)}
_PATH = {"type": "array", "items": {"type": "array", "items": _NUMBER, "minItems": 3, "maxItems": 3}}
_CONTACTS = _of(floor_m=_NUMBER, feet={"type": "array", "items": _TEXT}, heel=_PLANTED, toe=_PLANTED)
# Of a floor at several heights: by frame and foot, under heel and toe.
_HEELS_TOES = {"type": "array", "items": _NUMBER, "minItems": 2, "maxItems": 2}
_CONTACTS["properties"]["rise_m"] = {"type": "array", "items": {"type": "array", "items": _HEELS_TOES}}
_RECORD = _of(
    rate=_or_none(_ABOVE_ZERO),
    kind={"enum": list(KINDS)},
    loop=_TRUTH,
    root_motion_mode={"enum": ["keep", "root", "in_place"]},
    candidate=_or_none(
        _of(
            start=_COUNT,
            end=_COUNT,
            gap_cm=_NUMBER,
            gap_deg=_NUMBER,
            gap_cm_s=_NUMBER,
            quality={"enum": ["good", "fair", "poor", "bad"]},
            note=_TEXT,
        )
    ),
    source=_TEXT,
    source_range=_RANGE,
    root_motion=_or_none(_of(position=_PATH, heading={"type": "array", "items": _NUMBER})),
    contacts=_or_none(_CONTACTS),
    touches=_or_none(_CONTACTS),
    asked=_or_none({"type": "object"}),  # as a [[clip]], and judged as one
    idle=_or_none(
        _of(
            joins={"type": "array", "items": _NUMBER},
            repeats=_NUMBER,
            breaths=_or_none(_NUMBER),
            pace=_NUMBER,
        )
    ),
    settings=_or_none({"type": "object"}),  # as the tables of a recipe
    parts=_or_none(_of(**dict.fromkeys(("planar", "turn", "height"), _PART))),
    events=_or_none({"type": "array", "items": _of(name=_TEXT, frame=_COUNT)}),
    stretches={"type": "array", "items": _RANGE},
    stretch_joins={"type": "array", "items": _of(leave=_COUNT, enter=_COUNT, frames=_COUNT)},
    blend_frames=_COUNT,
    no_loop=_TEXT,
    variant=_or_none(
        _of(
            of=_TEXT,
            name=_TEXT,
            mirror=_TRUTH,
            speed=_ABOVE_ZERO,
            additive_to=_TEXT,
            against={"enum": ["pose", "clip"]},
        )
    ),
)
_JOINTS = {"type": "object", "additionalProperties": {"type": "array", "items": _TEXT}}
_RECORD["properties"]["swinging"] = _or_none(_of(chains=_JOINTS, gap_m=_NUMBER))
_NUMBERS = {"type": "array", "items": {"type": "array", "items": _NUMBER, "minItems": 3, "maxItems": 4}}
_REFERENCE = _of(
    basis=_TEXT, bones=_TEXT, origin=_TEXT, score=_NUMBER, rotation=_NUMBERS, translation=_NUMBERS
)
_READING = _of(basis=_TEXT, line=_TEXT, problems={"type": "array", "items": _TEXT})
_MEASURES = {"type": "object", "additionalProperties": _NUMBER}


def record(text: str) -> dict[str, Any]:
    """The facts of a clip's record.

    Raises:
        ValueError: somebody has changed the text.
    """
    facts = _read(text, _RECORD)
    if facts["rate"] is None and (facts["root_motion"] or facts["contacts"]):
        raise ValueError("rate: expected a number")
    return facts


@lru_cache(maxsize=16)
def reference(text: str) -> dict[str, Any]:
    """The reference pose that is kept with an armature.

    Raises:
        ValueError: somebody has changed the text.
    """
    return _read(text, _REFERENCE)


@lru_cache(maxsize=64)  # the panel asks for it whenever it is drawn
def reading(text: str) -> dict[str, Any]:
    """What a take was read as.

    Raises:
        ValueError: somebody has changed the text.
    """
    return _read(text, _READING)


@lru_cache(maxsize=64)  # the panel asks for it whenever it is drawn
def measures(text: str, action: str) -> dict[str, float]:
    """The measures that are kept with an Action of this name.

    Raises:
        InputError: somebody has changed the text.
    """
    try:
        return _read(text or "{}", _MEASURES)
    except ValueError as problem:
        raise InputError(
            f"action {action!r}: its measures are damaged ({problem}); check the take again"
        ) from None


def _read(text: str, schema: dict[str, Any]) -> dict[str, Any]:
    facts = strict_json.loads(text)
    wrong = next(problems(facts, schema, schema), None)
    if wrong:
        raise ValueError(wrong)
    return facts
