"""What overlays know of a whole take: read when it is first wanted, and worked out in a thread.

`facts_of` gives them at once or not yet; a timer then reads the keys in slices between redraws, a thread
works on arrays alone, and the editors are drawn again. Poses that Blender must evaluate are read only when
asked for (`read_now`): that moves the playhead.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Hashable
from dataclasses import dataclass, field, replace
from typing import Any, NamedTuple

import bpy
from mathutils import Matrix, Quaternion

from takemill.base.errors import InputError, TakemillError
from takemill.recipe.recipe import Recipe

from ..bridge.clips.clip_record import ClipRecord
from ..bridge.motion.read_action import evaluation_reasons
from ..bridge.rigs.bone_curves import bone_curves
from ..bridge.rigs.rig import ArmatureFrame
from ..bridge.scene import actions, background
from ..bridge.scene.steps import Apart, Steps, apart
from ..bridge.takes import recipe, stage
from .take_facts import Facts, find_facts
from .view import View

_KEPT_TAKES = 4  # as many as are compared at once: raw, repaired, fitted, a clip
_WAIT_S, _LOOK_S = 0.2, 0.05  # before reading, so that edits come together; and from look to look
_TICK_S = 0.01  # from slice to slice


class _Wanted(NamedTuple):
    """Whose facts are wanted: their key, and what tells scene, armature and Action from others."""

    key: Hashable
    scene: int
    armature: int
    action: int


@dataclass
class _State:
    found: dict[Hashable, Facts | str] = field(default_factory=dict)
    wanted: _Wanted | None = None
    now: _Wanted | None = None
    steps: Steps[Facts] | None = None
    apart: Apart | None = None
    left: float = 0.0
    reading: bool = False
    redraw: Callable[[], None] = lambda: None


_STATE = _State()


def facts_of(view: View) -> Facts | None:
    """The facts of the view's take; None where they are not known yet, or cannot be."""
    if "facts" not in view.known:  # several overlays ask in one redraw
        view.known["facts"] = _facts_of(view)
    return view.known["facts"]


def _facts_of(view: View) -> Facts | None:
    key = view.take_key
    found = _STATE.found.get(key)
    if found is None and bpy.app.background:
        read_now(view)
        found = _STATE.found[key]
    elif found is None:
        _want(view, key)
    return found if isinstance(found, Facts) else None


def problem_of(view: View) -> str:
    """Why there are no facts of the view's take; "" where they are there or on their way."""
    found = _STATE.found.get(view.take_key)
    return found if isinstance(found, str) else ""


def read_now(view: View) -> str:
    """Read the view's take and work it out, however long that takes; why it cannot be, or ""."""
    key = view.take_key
    try:
        _keep(key, find_facts(*_read(view)))
    except TakemillError as problem:
        _keep(key, str(problem))
    return problem_of(view)


def is_reading() -> bool:
    """Whether what Blender says has changed is only what reading does."""
    return _STATE.reading


def attach(redraw: Callable[[], None]) -> None:
    """Call `redraw` when facts have come."""
    _STATE.redraw = redraw


def detach() -> None:
    """Stop, and forget all."""
    if bpy.app.timers.is_registered(_step):
        bpy.app.timers.unregister(_step)
    _stop()
    _STATE.found.clear()
    _STATE.wanted = None


def _want(view: View, key: Hashable) -> None:
    _STATE.wanted = _Wanted(key, view.scene.session_uid, view.armature.session_uid, view.action.session_uid)
    if not bpy.app.timers.is_registered(_step):
        bpy.app.timers.register(_step, first_interval=_WAIT_S)


def _step() -> float | None:
    """A look of the timer: reading goes on for a slice of time, or begins; None ends it."""
    if background.refusal():  # an operator is at work, and changes what would be read
        return _LOOK_S
    if _STATE.now is None:
        if _STATE.wanted is None:
            return None
        _STATE.now, _STATE.wanted = _STATE.wanted, None
    window, view = _view_again(_STATE.now)
    if window is None or view is None:  # gone, or changed again: the next redraw asks anew
        _stop()
        _STATE.redraw()
        return _LOOK_S
    key = _STATE.now.key
    _STATE.found.setdefault(key, "")  # so that it is asked for once, whatever happens
    now, _STATE.now = _STATE.now, None  # neither is tried again where something unforeseen is raised
    steps, _STATE.steps = _STATE.steps or _facts_in_steps(view), None
    with bpy.context.temp_override(window=window):
        try:
            found: Facts | str | None = _go_on(steps)
        except TakemillError as problem:
            found = str(problem)
    if found is None:
        _STATE.now, _STATE.steps = now, steps
        return _TICK_S
    _keep(key, found)
    _STATE.redraw()
    return _LOOK_S


