"""Long work on arrays in a thread, while Blender goes on drawing and says how far it is."""

from __future__ import annotations

import threading
from collections.abc import Callable
from typing import Any

import bpy

from takemill.base.errors import TakemillError

from . import stage

_LOOK_EVERY_S = 0.2  # between looks at how far it is; each one has the windows drawn


class _StopError(Exception):
    """The user has had enough."""


Progress = Callable[[float], object]
"""Called with the share that is done; what it raises ends the work."""


class Job:
    """Work that is going on; an operator asks it in `modal`, and lets no other event through meanwhile.

    The work may use arrays only: Blender's data are not to be touched in a thread.

    Attributes:
        stopped: it was ended before it was done.
    """

    def __init__(self, context: bpy.types.Context, title: str, work: Callable[[Progress], object]) -> None:
        """Begin `work`."""
        self._title, self._work, self._part = title, work, 0.0
        self.stopped = False
        self._problem: BaseException | None = None
        self._timer = context.window_manager.event_timer_add(_LOOK_EVERY_S, window=context.window)
        self._thread = threading.Thread(target=self._run, daemon=True)
        context.window_manager.progress_begin(0, 100)
        self._thread.start()

    def _run(self) -> None:
        try:
            self._work(self._note_progress)
        except _StopError:
            pass
        except BaseException as problem:  # handed on to the thread that waits
            self._problem = problem

    def _note_progress(self, part: float) -> None:
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


class LongStage(stage.Stage):
    """A stage in three steps, the long one in a thread where there is a window to watch it."""

    title = ""

    def prepare(self, context: bpy.types.Context) -> Any:
        """Read all that the work needs; nothing may be changed yet."""
        raise NotImplementedError

    def work(self, load: Any, progress: Progress) -> None:
        """Do the work on what `prepare` has read, and keep what is found in it; arrays only."""
        raise NotImplementedError

    def finish(self, context: bpy.types.Context, load: Any) -> str:
        """Write what was found and say what was done."""
        raise NotImplementedError

    def run(self, context: bpy.types.Context) -> str:
        load, manager = self.prepare(context), context.window_manager
        manager.progress_begin(0, 100)
        try:
            self.work(load, lambda part: manager.progress_update(round(100 * part)))
        finally:
            manager.progress_end()
        return self.finish(context, load)

    def invoke(self, context: bpy.types.Context, _: bpy.types.Event) -> set[str]:
        """Begin; Blender shows how far it is, and Esc stops it."""
        if bpy.app.background:
            return self.execute(context)
        try:
            with stage.busy(context):
                self._load = self.prepare(context)
        except TakemillError as problem:
            self.report({"ERROR"}, str(problem))
            return {"CANCELLED"}
        self._job = Job(context, self.title, lambda progress: self.work(self._load, progress))
        context.window_manager.modal_handler_add(self)
        return {"RUNNING_MODAL"}

    def modal(self, context: bpy.types.Context, event: bpy.types.Event) -> set[str]:
        """Wait; no other event is let through, so that nothing changes meanwhile."""
        if event.type == "ESC":
            self._job.stop()
        try:
            if self._job.runs(context, event):
                return {"RUNNING_MODAL"}
            if self._job.stopped:
                self.report({"INFO"}, "Stopped; nothing was changed")
                return {"CANCELLED"}
            self.report({"INFO"}, self.finish(context, self._load))
        except TakemillError as problem:
            self.report({"ERROR"}, str(problem))
            return {"CANCELLED"}
        return {"FINISHED"}

    def cancel(self, context: bpy.types.Context) -> None:
        """Blender is closed, or loads another file."""
        self._job.stop()
        self._job.end(context)
