"""Long work on arrays in a thread, while Blender goes on drawing and says how far it is."""

from __future__ import annotations

import threading
from collections.abc import Callable

import bpy

_EVERY_S = 0.2  # between looks at how far it is; each one has the windows drawn


class _StopError(Exception):
    """The user has had enough."""


class Job:
    """Work that is going on; an operator asks it in `modal`, and lets no other event through meanwhile.

    The work may use arrays only: Blender's data are not to be touched in a thread.

    Attributes:
        stopped: it was ended before it was done.
    """

    def __init__(
        self, context: bpy.types.Context, title: str, work: Callable[[Callable[[float], None]], None]
    ) -> None:
        """Begin `work`, which tells a function the part that is behind, and lets through what that raises."""
        self._title, self._work, self._part = title, work, 0.0
        self.stopped = False
        self._problem: BaseException | None = None
        self._timer = context.window_manager.event_timer_add(_EVERY_S, window=context.window)
        self._thread = threading.Thread(target=self._run, daemon=True)
        context.window_manager.progress_begin(0, 100)
        self._thread.start()

    def _run(self) -> None:
        try:
            self._work(self._told)
        except _StopError:
            pass
        except BaseException as problem:  # handed on to the thread that waits
            self._problem = problem

    def _told(self, part: float) -> None:
        self._part = part
        if self.stopped:
            raise _StopError

    def stop(self) -> None:
        """End the work soon; what it has found is lost."""
        self.stopped = True

    def runs(self, context: bpy.types.Context, event: bpy.types.Event) -> bool:
        """Whether the work still goes on; on a timer's event, how far it is is shown.

        Raises:
            Exception: what the work has raised.
        """
        if event.type != "TIMER":
            return True
        if self._thread.is_alive():
            percent = round(100 * self._part)
            context.window_manager.progress_update(percent)
            said = "stopping" if self.stopped else f"{percent} %, Esc stops"
            context.workspace.status_text_set(f"{self._title}: {said}")
            return True
        self.end(context)
        if self._problem:
            raise self._problem
        return False

    def end(self, context: bpy.types.Context) -> None:
        """Take the timer and the text away, once the work has ended."""
        self._thread.join()
        context.window_manager.event_timer_remove(self._timer)
        context.window_manager.progress_end()
        context.workspace.status_text_set(None)
