"""Text from files made fit to be shown: nothing in it moves a cursor, sets a colour or turns a line."""

from __future__ import annotations

import json
import re
import unicodedata
from html import escape

_ODD = re.compile(r"[^\n\x20-\x7e]")


def printable(text: str) -> str:
    r"""The text with everything that is no letter, mark or sign written out: an escape character as \x1b."""
    return _ODD.sub(lambda found: found[0] if found[0].isprintable() else _written_out(found[0]), text)


def _written_out(char: str) -> str:
    return char.encode("unicode_escape").decode("ascii")


def json_text(data: object, indent: int | None = 1) -> str:
    r"""JSON in which odd characters are written as JSON does: an escape character as \u001b.

    Raises:
        ValueError: a number is not finite.
    """
    text = json.dumps(data, indent=indent, ensure_ascii=False, allow_nan=False)
    return _ODD.sub(lambda found: found[0] if found[0].isprintable() else json.dumps(found[0])[1:-1], text)


def html_text(text: str) -> str:
    """Text for a page: marks of HTML escaped, odd characters written out."""
    return escape(printable(text))


def is_name(text: str) -> bool:
    """Whether text can be a name: one line of UTF-8 without control characters."""
    return not any(unicodedata.category(char) in ("Cc", "Cs", "Zl", "Zp") for char in text)
