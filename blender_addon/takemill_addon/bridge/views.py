"""What Blender's open editors show: the selected bone in 3D views, the playhead on time lines."""

from __future__ import annotations

from collections.abc import Iterator

import bpy


def frame_selected(context: bpy.types.Context) -> None:
    """Bring what is selected into all 3D views."""
    for _ in _shown(context, "VIEW_3D"):
        if bpy.ops.view3d.view_selected.poll():  # type: ignore[call-arg]  # the stubs know another poll
            bpy.ops.view3d.view_selected()


def frame_playhead(context: bpy.types.Context) -> None:
    """Bring the present frame into all time lines, dope sheets and graph editors."""
    for _ in _shown(context, "DOPESHEET_EDITOR"):
        bpy.ops.action.view_frame()
    for _ in _shown(context, "GRAPH_EDITOR"):
        bpy.ops.graph.view_frame()


def play(context: bpy.types.Context) -> None:
    """Let the animation play, where there is a window for it."""
    screen = None if bpy.app.background or context.window is None else context.window.screen
    if screen is not None and not screen.is_animation_playing:
        with context.temp_override(window=context.window, screen=screen):
            bpy.ops.screen.animation_play()


def find_area(context: bpy.types.Context, kind: str) -> tuple[bpy.types.Window, bpy.types.Area] | None:
    """The largest area of a kind of editor, with its window; None where none is open."""
    found = [
        (window, area)
        for window in context.window_manager.windows
        for area in window.screen.areas
        if area.type == kind
    ]
    return max(found, key=lambda one: one[1].width * one[1].height, default=None)


def _shown(context: bpy.types.Context, kind: str) -> Iterator[None]:
    """Each open editor of a kind, as the context; none in the background."""
    if bpy.app.background:
        return
    for window in context.window_manager.windows:
        for area in window.screen.areas:
            region = next((one for one in area.regions if one.type == "WINDOW"), None)
            if area.type == kind and region is not None:
                with context.temp_override(window=window, area=area, region=region):
                    yield