def _go_on(steps: Steps[Facts]) -> Facts | None:
    """Go on for a slice of time; the facts once they are there."""
    begun = time.perf_counter()
    try:
        return _go_on_until(steps, begun + background.slice_s(begun - _STATE.left))
    finally:
        _STATE.left = time.perf_counter()


def _go_on_until(steps: Steps[Facts], until: float) -> Facts | None:
    while (now := time.perf_counter()) < until:
        if _STATE.apart is not None:
            if _STATE.apart.goes_on(min(until - now, background.LOOK_S)):
                return None
            _STATE.apart = None
        try:
            step = next(steps)
        except StopIteration as done:
            return done.value
        if isinstance(step, Apart):
            _STATE.apart = step
            step.start()
    return None


def _stop() -> None:
    """Drop what is being read."""
    if _STATE.apart is not None:
        _STATE.apart.stop()
    if _STATE.steps is not None:
        _STATE.steps.close()
    if _STATE.now is not None and _STATE.found.get(_STATE.now.key) == "":
        del _STATE.found[_STATE.now.key]
    _STATE.steps = _STATE.apart = _STATE.now = None


def _view_again(wanted: _Wanted) -> tuple[bpy.types.Window | None, View | None]:
    """The window that still shows what is wanted, and its view; None where all has changed."""
    for window in bpy.context.window_manager.windows:
        if window.scene.session_uid == wanted.scene:
            with bpy.context.temp_override(window=window):
                view = View.of(bpy.context)
            uids = view and (view.armature.session_uid, view.action.session_uid)
            if view is not None and uids == wanted[2:] and view.take_key == wanted.key:
                return window, view
    return None, None


def _facts_in_steps(view: View) -> Steps[Facts]:
    """The facts of a take whose curves give the whole pose.

    Raises:
        TakemillError: they do not, or the take cannot be read.
    """
    armature, action = view.armature, view.action
    bag = actions.channelbag(action, actions.slot_for(action, armature))
    curves = bone_curves(bag)
    reasons = evaluation_reasons(armature, bag, [one.curve for one in curves])
    if reasons or any(one.property == "scale" for one in curves):
        raise InputError("its pose must be evaluated frame by frame")
    settings = recipe.recipe_of(view.scene)
    work = yield from stage.work_on.steps(view.context, armature, action)
    return (yield from apart(find_facts, *_arrays(work, settings)))


def _read(view: View) -> tuple[Any, ...]:
    """All of Blender's data that facts need, as arrays, read straight through."""
    _STATE.reading = True
    try:
        work = stage.work_on(view.context, view.armature, view.action)
    finally:
        _STATE.reading = False
    return _arrays(work, recipe.recipe_of(view.scene))


def _arrays(work: stage.Work, settings: Recipe) -> tuple[Any, ...]:
    """What `find_facts` takes."""
    motion, known = work.take.motion, ClipRecord.of_action(work.action).contacts
    known = replace(known, rate=motion.rate) if known and len(known.heel) == len(motion) else None
    return motion, work.body, work.take.start, settings, _to_take(work.armature), known


def _to_take(armature: bpy.types.Object) -> Matrix:
    """From an armature's own space to that of its takes: what `stage.work_on` reads them in."""
    frame = ArmatureFrame.of(armature).standing
    turn = Quaternion(frame.rotation).to_matrix().to_4x4()
    return Matrix.Translation(frame.translation) @ turn @ Matrix.Scale(frame.size, 4)


def _keep(key: Hashable, found: Facts | str) -> None:
    _STATE.found[key] = found
    while len(_STATE.found) > _KEPT_TAKES:
        del _STATE.found[next(iter(_STATE.found))]
