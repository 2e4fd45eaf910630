"""The verb for a whole shoot on disk."""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

from ..base.errors import InputError
from ..pipeline.prepare_take import Progress, ignore_progress
from ..shoot import build_shoot as built_shoot
from ..shoot.build_shoot import Built, Workers
from ..shoot.run_jobs import Step, processors


def build_shoot(
    shoot: str | Path,
    out: str | Path,
    *,
    workers: int | None = None,
    memory_gb: float | None = None,
    progress: Progress = ignore_progress,
) -> Built:
    """Make what of a shoot is not there as it would be made now; what one take meets stops no other.

    Example:
        >>> built = takemill.build_shoot("shoot.toml", "build", workers=1)
        >>> built.made, built.missing

    Args:
        shoot: the shoot file.
        out: the folder of all results.
        workers: how many takes are under way at a time, each in a process; 1 does without processes; None is
            one for each processor. A script that asks for processes needs `if __name__ == "__main__":`.
        memory_gb: what they may use together; None for most of what is free.
        progress: called with the name of each take that is done, and the share of all, 0 to 1.

    Raises:
        TakemillError: the shoot cannot be built as it is; nothing is begun then.
    """
    if workers is not None and workers < 1:
        raise InputError(f"workers: expected 1 or more, got {workers}")
    alone = (lambda: ThreadPoolExecutor(1)) if workers == 1 else None

    def hear(step: Step) -> None:
        if step.event != "begins":
            progress(f"{step.job}: {step.why}" if step.why else step.job, step.number / step.count)

    return built_shoot.build_shoot(shoot, out, Workers(workers or processors(), alone, memory_gb), hear)
