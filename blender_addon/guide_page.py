"""The guide as a page for the browser: the few forms of Markdown that our own pages use, as HTML."""

from __future__ import annotations

import html
import re
from collections.abc import Iterator

_STYLE = (
    "body { font: 16px/1.5 system-ui, sans-serif; max-width: 60rem; margin: 2rem auto; "
    "padding: 0 1rem; color-scheme: light dark; background: Canvas; color: CanvasText; } "
    "table { border-collapse: collapse; } th, td { border: 1px solid; padding: .3rem .6rem; "
    "text-align: left; vertical-align: top; } pre { overflow-x: auto; border: 1px solid; padding: .6rem; } "
    "img { max-width: 100%; }"
)


def page(text: str, title: str) -> str:
    """Markdown as HTML: headings, paragraphs, lists, tables, code, links, pictures, bold, italics."""
    body = "\n".join(_blocks(text.splitlines()))
    return (
        '<!DOCTYPE html>\n<html lang="en"><head><meta charset="utf-8"/>'
        '<meta name="viewport" content="width=device-width, initial-scale=1"/>'
        f"<title>{html.escape(title)}</title><style>{_STYLE}</style></head><body>\n{body}\n</body></html>\n"
    )


def anchor(heading: str) -> str:
    """What a link to a heading says behind its #: small letters, words parted by hyphens."""
    return re.sub(r"[^\w\- ]", "", heading.lower()).replace(" ", "-")


def _blocks(lines: list[str]) -> Iterator[str]:
    at = 0
    while at < len(lines):
        line, start = lines[at], at
        if not line.strip():
            at += 1
        elif line.startswith("```"):
            at = next(k for k in range(at + 1, len(lines)) if lines[k].startswith("```"))
            yield _code(lines[start + 1 : at])
            at += 1
        elif line.startswith("    "):
            while at < len(lines) and (lines[at].startswith("    ") or not lines[at].strip()):
                at += 1
            yield _code([one[4:] for one in lines[start:at]])
        elif found := re.match(r"(#+) (.*)", line):
            level = len(found[1])
            yield f'<h{level} id="{anchor(found[2])}">{_inline(found[2])}</h{level}>'
            at += 1
        elif line.startswith("|"):
            while at < len(lines) and lines[at].startswith("|"):
                at += 1
            yield _table(lines[start:at])
        elif re.match(r"(- |\d+\. )", line):
            while at < len(lines) and (re.match(r"(- |\d+\. |  +\S)", lines[at])):
                at += 1
            yield _list(lines[start:at])
        else:
            while (
                at < len(lines) and lines[at].strip() and not re.match(r"(#+ |\||```|- |\d+\. )", lines[at])
            ):
                at += 1
            at = max(at, start + 1)
            yield f"<p>{_inline(' '.join(lines[start:at]))}</p>"


def _code(lines: list[str]) -> str:
    return "<pre><code>" + html.escape("\n".join(lines).rstrip(), quote=False) + "</code></pre>"


def _table(lines: list[str]) -> str:
    rows = [[cell.strip() for cell in re.split(r"(?<!\\)\|", line.strip().strip("|"))] for line in lines]
    head = "".join(f"<th>{_inline(cell)}</th>" for cell in rows[0])
    body = "".join(
        "<tr>" + "".join(f"<td>{_inline(cell)}</td>" for cell in row) + "</tr>" for row in rows[2:]
    )
    return f"<table><thead><tr>{head}</tr></thead><tbody>{body}</tbody></table>"


def _list(lines: list[str]) -> str:
    items: list[str] = []
    for line in lines:
        if re.match(r"(- |\d+\. )", line):
            items.append(line.split(" ", 1)[1])
        else:
            items[-1] += " " + line.strip()
    kind = "ul" if lines[0].startswith("-") else "ol"
    return (
        f"<{kind}>" + "".join(f"<li{_id(kind, item)}>{_inline(item)}</li>" for item in items) + f"</{kind}>"
    )


def _id(kind: str, item: str) -> str:
    """The anchor of a numbered step that begins with its name in bold."""
    name = re.match(r"\*\*([^*]+)\*\*", item) if kind == "ol" else None
    return f' id="{anchor(name[1])}"' if name else ""


def _inline(text: str) -> str:
    """Code first, so that nothing inside it is read as anything else."""
    parts = re.split(r"(`[^`]+`)", text)
    return "".join(
        f"<code>{html.escape(part[1:-1], quote=False)}</code>" if part.startswith("`") else _marked(part)
        for part in parts
    )


def _marked(text: str) -> str:
    text = html.escape(text, quote=False)
    text = re.sub(r"!\[([^\]]*)\]\(([^)]+)\)", r'<img src="\2" alt="\1"/>', text)
    text = re.sub(r"\[([^\]]*)\]\(([^)#]+)\.md(#[^)]*)?\)", r'<a href="\2.html\3">\1</a>', text)
    text = re.sub(r"\[([^\]]*)\]\(([^)]+)\)", r'<a href="\2">\1</a>', text)
    text = re.sub(r"\*\*([^*]+)\*\*", r"<b>\1</b>", text)
    return re.sub(r"\*([^*]+)\*", r"<i>\1</i>", text)
