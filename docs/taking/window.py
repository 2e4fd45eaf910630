"""Blender's window: started, brought into a state step by step, and saved as a picture.

TAKEMILL_BLENDER is the command of a desktop Blender (4.5 or later) that can open a window, on a virtual
screen too. It runs a script of ours inside, which gives its steps to `perform`.
"""

from __future__ import annotations

import os
import shlex
import shutil
import subprocess
import traceback
from collections.abc import Callable, Iterable, Iterator
from pathlib import Path

from .places import BLEND, HOME

TAB = "Takemill"
_PANEL = "TAKEMILL_PT_"  # how the names of panels begin


# Outside of Blender


def run_inside(script: str, size: tuple[int, int], *words: str) -> None:
    """Open the samples in a desktop Blender, its window of so many pixels, and run a script in it with words.

    Raises:
        subprocess.CalledProcessError: Blender or the script failed.
    """
    command = shlex.split(os.environ.get("TAKEMILL_BLENDER", "blender"))
    window = ["--window-geometry", "0", "0", *map(str, size), "--enable-event-simulate", "--factory-startup"]
    inside = [str(BLEND), "--python", script, "--", *words]
    subprocess.run([*command, *window, *inside], check=True, cwd=HOME)


# Inside


def perform(steps: Iterator[object], pause_s: float) -> None:
    """Do steps one by one, each with the window drawn before it; then end Blender, with 1 on error."""
    import bpy

    bpy.context.preferences.view.show_splash = False
    bpy.context.preferences.use_preferences_save = False

    def go_on() -> float | None:
        try:
            next(steps)
        except StopIteration:
            bpy.ops.wm.quit_blender()
            return None
        except BaseException:
            traceback.print_exc()
            os._exit(1)
        return pause_s

    bpy.app.timers.register(go_on, first_interval=pause_s, persistent=True)


def largest(area_type: str):
    """The largest editor of a kind, and its window."""
    import bpy

    window = bpy.context.window_manager.windows[0]
    found = [one for one in window.screen.areas if one.type == area_type]
    return window, max(found, key=lambda one: one.width * one.height)


def region_of(area, kind: str):
    """The region of an editor by its kind ("WINDOW", "UI")."""
    return next(one for one in area.regions if one.type == kind)


def in_view(step: Callable) -> None:
    """Do a step in the largest 3D view, its sidebar shown; where there is none, in the largest editor."""
    import bpy

    window = bpy.context.window_manager.windows[0]
    area = max(window.screen.areas, key=lambda one: (one.type == "VIEW_3D", one.width * one.height))
    area.spaces.active.show_region_ui = True
    with bpy.context.temp_override(window=window, area=area, region=region_of(area, "WINDOW")):
        step(bpy.context)


def show_panels(names: Iterable[str], opened: bool = False) -> None:
    """Of the steps' panels just these, by their names without `TAKEMILL_PT_`; `opened`: none is closed."""
    import bpy

    from takemill_addon import panels

    steps = [cls for cls in panels.CLASSES if cls.__name__.startswith(_PANEL)]
    for cls in steps:
        if cls.is_registered:
            bpy.utils.unregister_class(cls)
    for cls in steps:
        if cls.__name__.removeprefix(_PANEL) in names:
            if opened and getattr(cls, "bl_options", None) == {"DEFAULT_CLOSED"}:
                cls.bl_options = set()
            bpy.utils.register_class(cls)


def show_tab() -> None:
    """Our tab of each sidebar."""
    import bpy

    for area in bpy.context.window_manager.windows[0].screen.areas:
        for region in area.regions:
            if area.type == "VIEW_3D" and region.type == "UI":
                region.active_panel_category = TAB
                area.tag_redraw()


def shoot(path: Path, width: int, height: int, x: int = 0, y: int = 0) -> None:
    """Save a part of what is seen of the window, from (x, y) on, its lower left corner (0, 0)."""
    import bpy

    # Of ImageMagick: what a virtual screen shows; there Blender's own picture is black.
    if shutil.which("import"):
        crop = ["-gravity", "SouthWest", "-crop", f"{width}x{height}+{x}+{y}", "+repage"]
        subprocess.run(["import", "-window", "root", *crop, str(path)], check=True)
        return
    with bpy.context.temp_override(window=bpy.context.window_manager.windows[0]):
        bpy.ops.screen.screenshot(filepath=str(path))


# What the view shows


def maximise(context) -> None:
    """The view alone, in front of those who stand on the landing."""
    import bpy
    from mathutils import Euler

    view = context.space_data.region_3d
    view.view_perspective, view.view_distance = "PERSP", 7.0
    context.space_data.overlay.show_extras = False  # frames of cameras and lamps
    view.view_location = context.view_layer.objects.active.matrix_world.translation * 0.5
    view.view_location.z = 0.9
    view.view_rotation = Euler((1.45, 0, 0)).to_quaternion()
    bpy.ops.screen.screen_full_area()


def maximise_over_body(context) -> None:
    """The view alone, nearer than where the landing is seen, from above."""
    place = context.space_data.region_3d.view_location.copy()
    maximise(context)
    context.space_data.region_3d.view_location = place
    look_down(context)


def look_down(context) -> None:
    """From above and the front at what the view has in its middle."""
    from mathutils import Euler

    view = context.space_data.region_3d
    view.view_perspective, view.view_distance = "PERSP", 3.6
    view.view_rotation = Euler((1.15, 0, 0.5)).to_quaternion()


def maximise_time(context) -> None:
    """The Timeline alone, over the preview range."""
    import bpy

    context.space_data.show_region_ui = context.space_data.show_region_channels = False
    bpy.ops.action.view_all()
    bpy.ops.screen.screen_full_area()
