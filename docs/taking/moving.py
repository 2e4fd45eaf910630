"""The short moving pictures of the guide, taken in Blender's window frame by frame."""

from __future__ import annotations

import subprocess
import tempfile
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from . import work
from .window import in_view, maximise_over_body, maximise_time, shoot, show_panels

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
        size: of the window, in pixels.
        height: how much of it is kept, from below, in pixels.
    """

    state: Callable[[Any], None]
    show: Callable[[int], None]
    frames: int
    each_s: float
    after: Callable[[Any], None] = field(default=lambda _: None)
    size: tuple[int, int] = (640, 460)
    height: int = 400
    ending: str = ".gif"

    def steps(self, picture: Path) -> Iterator[None]:
        """What is done inside of Blender, each step with the window drawn before it."""
        show_panels(())
        in_view(self.state)
        yield
        in_view(self.after)
        yield
        with tempfile.TemporaryDirectory() as folder:
            shots = [Path(folder) / f"{number:03}.png" for number in range(self.frames)]
            for number, shot in enumerate(shots):
                self.show(number)
                yield
                shoot(shot, self.size[0], self.height)
            _join(shots, picture, self.each_s)


def _join(shots: list[Path], picture: Path, each_s: float) -> None:
    how = ["-delay", str(round(100 * each_s)), "-loop", "0"]
    fewer = ["+dither", "-colors", str(_COLOURS), "-fuzz", "3%", "-layers", "Optimize"]
    subprocess.run(["convert", *how, *map(str, shots), *fewer, str(picture)], check=True)  # of ImageMagick


def _alone(context) -> None:
    """The view alone, without its sidebar, as near as a body is well seen."""
    maximise_over_body(context)
    space = context.space_data
    space.show_region_ui = space.show_region_toolbar = space.show_gizmo = False
    space.region_3d.view_distance = 4.2


def _seam(context) -> None:
    """The walk of the recipe on the ferrywoman, as a loop with its seam in the middle."""
    work.clips_made(context)
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

    bpy.context.window_manager.windows[0].scene.frame_set(work.WALK_FRAME + 6 * number)


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
    "blender-ghost": Moving(work.overlaid, _show_ghost, 12, 0.1, _alone),
    "blender-cut": Moving(work.in_time, _show_cut, 12, 0.15, maximise_time, (900, 500), 190),
}
