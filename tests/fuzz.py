"""Mutated inputs for every reader, fast and seeded: nothing but a TakemillError may come out, and soon.

A case is made from a good file by a few small harms: bytes changed, cut, doubled or moved, words of the
format put elsewhere, numbers made odd; in JSON also whole values exchanged. A case's number and the seed say
all of it.
"""

from __future__ import annotations

import random
import signal
import time
import traceback
import warnings
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path

from fuzz_readers import Case
from takemill.base.errors import TakemillError

LONGEST_S = 5.0
"""What a case may take; a reader that takes longer has failed."""


@dataclass
class Result:
    """What became of some cases of one reader.

    Attributes:
        cases, refused: how many there were, and how many raised a TakemillError.
        seconds: of all.
        slowest_s: of one.
        bad: the first faults: the case's number and what came out.
    """

    cases: int = 0
    refused: int = 0
    seconds: float = 0.0
    slowest_s: float = 0.0
    bad: list[tuple[int, str]] = field(default_factory=list)


def run(name: str, case: Case, count: int, seed: int = 0, start: int = 0) -> Result:
    """Cases `start` to `start + count` of a reader."""
    result = Result()
    begun = time.perf_counter()
    with _alarmed(), warnings.catch_warnings():
        warnings.simplefilter("error")
        for number in range(start, start + count):
            read = case(random.Random(f"{name} {seed} {number}"))
            before = time.perf_counter()
            signal.setitimer(signal.ITIMER_REAL, LONGEST_S)
            try:
                read()
            except TakemillError:
                result.refused += 1
            except BaseException as problem:
                if isinstance(problem, KeyboardInterrupt):
                    raise
                if len(result.bad) < 20:
                    last = traceback.extract_tb(problem.__traceback__)[-1]
                    result.bad.append(
                        (
                            number,
                            f"{type(problem).__name__}: {problem} ({Path(last.filename).name}:{last.lineno})",
                        )
                    )
            finally:
                signal.setitimer(signal.ITIMER_REAL, 0)
            result.cases += 1
            result.slowest_s = max(result.slowest_s, time.perf_counter() - before)
    result.seconds = time.perf_counter() - begun
    return result


class TooLongError(Exception):
    """A reader took longer than it may."""


@contextmanager
def _alarmed() -> Iterator[None]:
    def ring(*_: object) -> None:
        raise TooLongError(f"more than {LONGEST_S:g} s")

    old = signal.signal(signal.SIGALRM, ring)
    try:
        yield
    finally:
        signal.signal(signal.SIGALRM, old)
