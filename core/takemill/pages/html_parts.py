"""Parts of an HTML page that come again: styles, tables and lists of facts, whose cells hold HTML already."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from pathlib import Path

from ..base.plain import html_text


def asset(name: str) -> str:
    """The text of a style sheet or a script that lies beside this file."""
    return Path(__file__).with_name(name).read_text(encoding="utf-8")


def table(label: str, heads: Sequence[str], rows: Iterable[Sequence[str]], named: bool = False) -> str:
    """A table that scrolls by itself where the page is narrow.

    Args:
        label: what a screen reader calls it.
        heads: one for each column; ">" in front puts the column to the right.
        rows: cells.
        named: whether the first cell of each row is its heading.
    """
    right = [head.startswith(">") for head in heads]
    top = "".join(
        f"<th{_right(flush)}>{head.removeprefix('>')}</th>" for head, flush in zip(heads, right, strict=True)
    )
    body = "".join(f"<tr>{''.join(_cells(row, right, named))}</tr>" for row in rows)
    return (
        f'<div class="wide" tabindex="0" role="region" aria-label="{html_text(label)}">'
        f"<table><thead><tr>{top}</tr></thead><tbody>{body}</tbody></table></div>"
    )


def _cells(row: Sequence[str], right: Sequence[bool], named: bool) -> Iterable[str]:
    for k, (cell, flush) in enumerate(zip(row, right, strict=True)):
        yield f'<th scope="row">{cell}</th>' if named and k == 0 else f"<td{_right(flush)}>{cell}</td>"


def _right(flush: bool) -> str:
    return ' class="n"' if flush else ""


def definitions(rows: Iterable[tuple[str, str]]) -> str:
    """Names and what is said of them."""
    return "<dl>" + "".join(f"<dt>{name}</dt><dd>{text}</dd>" for name, text in rows) + "</dl>"


def code(text: str) -> str:
    """Plain text as code."""
    return f"<code>{html_text(text)}</code>"
