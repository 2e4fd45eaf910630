"""The short moving pictures of the guide, taken in Blender's window by `take_pictures.py`, frame by frame."""

from __future__ import annotations

import shutil
import subprocess
import tempfile
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import take_pictures

_COLOURS = 48  # as many as let each picture stay below 400 kB (tried)


@dataclass(frozen=True)
class Moving:
    """A picture that moves.

    Attributes:
        state: brings the scene into the state that is shown, in the 3D view.
        show: brings the window to the n-th of its frames.
        frames: how many there are.
        each_s: how long each is seen, in seconds.
        after: what is done with the view once the state is there.
        window: its width and height in pixels.
        height: how much of it is kept, from below, in pixels.
    """

    state: Callable[[Any], None]
    show: Callable[[int], None]
    frames: int
    each_s: float
    after: Callable[[Any], None] = field(default=lambda _: None)
    window: tuple[int, int] = (640, 460)
    height: int = 400


def steps(name: str) -> Iterator[Callable[[], None]]:
    """What is done one after the other, each with the window drawn before it."""
    one = MOVING[name]
    folder = Path(tempfile.mkdtemp())
    yield lambda: take_pictures.in_view(one.state)
    yield lambda: take_pictures.in_view(one.after)
    for number in range(one.frames):
        yield lambda number=number: one.show(number)
        yield lambda number=number: take_pictures.shoot(
            folder / f"{number:03}.png", one.window[0], one.height
        )
    yield lambda: _join(folder, take_pictures.PICTURES / f"{name}.gif", one.each_s)


def _join(folder: Path, picture: Path, each_s: float) -> None:
    frames = [str(path) for path in sorted(folder.glob("*.png"))]
    how = ["-delay", str(round(100 * each_s)), "-loop", "0"]
    fewer = ["+dither", "-colors", str(_COLOURS), "-fuzz", "3%", "-layers", "Optimize"]
    subprocess.run(["convert", *how, *frames, *fewer, str(picture)], check=True)  # of ImageMagick
    shutil.rmtree(folder)


def _alone(context) -> None:
    """The view alone, without its sidebar, as near as a body is well seen."""
    take_pictures.maximise_over_body(context)
    space = context.space_data
    space.show_region_ui = space.show_region_toolbar = space.show_gizmo = False
    space.region_3d.view_distance = 4.2


def _seam(context) -> None:
    """The walk of the recipe on the ferrywoman, as a loop with its seam in the middle."""
    take_pictures.clips(context)
    rig = context.view_layer.objects.active
    for one in context.scene.objects:
        one.hide_set(one != rig and one.parent != rig)
    context.space_data.region_3d.view_location = rig.matrix_world.translation
    context.space_data.region_3d.view_location.z = 0.9


def _show_seam(number: int) -> None:
    import bpy

    scene = bpy.context.window_manager.windows[0].scene
    first, last = scene.frame_preview_start, scene.frame_preview_end
    scene.frame_set(first + round(number * (last + 1 - first) / MOVING["blender-seam"].frames))


def _show_ghost(number: int) -> None:
    import bpy

    bpy.context.window_manager.windows[0].scene.frame_set(1960 + 6 * number)


def _show_cut(number: int) -> None:
    """The end of the walk's cut goes out and back, as a hand drags it."""
    import bpy

    known = bpy.data.objects["Suit"].animation_data.action.takemill
    cut = known.cuts["walk"]
    if number == 0:
        known.cut_index = known.cuts.find("walk")
        _ends.append(cut.end)
    half = MOVING["blender-cut"].frames / 2
    cut.end = _ends[0] + round(20 * (half - abs(number - half)))
    for area in bpy.context.window_manager.windows[0].screen.areas:
        area.tag_redraw()


_ends: list[int] = []  # of the cut, before it was dragged
MOVING = {
    "blender-seam": Moving(_seam, _show_seam, 12, 0.1, _alone),
    "blender-ghost": Moving(take_pictures.overlays, _show_ghost, 12, 0.1, _alone),
    "blender-cut": Moving(
        take_pictures.in_time, _show_cut, 12, 0.15, take_pictures.maximise_time, (900, 500), 190
    ),
}
