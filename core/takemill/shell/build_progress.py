"""What is said while a shoot is built: bars on a terminal, lines elsewhere, JSON for programs."""

from __future__ import annotations

import contextlib
import json
from collections.abc import Iterator
from dataclasses import asdict
from typing import TextIO

from ..base.plain import printable
from ..shoot.run_jobs import OnStep, Step


@contextlib.contextmanager
def shown(stream: TextIO, as_json: bool) -> Iterator[OnStep]:
    """What hears of each step and shows it on a stream, as its reader can use it."""
    if as_json:
        yield lambda step: write_line(stream, json.dumps(asdict(step)))
    elif stream.isatty() and (bars := _bars(stream)) is not None:
        with bars as on_step:
            yield on_step
    else:
        yield lambda step: write_line(stream, _line(step)) if step.event != "begins" else None


def _line(step: Step) -> str:
    """A step in words."""
    text = f"{step.number} of {step.count}: {step.job}"
    return printable(f"{text}: missing: {step.why}" if step.why else text)


def write_line(stream: TextIO, line: str) -> None:
    """Write a line, if anybody still reads; the work goes on in any case."""
    with contextlib.suppress(OSError):
        stream.write(line + "\n")
        stream.flush()


def _bars(stream: TextIO) -> contextlib.AbstractContextManager[OnStep] | None:
    """A line for each take under way and one for all, with the time left; None without the library `rich`."""
    try:
        from rich import progress
        from rich.console import Console
    except ImportError:
        return None
    columns = (
        progress.TextColumn("{task.description}", markup=False),
        progress.BarColumn(),
        progress.MofNCompleteColumn(),
        progress.TimeElapsedColumn(),
        progress.TextColumn("left"),
        progress.TimeRemainingColumn(),
    )

    @contextlib.contextmanager
    def opened() -> Iterator[OnStep]:
        with progress.Progress(*columns, console=Console(file=stream), transient=True) as bars:
            total = bars.add_task("all", total=None)
            under_way: dict[str, progress.TaskID] = {}

            def on_step(step: Step) -> None:
                bars.update(total, total=step.count, completed=step.number)
                if step.event == "begins":
                    under_way[step.job] = bars.add_task(printable(step.job), total=None)
                elif step.job in under_way:
                    bars.remove_task(under_way.pop(step.job))
                if step.why:
                    bars.console.print(_line(step), markup=False, highlight=False)

            yield on_step

    return opened()
