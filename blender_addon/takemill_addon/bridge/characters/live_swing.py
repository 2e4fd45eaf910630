"""The preview of chains that swing is made again when a chain or a collider is changed."""

from __future__ import annotations

import contextlib

import bpy

from ..takes import stage

_WAIT_S = 0.25  # after the last change: a field is dragged through many values (chosen by eye)
_problems: list[str] = []


def changed(_settings: bpy.types.PropertyGroup, context: bpy.types.Context) -> None:
    """What changes when a field of a chain or a collider has: the drawing, and the preview that plays."""
    for area in (area for window, area in _views(context)):
        area.tag_redraw()
    if swing_preview(context):
        stop()
        bpy.app.timers.register(refresh, first_interval=_WAIT_S)


def swing_preview(context: bpy.types.Context) -> bpy.types.Action | None:
    """The preview of swinging chains that plays, if one does."""
    armature = stage.armature_of(context)
    action = stage.find_active_action(armature) if armature else None
    return action if action and action.takemill.looping and action.takemill.swings else None


def refresh() -> float | None:
    """Make the preview again; the seconds until it is to be tried again while something else is at work."""
    context = bpy.context
    if not swing_preview(context):
        return None
    window, area = next(_views(context), (None, None))
    override = context.temp_override(window=window, area=area) if window else contextlib.nullcontext()
    with override:
        if not bpy.ops.takemill.preview_swing.poll():
            return _WAIT_S
        _problems.clear()
        try:
            bpy.ops.takemill.preview_swing()
        except RuntimeError as problem:  # how an operator's report reaches a Python caller
            _problems.append(str(problem).removeprefix("Error: ").strip())
    for _, one in _views(context):
        one.tag_redraw()
    return None


def problem() -> str:
    """Why the preview plays what was asked for before; "" where it plays what is asked for now."""
    return _problems[0] if _problems else ""


def stop() -> None:
    """Make it no more."""
    _problems.clear()
    if bpy.app.timers.is_registered(refresh):
        bpy.app.timers.unregister(refresh)


def _views(context: bpy.types.Context):
    for window in context.window_manager.windows:
        for area in window.screen.areas:
            if area.type == "VIEW_3D":
                yield window, area
