"""What Blender's open editors show: the selected bone in 3D views, the playhead on time lines."""

from __future__ import annotations

import contextlib
from collections.abc import Iterator
from typing import Any

import bpy


def frame_selected(context: bpy.types.Context) -> None:
    """Bring what is selected into all 3D views."""
    for _ in _shown(context, "VIEW_3D"):
        if bpy.ops.view3d.view_selected.poll():  # type: ignore[call-arg]  # the stubs know another poll
            bpy.ops.view3d.view_selected()


_BESIDE = 0.25  # of the frames that are shown, how many more to each side (by eye)
_LEAST_S = 1.0  # what is shown of a moment
_held: list[bool] = []


@contextlib.contextmanager
def time_held() -> Iterator[None]:
    """Time lines stay as they are: the user works in one."""
    _held.append(True)
    try:
        yield
    finally:
        _held.pop()


def show_frames(context: bpy.types.Context, first: float, last: float) -> None:
    """Let all time lines, dope sheets and graph editors show just these frames, and a little beside them."""
    if _held:
        return
    least = _LEAST_S * context.scene.render.fps / context.scene.render.fps_base
    half, middle = max((last - first) * (0.5 + _BESIDE), least / 2), (first + last) / 2
    for kind in ("DOPESHEET_EDITOR", "GRAPH_EDITOR"):
        for _ in _shown(context, kind):
            region = bpy.context.region
            left, right = (_pixel(region, middle + side * half) for side in (-1, 1))
            bpy.ops.view2d.zoom_border(
                xmin=left, xmax=right, ymin=0, ymax=region.height, wait_for_input=False
            )


def _pixel(region: bpy.types.Region, frame: float) -> int:
    """Where a frame lies in a region, pixels from its left edge; outside of it, too."""
    place: Any = region.view2d.view_to_region(frame, 0, clip=False)  # a pair; the stubs know it otherwise
    return int(place[0])


def play(context: bpy.types.Context) -> None:
    """Let the animation play, where there is a window for it."""
    screen = None if bpy.app.background or context.window is None else context.window.screen
    if screen is not None and not screen.is_animation_playing:
        with context.temp_override(window=context.window, screen=screen):
            bpy.ops.screen.animation_play()


def pause(context: bpy.types.Context) -> None:
    """Let the animation stand at its present frame, where it plays."""
    screen = None if bpy.app.background or context.window is None else context.window.screen
    if screen is not None and screen.is_animation_playing:
        with context.temp_override(window=context.window, screen=screen):
            bpy.ops.screen.animation_cancel(restore_frame=False)


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
