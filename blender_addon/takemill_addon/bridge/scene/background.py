"""Work in steps under a timer, while Blender goes on drawing and says how far it is."""

from __future__ import annotations

import sys
import time
from typing import Any

import bpy

from .steps import DRAW, Apart, Steps

_SLICE_S, _EVEN_S = (
    0.03,
    0.05,
)  # of work between two looks at events; as long as a redraw up to 50 ms: 100 with it
_SLOW_SHARE = 0.25  # of redraws that take longer: slow graphics and busy machines get on, too
LOOK_S = 0.01  # for which a thread is waited for at a time: short work is met, long work lets Blender draw
_TICK_S = 0.005  # between the end of a slice and the next, at most
_SAY_EVERY_S = 0.2  # between texts of how far it is; each one has the status bar drawn
_SWITCH_S = 0.0005  # for which a thread keeps Python to itself; Python's own 5 ms add up while panels draw

_running: list[Job] = []
"""The one job that goes on, if any."""


def slice_s(away_s: float) -> float:
    """For how long work goes on, seconds, after Blender had as much as `away_s` to itself."""
    return max(_SLICE_S, min(away_s, _EVEN_S), _SLOW_SHARE * away_s)


def refusal() -> str:
    """Why no other work can begin now; "" where it can."""
    return f"{_running[0].title} is at work; wait, or press Esc to stop it" if _running else ""


class Before:
    """How Actions were before some work: what to go back to when it fails or is stopped."""

    def __init__(self) -> None:
        self._actions = set(bpy.data.actions)
        self._played = {
            one: (one.animation_data.action, one.animation_data.action_slot)
            for one in bpy.data.objects
            if one.animation_data
        }

    def restore(self) -> None:
        """Take new Actions away, and let each object play what it played."""
        made = set(bpy.data.actions) - self._actions
        for one in bpy.data.objects:
            if one.animation_data and one.animation_data.action in made:
                action, slot = self._played.get(one, (None, None))
                one.animation_data.action = action
                if action is not None:
                    one.animation_data.action_slot = slot
        for action in made:
            bpy.data.actions.remove(action)


class Job:
    """Work that is going on in steps; an operator asks it in `modal`, and lets no other event through.

    Attributes:
        title: what it is called.
        stopped: it was ended before it was done; then all is as it was.
        message: what it has found, once it is done.
    """

    def __init__(self, context: bpy.types.Context, title: str, steps: Steps[str]) -> None:
        """Begin; nothing is done before the first look."""
        self.title, self._steps = title, steps
        self._apart: Apart[Any] | None = None
        self.stopped, self.message, self._share, self._said = False, "", 0.0, -1.0
        self._left = time.perf_counter()
        self._before = Before()
        self._timer = context.window_manager.event_timer_add(_TICK_S, window=context.window)
        context.window_manager.progress_begin(0, 100)
        self._switch = sys.getswitchinterval()
        sys.setswitchinterval(_SWITCH_S)
        bpy.app.handlers.undo_pre.append(self._interrupted)
        bpy.app.handlers.load_pre.append(self._interrupted)
        _running.append(self)

    def runs(self, context: bpy.types.Context, event: bpy.types.Event) -> bool:
        """Whether the work still goes on; on a timer's event it goes on for a slice of time.

        Raises:
            Exception: what the work has raised; then all is as it was.
        """
        if self.stopped:
            self.end(context)
            return False
        if event.type == "ESC" and not self._is_final:
            self.stop()
            self.end(context)
            return False
        if event.type != "TIMER":
            return True
        begun = time.perf_counter()
        try:
            done = self._go_on(begun + slice_s(begun - self._left))
        except BaseException:
            self._before.restore()
            self.end(context)
            raise
        if done:
            self.end(context)
        else:
            self._say(context)
        self._left = time.perf_counter()
        return not done

    def stop(self) -> None:
        """End the work; all is as it was before it."""
        if self.stopped:
            return
        self.stopped = True
        if self._apart is not None:
            self._apart.join() if self._is_final else self._apart.stop()
        self._steps.close()
        self._before.restore()

    def end(self, context: bpy.types.Context) -> None:
        """Take the timer, the handlers and the text away."""
        if self not in _running:
            return
        _running.remove(self)
        sys.setswitchinterval(self._switch)
        bpy.app.handlers.undo_pre.remove(self._interrupted)
        bpy.app.handlers.load_pre.remove(self._interrupted)
        context.window_manager.event_timer_remove(self._timer)
        context.window_manager.progress_end()
        if context.workspace:
            context.workspace.status_text_set(None)

    @property
    def _is_final(self) -> bool:
        return self._apart is not None and self._apart.is_final

    def _go_on(self, until: float) -> bool:
        """Go on till a moment; whether all is done."""
        while (now := time.perf_counter()) < until:
            if self._apart is not None:
                if self._apart.goes_on(min(until - now, LOOK_S)):
                    self._share = self._share if self._apart.share is None else self._apart.share
                    return False
                self._apart = None
            try:
                step = next(self._steps)
            except StopIteration as done:
                self.message = done.value
                return True
            if isinstance(step, Apart):
                self._apart = step
                step.start()
            elif isinstance(step, float):
                self._share = step
            elif step is DRAW:
                return False
        return False

    def _say(self, context: bpy.types.Context) -> None:
        now = time.perf_counter()
        if now - self._said < _SAY_EVERY_S:
            return
        self._said, percent = now, round(100 * self._share)
        context.window_manager.progress_update(percent)
        context.workspace.status_text_set(f"{self.title}: {percent} %, Esc stops")

    def _interrupted(self, *_: object) -> None:
        """Another window undoes something, or a file is loaded: what the work holds is about to go."""
        self.stop()
