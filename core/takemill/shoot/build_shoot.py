"""A whole shoot built: planned, its jobs handed out, its index written."""

from __future__ import annotations

import contextlib
import json
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

from ..base import locks
from ..base.disk import explain_errors, write_whole
from ..base.errors import FileError, InputError
from ..base.plain import json_text
from ..sets.clip_facts import Facts
from .build_jobs import Job, JobDone, SetJob
from .build_plan import BuildPlan, plan_build, read_last, set_keys, used_entries
from .file_digests import FileDigests
from .memory_needs import BLENDER_BYTES, need_of, usable_bytes
from .run_jobs import OnStep, OpenExecutor, Step, ignore_step, local_processes, run_jobs
from .shoot_changes import find_changes
from .shoot_file import read_shoot
from .shoot_index import INDEX, PAGE, is_index_of, read_index, shoot_index
from .shoot_page import render_shoot
from .store import FOLDER, Store
from .value_bytes import load_value


@dataclass(frozen=True)
class Workers:
    """Who does the work.

    Attributes:
        width: how many jobs are under way at a time.
        open_executor: opens what they are handed to; None for processes of this machine.
        memory_gb: how much memory they may use together; None for most of what is free.
    """

    width: int = 1
    open_executor: OpenExecutor | None = None
    memory_gb: float | None = None


@dataclass(frozen=True)
class Built:
    """What a build did.

    Attributes:
        out: its folder.
        made: folders of sets that were written, relative to `out`.
        kept: how many sets are as an earlier build left them.
        missing: what could not be made, and why.
        left_over: folders of sets of earlier builds that no take makes any more.
        index: what index.json says.
        notes: settings that are not used.
    """

    out: Path
    made: tuple[str, ...]
    kept: int
    missing: tuple[tuple[str, str], ...]
    left_over: tuple[str, ...]
    index: Facts
    notes: tuple[str, ...] = ()


def look_at_shoot(shoot: str | Path, out: str | Path) -> BuildPlan:
    """What a build would make, and why; nothing is written.

    Raises:
        TakemillError: the shoot cannot be built as it is.
    """
    out_dir = _expect_place(out)
    return plan_build(read_shoot(shoot), out_dir, FileDigests(out_dir))


def build_shoot(shoot: str | Path, out: str | Path, workers: Workers, on_step: OnStep = ignore_step) -> Built:
    """Make what is not there as it should be; what one take meets does not stop the others.

    Args:
        shoot: the shoot file.
        out: the folder of all results.
        workers: who does the work.
        on_step: hears what becomes of each take.

    Raises:
        TakemillError: the shoot cannot be built as it is, or another build is at work in `out`; nothing is
            begun then.
    """
    out_dir = _expect_place(out)
    said = read_shoot(shoot)
    budget = usable_bytes(workers.memory_gb)
    with _alone(out_dir):
        digests = FileDigests(out_dir)
        plan = plan_build(said, out_dir, digests)
        done = _run(plan.jobs, workers, budget, on_step)
        lost = [one for job in done for one in job.missing]
        broken = {job.name for job in done if job.missing}
        shared, left_out = _possible(plan, broken)
        done += _run(shared, workers, budget, on_step)
        lost = [*lost, *left_out, *(one for job in done[len(plan.jobs) :] for one in job.missing)]
        return _finish(plan, out_dir, digests, done, lost)


def _run(jobs: Sequence[Job], workers: Workers, budget: float, on_step: OnStep) -> list[JobDone]:
    """What came of jobs; one that fits no memory is not begun."""
    if not jobs:
        return []
    needs = [_need(job) for job in jobs]
    too_large = {job: need for job, need in zip(jobs, needs, strict=True) if need > budget}
    for job, need in too_large.items():
        on_step(Step("missing", job.name, 0, len(jobs), _too_large(need, budget)))
    fitting = [(job, need) for job, need in zip(jobs, needs, strict=True) if job not in too_large]
    width = max(1, min(workers.width, len(fitting)))
    opened = workers.open_executor or (lambda: local_processes(width))
    done = run_jobs(
        [job for job, _ in fitting], [need for _, need in fitting], opened, width, budget, on_step
    )
    found = dict(zip([job for job, _ in fitting], done, strict=True))
    return [
        found[job]
        if job in found
        else JobDone(job.name).lacking(job.name, _too_large(too_large[job], budget))
        for job in jobs
    ]


