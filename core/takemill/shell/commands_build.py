"""The verb that builds a shoot: who does the work, what is said while it goes on, and the summary."""

from __future__ import annotations

import argparse
import json
import sys
import threading
from pathlib import Path
from typing import Any

from ..base.errors import InputError, TakemillError
from ..base.plain import json_text, printable
from ..pipeline.prepare_take import Progress
from ..shoot.build_plan import BuildPlan
from ..shoot.build_shoot import Built, Workers, build_shoot, look_at_shoot
from ..shoot.run_jobs import processors
from ..shoot.shoot_file import read_shoot
from ..shoot.shoot_index import INDEX
from ..shoot.shoot_takes import folders_of
from ..watch.file_changes import wake_ups
from ..watch.saved_files import STILL_S
from . import build_progress, farm
from .build_progress import write_line

Missing = tuple[tuple[str, str], ...] | None
"""What the last build could not make, and why; None before the first."""

_MAX_NOTES = 20  # of what is said of fits: more are not read on a terminal (chosen by eye)
_MAX_WORKERS = 512  # Windows waits for 61 at most; more than a machine has processors is a slip of the pen


def build(options: argparse.Namespace, progress: Progress) -> tuple[str, int]:
    """A shoot, or what a build of it would make."""
    del progress  # a line for each take tells more
    if options.workers is not None and not 1 <= options.workers <= _MAX_WORKERS:
        raise InputError(f"--workers: expected 1 to {_MAX_WORKERS}, got {options.workers}")
    if options.dry_run and options.watch:
        raise InputError("--watch: a dry run makes nothing and ends; leave one of the two out")
    if options.dry_run:
        plan = look_at_shoot(options.shoot, options.out)
        return _plan_json(plan) if options.json else _plan_text(plan), 0
    if options.scheduler:
        workers = farm.workers_of(options.scheduler, options.out, options.workers, options.memory)
    else:
        workers = Workers(options.workers or processors(), memory_gb=options.memory)
    if options.watch:
        return _build_again_and_again(options, workers), 0
    built = _build_once(options, workers)
    return _said(built, options), int(bool(built.missing))


def _build_once(options: argparse.Namespace, workers: Workers) -> Built:
    with build_progress.shown(sys.stdout if options.json else sys.stderr, options.json) as on_step:
        return build_shoot(options.shoot, options.out, workers, on_step)


def _said(built: Built, options: argparse.Namespace) -> str:
    return _built_json(built) if options.json else _built_text(built)


def _build_again_and_again(options: argparse.Namespace, workers: Workers) -> str:
    """Build whenever something is saved that the shoot is made of, until Ctrl-C."""
    folders, missing = folders_of(read_shoot(options.shoot)), None
    while folders:
        folders, missing = _build_while_watching(folders, missing, options, workers)
    return ""


def _build_while_watching(
    folders: list[Path], missing: Missing, options: argparse.Namespace, workers: Workers
) -> tuple[list[Path], Missing]:
    """Build whenever something in these folders is saved, as long as the shoot lies in them.

    Returns:
        The folders to be watched from then on, none where watching has ended; and what was missing last.
    """
    out, is_first = Path(options.out).resolve(), True
    for changed in wake_ups(folders, STILL_S, threading.Event(), options.poll, recursive=True):
        if not is_first and not any(_counts(path, out) for path in changed):
            continue
        is_first = False
        try:
            built = _build_once(options, workers)
            if missing is None or built.made or built.missing != missing:
                write_line(sys.stdout, printable(_said(built, options)))
            missing = built.missing
            wanted = folders_of(read_shoot(options.shoot))
        except TakemillError as problem:  # a recipe that is half edited: the next change corrects it
            write_line(sys.stderr, printable(f"takemill: {problem}; going on when something is saved"))
            continue
        if wanted != folders:
            return wanted, missing
    return [], missing


def _counts(path: Path, out: Path) -> bool:
    """Whether a file that changed may be part of a shoot: it is no result, and not half written."""
    return not path.name.startswith(".") and not path.resolve().is_relative_to(out)


def _plan_text(plan: BuildPlan) -> str:
    lines = [*plan.notes, *(f"{what}: {why}" for what, why in plan.reasons)]
    jobs = len(plan.jobs)
    tail = f"{jobs} of {len(plan.takes)} takes would be made, for {', '.join(plan.folders)}"
    return "\n".join(
        [*lines, tail if jobs or plan.shared_jobs else "nothing to do: all is as it would be made"]
    )


def _plan_json(plan: BuildPlan) -> str:
    said: dict[str, Any] = {
        "takes": [take.name for take in plan.takes],
        "characters": plan.folders,
        "notes": plan.notes,
        "to_make": [{"what": what, "why": why} for what, why in plan.reasons],
    }
    return json_text(said)


def _built_text(built: Built) -> str:
    clips = sum(len(one["clips"]) for one in built.index["sets"])
    lines = [*built.notes, *(f"missing: {what}: {why}" for what, why in built.missing)]
    lines += [f"left over: {place}: no take makes it; delete it" for place in built.left_over]
    notes = [f"{take['name']}: {line}" for take in built.index["takes"] for line in take.get("notes", [])]
    if len(notes) > _MAX_NOTES:
        more = f"and {len(notes) - _MAX_NOTES} more lines, under notes in {built.out / INDEX}"
        notes = [*notes[:_MAX_NOTES], more]
    lines += notes
    count = len(built.index["sets"])
    made = f"{len(built.made)} sets made, {built.kept} as they were"
    return "\n".join([*lines, f"{made}; {clips} clips in {count} sets in {built.out}"])


def _built_json(built: Built) -> str:
    said = {
        "event": "built",
        "out": str(built.out),
        "made": built.made,
        "kept": built.kept,
        "missing": [{"what": what, "why": why} for what, why in built.missing],
        "notes": built.notes,
        "left_over": built.left_over,
    }
    return json.dumps(said)
