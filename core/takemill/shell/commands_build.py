"""The verb that builds a shoot: who does the work, what is said while it goes on, and the summary."""

from __future__ import annotations

import argparse
import json
import os
import sys
from typing import Any

from ..base.errors import InputError
from ..base.plain import json_text
from ..pipeline.prepare_take import Progress
from ..shoot.build_plan import BuildPlan
from ..shoot.build_shoot import Built, Workers, build_shoot, look_at_shoot
from ..shoot.shoot_index import INDEX
from . import build_progress, farm

_MAX_NOTES = 20  # of what is said of fits: more are not read on a terminal (chosen by eye)
_MAX_WORKERS = 512  # Windows waits for 61 at most; more than a machine has processors is a slip of the pen


def build(options: argparse.Namespace, progress: Progress) -> tuple[str, int]:
    """A shoot, or what a build of it would make."""
    del progress  # a line for each take tells more
    if options.workers is not None and not 1 <= options.workers <= _MAX_WORKERS:
        raise InputError(f"--workers: expected 1 to {_MAX_WORKERS}, got {options.workers}")
    if options.dry_run:
        plan = look_at_shoot(options.shoot, options.out)
        return _plan_json(plan) if options.json else _plan_text(plan), 0
    if options.scheduler:
        workers = farm.workers_of(options.scheduler, options.out, options.workers, options.memory)
    else:
        workers = Workers(options.workers or _processors(), memory_gb=options.memory)
    with build_progress.shown(sys.stdout if options.json else sys.stderr, options.json) as on_step:
        built = build_shoot(options.shoot, options.out, workers, on_step)
    return _built_json(built) if options.json else _built_text(built), int(bool(built.missing))


def _processors() -> int:
    """How many processors this process may use."""
    if hasattr(os, "sched_getaffinity"):
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1


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
