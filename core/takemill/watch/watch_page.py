"""A watched folder in a browser: the last verdict, read from three metres, and the session."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from itertools import groupby

import numpy as np

from ..base.plain import html_text
from ..pages.html_parts import asset, table
from ..pages.svg import draw_curves
from .session import Session, TakeVerdict
from .shots import Lacking
from .take_verdict import AGAIN, KEEP, LOOK
from .trends import Trend
from .watcher import Shown

CLASSES = {KEEP: "keep", LOOK: "look", AGAIN: "again"}
"""Verdict -> its class in the style sheet."""

_MAX_REASONS = 3  # of the last take, beside the first (chosen by eye)


def render_watch(shown: Shown, version: str) -> str:
    """The page, whose script and styles lie beside it on the same server.

    Args:
        shown: what there is to see.
        version: of it, from which the script tells whether there is news.
    """
    return f"""<!doctype html>
<html lang="en"><head><meta charset="utf-8">
<meta name="viewport" content="width=device-width, initial-scale=1">
<title>takemill watch</title>
<link rel="stylesheet" href="watch.css">
<script src="watch.js" defer></script>
</head><body>
<p id="lost" role="alert" hidden>The watch has ended: this is what it showed last.</p>
<main data-version="{version}" aria-live="polite">
{render_news(shown)}
</main></body></html>
"""


def style() -> str:
    """The style sheet."""
    return asset("page.css") + asset("watch_page.css")


def script() -> str:
    """The script, which asks for news each second."""
    return asset("watch_page.js")


def render_news(shown: Shown) -> str:
    """All of the page that changes, as HTML."""
    session = shown.session
    parts = [_last(session), _status(shown), _lacking(session.lacking, session.shots)]
    return "\n".join([*parts, _trends(session.trends), _takes(session.verdicts)])


def _last(session: Session) -> str:
    if not session.verdicts:
        return '<section id="last"><h1>Waiting</h1><p class="reason">for the first take</p></section>'
    one = session.verdicts[-1]
    more = "".join(f"<li>{html_text(text)}</li>" for text in one.reasons[1 : 1 + _MAX_REASONS])
    return (
        f'<section id="last" class="{CLASSES[one.verdict]}"><p class="take">{html_text(one.name)}</p>'
        f'<h1>{one.verdict}</h1><p class="reason">{html_text(one.reason)}</p>'
        f"{f'<ul>{more}</ul>' if more else ''}</section>"
    )


def _status(shown: Shown) -> str:
    verdicts = [one.verdict for one in shown.session.verdicts]
    counts = ", ".join(f"{verdicts.count(word)} {word}" for word in CLASSES)
    text = f"{html_text(shown.folder)}: {len(verdicts)} take{'s' * (len(verdicts) != 1)}: {counts}."
    if shown.trouble:
        text = f'<strong class="bad">{html_text(shown.trouble)}</strong> {text}'
    if shown.under_way:
        text += f" Being saved or judged: {html_text(', '.join(shown.under_way[:5]))}."
    return f'<p id="status">{text}</p>'


def _lacking(lacking: Sequence[Lacking], shots: int) -> str:
    if not shots:
        return ""
    if not lacking:
        return f'<section id="lacking"><h2>Shot list</h2><p>All {shots} are there.</p></section>'
    items = "".join(
        f"<li><strong>{html_text(one.name)}</strong> {html_text(one.kind)}"
        f"{f' <span>{html_text(one.why)}</span>' if one.why else ''}</li>"
        for one in lacking
    )
    return (
        f'<section id="lacking"><h2>Still lacking: {len(lacking)} of {shots}</h2><ul>{items}</ul></section>'
    )


def _trends(trends: Sequence[Trend]) -> str:
    if not trends:
        return ""
    limbs = "".join(
        f"<div><h3>{limb}</h3>{''.join(_curves(list(found)))}</div>"
        for limb, found in groupby(trends, key=lambda one: one.limb)
    )
    return f'<section id="trends"><h2>Sensors that grow worse</h2><div class="limbs">{limbs}</div></section>'


def _curves(trends: Sequence[Trend]) -> Iterator[str]:
    for one in trends:
        values = np.array(one.values)
        yield (
            f"<figure>{draw_curves([('grows', values)], float(values.max()))}"
            f"<figcaption>{html_text(one.text())}</figcaption></figure>"
        )


def _takes(verdicts: Sequence[TakeVerdict]) -> str:
    """All takes, the last first."""
    if not verdicts:
        return ""
    rows = [
        (
            html_text(one.name),
            f'<span class="{CLASSES[one.verdict]}">{one.verdict}</span>',
            f"{one.seconds:.0f} s" if one.seconds else "",
            f'<span class="wrap">{html_text("; ".join(one.reasons))}</span>',
        )
        for one in reversed(verdicts)
    ]
    return f"<h2>Takes</h2>{table('Takes', ('take', 'verdict', '>long', 'why'), rows, named=True)}"
