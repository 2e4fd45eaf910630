"""Jobs handed to an executor of `concurrent.futures`, as many at a time as there are workers and memory.

Retries, queues and transport are the executor's. One thing it leaves to us: where the death of a process
breaks all that is under way, those jobs are tried again, each alone, so that only the one that kills is lost.
"""

from __future__ import annotations

import contextlib
import multiprocessing
import os
import signal
import threading
from collections.abc import Callable, Collection, Iterator, Sequence
from concurrent.futures import FIRST_COMPLETED, BrokenExecutor, Executor, Future, ProcessPoolExecutor, wait
from contextlib import AbstractContextManager
from dataclasses import dataclass
from multiprocessing.connection import wait as wait_for_end

from .build_jobs import Job, JobDone, run_job, why_of

_ONE_THREAD = ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS", "VECLIB_MAXIMUM_THREADS")
"""What keeps numpy's libraries from starting threads of their own in each of the workers."""

OpenExecutor = Callable[[], AbstractContextManager[Executor]]
"""Opens an executor, which is closed at the end, at once if something is raised."""


@dataclass(frozen=True)
class Step:
    """What happens to a job.

    Attributes:
        event: "begins", "done" or "missing".
        job: the name of its take or set.
        number, count: how many jobs are finished, of how many.
        why: why something of it is missing; "" otherwise.
    """

    event: str
    job: str
    number: int
    count: int
    why: str = ""


OnStep = Callable[[Step], None]


def ignore_step(step: Step) -> None:
    """An `OnStep` that shows nothing."""
    del step


def run_jobs(
    jobs: Sequence[Job],
    needs: Sequence[float],
    open_executor: OpenExecutor,
    width: int,
    budget: float,
    on_step: OnStep,
) -> list[JobDone]:
    """What came of all jobs, in their order.

    Args:
        jobs: what to do.
        needs: how much memory each takes, bytes.
        open_executor: called anew where an executor broke.
        width: how many are under way at a time.
        budget: how much memory all that are under way may take together, bytes.
        on_step: hears of each job.
    """
    work = _Work(list(jobs), dict(zip(jobs, needs, strict=True)), budget, on_step)
    suspects = work.run(list(jobs), open_executor, width)
    for job in suspects:
        if work.run([job], open_executor, 1):
            work.finish(
                job,
                _lost(
                    job,
                    "the process that made it died, and again when it was alone: killed, or out of memory",
                ),
            )
    return [work.done[job] for job in jobs]


class _Work:
    """Jobs under way, and what came of others."""

    def __init__(self, jobs: list[Job], needs: dict[Job, float], budget: float, on_step: OnStep) -> None:
        self.count, self.needs, self.budget, self.on_step = len(jobs), needs, budget, on_step
        self.done: dict[Job, JobDone] = {}

    def run(self, todo: list[Job], open_executor: OpenExecutor, width: int) -> list[Job]:
        """Do these jobs; those that were under way whenever an executor broke are given back."""
        suspects: list[Job] = []
        while todo:
            under_way: dict[Future[JobDone], Job] = {}
            try:
                with open_executor() as executor:
                    while todo or under_way:
                        while todo and len(under_way) < width and self._fits(todo[0], under_way.values()):
                            job = todo.pop(0)
                            self.on_step(Step("begins", job.name, len(self.done), self.count))
                            try:
                                under_way[executor.submit(run_job, job)] = job
                            except BrokenExecutor:
                                todo.insert(0, job)
                                raise
                        for future in wait(under_way, return_when=FIRST_COMPLETED).done:
                            self._collect(future, under_way)
            except BrokenExecutor:
                suspects += under_way.values()
        return suspects

    def _fits(self, job: Job, others: Collection[Job]) -> bool:
        return not others or sum(self.needs[one] for one in [job, *others]) <= self.budget

    def _collect(self, future: Future[JobDone], under_way: dict[Future[JobDone], Job]) -> None:
        try:
            result = future.result()
        except BrokenExecutor:
            raise
        except Exception as problem:  # a fault of ours in one take, or of the executor: the others go on
            result = _lost(under_way[future], f"{type(problem).__name__}: {why_of(problem)}")
        self.finish(under_way.pop(future), result)

    def finish(self, job: Job, result: JobDone) -> None:
        """Take down what came of a job."""
        self.done[job] = result
        why = "; ".join(f"{what}: {why}" for what, why in result.missing)
        self.on_step(Step("missing" if result.missing else "done", job.name, len(self.done), self.count, why))


def _lost(job: Job, why: str) -> JobDone:
    return JobDone(job.name, missing=((job.name, why),))


def processors() -> int:
    """How many processors this process may use."""
    if hasattr(os, "sched_getaffinity"):
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1


@contextlib.contextmanager
def local_processes(workers: int) -> Iterator[Executor]:
    """An executor of so many processes of this machine; they end with this one, however that ends."""
    before = {name: os.environ.get(name) for name in _ONE_THREAD}
    os.environ.update(dict.fromkeys(_ONE_THREAD, "1"))  # read when a process imports numpy
    pool = ProcessPoolExecutor(workers, multiprocessing.get_context("spawn"), _begin_worker)
    try:
        yield pool
        pool.shutdown()
    except BaseException:  # Ctrl-C: what is whole is kept, what is under way is not waited for
        for process in multiprocessing.active_children():
            process.kill()
        pool.shutdown(wait=False, cancel_futures=True)
        raise
    finally:
        for name, value in before.items():
            if value is None:
                os.environ.pop(name, None)
            else:
                os.environ[name] = value


def _begin_worker() -> None:
    """A worker leaves Ctrl-C to the process that began it, and ends when that has ended."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    threading.Thread(target=_end_with_parent, daemon=True).start()


def _end_with_parent() -> None:
    parent = multiprocessing.parent_process()
    if parent is not None:
        wait_for_end([parent.sentinel])
        os._exit(1)
