"""What is said while a folder is watched: a screen that renews itself, lines elsewhere, JSON for programs."""

from __future__ import annotations

import contextlib
import json
from collections.abc import Callable, Iterator, Mapping
from dataclasses import asdict
from typing import Any, TextIO

from ..base.plain import printable
from ..watch.session import Session, TakeVerdict
from ..watch.take_verdict import AGAIN, KEEP, LOOK
from ..watch.watcher import Shown
from .build_progress import write_line

OnNews = Callable[[Shown], None]
"""Hears of each change of what there is to see."""

_STYLES: Mapping[str, str] = {KEEP: "bold green", LOOK: "bold yellow", AGAIN: "bold red"}
_MAX_ROWS, _MAX_SPARKS = 12, 40  # takes and values of a curve: more do not fit a terminal (chosen by eye)
_SPARKS = "▁▂▃▄▅▆▇█"


@contextlib.contextmanager
def shown_on(stream: TextIO, as_json: bool, address: str) -> Iterator[OnNews]:
    """What hears of news and shows it on a stream, as its reader can use it."""
    if not as_json and stream.isatty() and (screen := _screen(stream, address)) is not None:
        with screen as on_news:
            yield on_news
        return
    write_line(
        stream, json.dumps({"event": "begins", "page": address}) if as_json else f"the page is {address}"
    )
    yield _Lines(stream, as_json)


class _Lines:
    """A line for each verdict that is new or another, and for what the session lacks."""

    def __init__(self, stream: TextIO, as_json: bool) -> None:
        self.stream, self.as_json = stream, as_json
        self.said: dict[str, TakeVerdict] = {}
        self.about: dict[str, Any] = {}
        self.trouble = ""

    def __call__(self, shown: Shown) -> None:
        verdicts = {one.name: one for one in shown.session.verdicts}
        for name, one in verdicts.items():
            if self.said.get(name) != one:
                text = f"{name}: {one.verdict}: {'; '.join(one.reasons) or one.reason}"
                self._say({"event": "take", **asdict(one)}, text)
        for name in self.said.keys() - verdicts.keys():
            self._say({"event": "gone", "name": name}, f"{name}: is gone")
        self.said = verdicts
        if shown.trouble != self.trouble:
            self._say(
                {"event": "trouble", "why": shown.trouble}, shown.trouble or "the folder is there again"
            )
            self.trouble = shown.trouble
        about = _about(shown.session)
        for key, lines in about.items():
            if lines != self.about.get(key, []):
                self._say({"event": key, key: lines}, f"{key}: {'; '.join(lines) or 'nothing any more'}")
        self.about = about

    def _say(self, facts: Mapping[str, object], text: str) -> None:
        write_line(self.stream, json.dumps(facts) if self.as_json else printable(text))


def _about(session: Session) -> dict[str, list[str]]:
    """What is said of a session as a whole."""
    lacking = [
        f"{one.name}{f' ({one.kind})' if one.kind else ''}{f', {one.why}' if one.why else ''}"
        for one in session.lacking
    ]
    return {"lacking": lacking, "growing worse": [one.text() for one in session.trends]}


def _screen(stream: TextIO, address: str) -> contextlib.AbstractContextManager[OnNews] | None:
    """The session on a terminal's screen; None without the library `rich`."""
    try:
        from rich.console import Console, Group
        from rich.live import Live
        from rich.panel import Panel
        from rich.table import Table
        from rich.text import Text
    except ImportError:
        return None

    def drawn(shown: Shown) -> Group:
        session = shown.session
        parts: list[Any] = []
        if session.verdicts:
            last = session.verdicts[-1]
            text = Text.assemble((f"{last.verdict.upper()}\n", _STYLES[last.verdict]), last.reason)
            parts.append(Panel(text, title=Text(printable(last.name)), style=_STYLES[last.verdict]))
        rows = Table(box=None)
        for head in ("take", "verdict", "why"):
            rows.add_column(head)
        for one in session.verdicts[::-1][:_MAX_ROWS]:
            why = printable("; ".join(one.reasons))
            rows.add_row(Text(printable(one.name)), Text(one.verdict, _STYLES[one.verdict]), Text(why))
        parts.append(rows)
        for trend in session.trends:
            parts.append(Text(f"{trend.limb}  {sparks(trend.values)}  {trend.text()}", "red"))
        if lacking := _about(session)["lacking"]:
            parts.append(Text(printable(f"lacking {len(lacking)} of {session.shots}: {', '.join(lacking)}")))
        busy = f"; being saved or judged: {', '.join(shown.under_way[:5])}" if shown.under_way else ""
        status = f"{shown.trouble or shown.folder}: {len(session.verdicts)} takes{busy}"
        parts.append(Text(printable(f"{status}; the page is {address}"), "dim"))
        return Group(*parts)

    @contextlib.contextmanager
    def opened() -> Iterator[OnNews]:
        with Live(Text(f"the page is {address}"), console=Console(file=stream), auto_refresh=False) as live:
            yield lambda shown: live.update(drawn(shown), refresh=True)

    return opened()


def sparks(values: tuple[float, ...]) -> str:
    """The latest values as a row of bars, from 0 to the highest."""
    top = max(*values, 1e-9)
    return "".join(_SPARKS[round((len(_SPARKS) - 1) * max(one, 0) / top)] for one in values[-_MAX_SPARKS:])
