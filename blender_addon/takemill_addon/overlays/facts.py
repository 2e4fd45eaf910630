"""What overlays know of a whole take: read when it is first wanted, and worked out in a thread.

`facts_of` gives them at once or not yet; a timer then reads the keys, a thread works on arrays alone, and the
editors are drawn again. What would take long to read is read only when asked for (`read_now`).
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Hashable
from dataclasses import dataclass, field, replace

import bpy
from mathutils import Matrix, Quaternion

from takemill.base.errors import TakemillError

from ..bridge import actions, recipe, stage
from ..bridge.bone_curves import bone_curves
from ..bridge.clip_record import ClipRecord
from ..bridge.read_action import evaluation_reasons, frames_of
from ..bridge.rig import ArmatureFrame
from .take_facts import Facts, find_facts
from .view import View

# Frames times bones that are read unasked. Trial: 158,400 of them take 0.13 s on two busy processors.
_MAX_UNASKED = 600_000
_KEPT_TAKES = 4
_PLACE_DIGITS = 4  # of an armature's size and tilt that count
_WAIT_S, _LOOK_S = 0.2, 0.05  # before reading, so that edits come together; and from look to look


@dataclass
class _State:
    found: dict[Hashable, Facts | str] = field(default_factory=dict)
    wanted: tuple[Hashable, int, int, int] | None = None
    thread: threading.Thread | None = None
    reading: bool = False
    redraw: Callable[[], None] = lambda: None


_STATE = _State()


def facts_of(view: View) -> Facts | None:
    """The facts of the view's take; None where they are not known yet, or cannot be."""
    key = key_of(view)
    found = _STATE.found.get(key)
    if found is None and bpy.app.background:
        read_now(view)
        found = _STATE.found[key]
    elif found is None:
        _want(view, key)
    return found if isinstance(found, Facts) else None


def problem_of(view: View) -> str:
    """Why there are no facts of the view's take; "" where they are there or on their way."""
    found = _STATE.found.get(key_of(view))
    return found if isinstance(found, str) else ""


def key_of(view: View) -> Hashable:
    """All that facts depend on."""
    chosen, scene = view.scene.takemill, view.scene
    parts = tuple((one.name, one.bone) for one in view.armature.takemill.parts if one.bone)
    track = (chosen.root_motion_turn, chosen.root_motion_height, chosen.root_motion_smooth_hz)
    rate = (scene.render.fps, scene.render.fps_base)
    world = view.armature.matrix_world
    place = (*world.to_scale(), *world.to_3x3().normalized()[2])  # its size and what is up; not where
    place = tuple(round(value, _PLACE_DIGITS) for value in place)
    return view.armature.session_uid, view.action.session_uid, view.key_edits, parts, rate, track, place


def read_now(view: View) -> str:
    """Read the view's take and work it out, however long that takes; why it cannot be, or ""."""
    key = key_of(view)
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
    _STATE.found.clear()
    _STATE.wanted = _STATE.thread = None


def _want(view: View, key: Hashable) -> None:
    _STATE.wanted = key, view.scene.session_uid, view.armature.session_uid, view.action.session_uid
    if not bpy.app.timers.is_registered(_step):
        bpy.app.timers.register(_step, first_interval=_WAIT_S)


def _step() -> float | None:
    """A look of the timer: at the thread, or at what is wanted next; None ends it."""
    if _STATE.thread is not None:
        if _STATE.thread.is_alive():
            return _LOOK_S
        _STATE.thread = None
        _STATE.redraw()
    if _STATE.wanted is None:
        return None
    key, *uids = _STATE.wanted
    _STATE.wanted = None
    view = _view_again(*uids)
    if view is None or key_of(view) != key:  # gone, or changed again: the next redraw asks anew
        _STATE.redraw()
        return None
    try:
        problem = _lengthy(view)
        if problem:
            raise TakemillError(problem)
        read = _read(view)
    except TakemillError as problem:
        _keep(key, str(problem))
        _STATE.redraw()
        return _LOOK_S

    def work() -> None:
        try:
            _keep(key, find_facts(*read))
        except TakemillError as problem:
            _keep(key, str(problem))

    _STATE.thread = threading.Thread(target=work, daemon=True)
    _STATE.thread.start()
    return _LOOK_S


def _view_again(scene_uid: int, armature_uid: int, action_uid: int) -> View | None:
    """The view of a window that still shows that scene, armature and action."""
    for window in bpy.context.window_manager.windows:
        if window.scene.session_uid == scene_uid:
            with bpy.context.temp_override(window=window):
                view = View.of(bpy.context)
            uids = view and (view.armature.session_uid, view.action.session_uid)
            if uids == (armature_uid, action_uid):
                return view
    return None


def _lengthy(view: View) -> str:
    """Why a take is not read unasked; "" where it can be."""
    armature, action = view.armature, view.action
    bag = actions.channelbag(action, actions.slot_for(action, armature))
    curves = bone_curves(bag)
    reasons = evaluation_reasons(armature, bag, [one.curve for one in curves])
    if reasons or any(one.property == "scale" for one in curves):
        return "its pose must be evaluated frame by frame"
    size = len(frames_of(action, armature)) * len(armature.data.bones)
    return "it is long" if size > _MAX_UNASKED else ""


def _read(view: View):
    """All of Blender's data that facts need, as arrays."""
    _STATE.reading = True
    try:
        work = stage.work_on(view.context, view.armature, view.action)
        settings = recipe.recipe_of(view.scene)
        known = ClipRecord.of_action(view.action).contacts
    finally:
        _STATE.reading = False
    motion = work.take.motion
    known = replace(known, rate=motion.rate) if known and len(known.heel) == len(motion) else None
    return motion, work.body, work.take.start, settings, _to_take(view.armature), known


def _to_take(armature: bpy.types.Object) -> Matrix:
    """From an armature's own space to that of its takes: what `stage.work_on` reads them in."""
    frame = ArmatureFrame.of(armature).standing
    turn = Quaternion(frame.rotation).to_matrix().to_4x4()
    return Matrix.Translation(frame.translation) @ turn @ Matrix.Scale(frame.size, 4)


def _keep(key: Hashable, found: Facts | str) -> None:
    _STATE.found[key] = found
    while len(_STATE.found) > _KEPT_TAKES:
        del _STATE.found[next(iter(_STATE.found))]
