"""Long work in steps, between which Blender draws: generators that yield where they can wait.

A function with long work is written as a generator and marked `@stepwise`. Called, it runs straight through;
its `.steps(...)` are for a generator that waits itself: `work = yield from read_take.steps(...)`. What needs
arrays alone is worked out in a thread: `health = yield from apart(check, motion, body)`. What touches
Blender's data stays in the main thread and yields, every few milliseconds, how far it is: `yield 0.3`.

Who drives the steps (`background.py`) may close the generator at any yield: what was changed by then is put
back in `finally`, or not changed before the last yield.
"""

from __future__ import annotations

import ctypes
import functools
import threading
from collections.abc import Callable, Generator
from typing import Any, Generic, ParamSpec, TypeVar

T = TypeVar("T")
P = ParamSpec("P")

Tell = Callable[[float], object]
"""Called with the share of the work that is done; what it raises ends the work."""


class StoppedError(Exception):
    """The user has had enough."""


class Apart(Generic[T]):
    """Work on arrays alone, which a thread may do: Blender's data are not to be touched in it.

    Attributes:
        share: of the work, how much is done.
        is_final: it is done whole once it has begun, and nobody can stop it any more.
    """

    def __init__(self, work: Callable[[Tell], T], is_final: bool = False) -> None:
        self._work, self._stopped = work, False
        self._problem: BaseException | None = None
        self.is_final = is_final
        self._thread: threading.Thread | None = None
        self.share: float | None = None

    def run(self) -> None:
        """Do it now, in this thread."""
        try:
            self._found = self._work(self._tell)
        except BaseException as problem:  # handed on to who asks for the result
            self._problem = problem

    def start(self) -> None:
        """Do it in a thread."""
        self._thread = threading.Thread(target=self.run, daemon=True)
        self._thread.start()

    def goes_on(self, for_s: float) -> bool:
        """Whether it still goes on after so many seconds; asked no longer than that."""
        if self._thread is not None:
            self._thread.join(for_s)
        return self._thread is not None and self._thread.is_alive()

    def join(self) -> None:
        """Wait for its end."""
        if self._thread is not None:
            self._thread.join()

    def stop(self) -> None:
        """End it soon: at the next share that it tells, or at the next line of Python."""
        self._stopped = True
        if self._thread is not None and self._thread.ident is not None and self._thread.is_alive():
            who = ctypes.c_ulong(self._thread.ident)
            ctypes.pythonapi.PyThreadState_SetAsyncExc(who, ctypes.py_object(StoppedError))

    def result(self) -> T:
        """What was found.

        Raises:
            Exception: what the work has raised.
        """
        if self._problem is not None:
            raise self._problem
        return self._found

    def _tell(self, share: float) -> None:
        self.share = share
        if self._stopped:
            raise StoppedError


class _Draw:
    """See `DRAW`."""


DRAW = _Draw()
"""Yielded before a call of Blender's that takes long and cannot be divided: Blender draws first."""

Step = Apart[Any] | float | _Draw | None
"""What is yielded: work for a thread, the share that is done, `DRAW`, or nothing but a place to wait."""

Steps = Generator[Step, None, T]


def apart(work: Callable[P, T], *args: P.args, **named: P.kwargs) -> Steps[T]:
    """What a function of arrays finds, worked out in a thread where there is a window to keep alive."""
    return (yield from apart_told(lambda _: work(*args, **named)))


def apart_told(work: Callable[[Tell], T]) -> Steps[T]:
    """The same of work that tells how far it is."""
    job = Apart(work)
    yield job
    return job.result()


def apart_whole(work: Callable[P, T], *args: P.args, **named: P.kwargs) -> Steps[T]:
    """The same of work that nobody can stop once it has begun: what is on the disk then is said as done."""
    job = Apart(lambda _: work(*args, **named), is_final=True)
    yield job
    return job.result()


def within(steps: Steps[T], start: float, stop: float) -> Steps[T]:
    """Steps that are a part of longer work: their shares lie between two of the whole."""
    step = None
    while True:
        try:
            step = next(steps)
        except StopIteration as done:
            return done.value
        try:
            yield start + (stop - start) * step if isinstance(step, float) else step
        except GeneratorExit:
            steps.close()
            raise


def drain(steps: Steps[T], tell: Tell | None = None) -> T:
    """Run straight through; `tell` hears of the share that is done."""
    while True:
        try:
            step = next(steps)
        except StopIteration as done:
            return done.value
        if isinstance(step, Apart):
            step.run()
        elif tell is not None and isinstance(step, float):
            tell(step)


class stepwise(Generic[P, T]):  # used as a decorator
    """A function that is written in steps. Called, it runs through."""

    def __init__(self, steps: Callable[P, Steps[T]]) -> None:
        functools.update_wrapper(self, steps)
        self.steps = steps

    def __call__(self, *args: P.args, **named: P.kwargs) -> T:
        return drain(self.steps(*args, **named))

    def __get__(self, owner: object, kind: type) -> stepwise[..., T]:
        """A method of `owner`, with steps too."""
        return self if owner is None else stepwise(self.steps.__get__(owner, kind))