def _need(job: Job) -> float:
    if isinstance(job, SetJob):
        return 0.0  # known when its clips are: a set that does not fit says so itself
    return need_of(job.address) + (BLENDER_BYTES if load_value(job.recipe).fbx != "none" else 0.0)


def _too_large(need: float, budget: float) -> str:
    return (
        f"it needs about {need / 1e9:.1f} GB of memory, and {budget / 1e9:.1f} GB may be used; cut the take, "
        "close other programs, or say with --memory how much there is"
    )


def _possible(plan: BuildPlan, broken: set[str]) -> tuple[list[SetJob], list[tuple[str, str]]]:
    """Sets of all takes, where all were made: no half set replaces a whole one."""
    if not broken:
        return list(plan.shared_jobs), []
    why = f"it is not made without {', '.join(sorted(broken))}"
    return [], [(f"{job.folder.name}/{job.name}", why) for job in plan.shared_jobs]


def _finish(
    plan: BuildPlan,
    out_dir: Path,
    digests: FileDigests,
    done: Sequence[JobDone],
    lost: Sequence[tuple[str, str]],
) -> Built:
    """Write the index, keep what the next build asks for, and forget what no result stands on."""
    store, before = Store(out_dir), read_index(out_dir)
    if not done and read_last(out_dir).get("takes") == plan.parts and is_index_of(before, plan, out_dir):
        digests.save()
        return _built(plan, out_dir, (), before)
    index, points = shoot_index(plan, store, out_dir, lost)
    keys = set_keys(plan, store)
    index["changes"] = find_changes(read_last(out_dir), keys, store)
    write_whole(out_dir / INDEX, (json_text(index) + "\n").encode())
    write_whole(out_dir / PAGE, render_shoot(index, points).encode())
    last = {"takes": plan.parts, "sets": keys, "changes": index["changes"]}
    write_whole(out_dir / FOLDER / "last.json", json.dumps(last, sort_keys=True).encode())
    digests.save()
    store.forget_others({*used_entries(plan, store)})
    return _built(plan, out_dir, tuple(place for job in done for place in job.made), index)


def _built(plan: BuildPlan, out_dir: Path, made: tuple[str, ...], index: Facts) -> Built:
    """What a build did whose index says this."""
    missing = tuple((one["what"], one["why"]) for one in index["missing"])
    kept = len(index["sets"]) - len(made)
    return Built(out_dir, made, kept, missing, tuple(index["left_over"]), index, plan.notes)


def _expect_place(out: str | Path) -> Path:
    """The output's folder, which is new, empty or a shoot's.

    Raises:
        FileError: it is a file, or holds other things.
    """
    with explain_errors("write", out):
        path = Path(out).resolve()
        if path.exists() and not path.is_dir():
            raise FileError(f"cannot write {out}: it is a file; name a folder")
        if path.is_dir() and not (path / FOLDER).is_dir() and any(path.iterdir()):
            raise FileError(
                f"cannot write {out}: the folder holds other things and no shoot so far; "
                "name a new or an empty one"
            )
    return path


@contextlib.contextmanager
def _alone(out_dir: Path) -> Iterator[None]:
    """While no other build is at work there."""
    with explain_errors("write", out_dir):
        (out_dir / FOLDER).mkdir(parents=True, exist_ok=True)
        lock = out_dir / FOLDER / "lock"
        held = locks.taken_over(lock)
        free = held.__enter__()
    try:
        if not free and locks.is_held(lock):
            raise InputError(
                f"another build is at work in {out_dir}; wait for it, or build into another folder"
            )
        yield
    finally:
        held.__exit__(None, None, None)
