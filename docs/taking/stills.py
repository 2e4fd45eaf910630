"""The still pictures of Blender's window."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

from . import work
from .window import in_view, maximise, maximise_over_body, maximise_time, shoot, show_panels, show_tab


@dataclass(frozen=True)
class Still:
    """A picture of the window, as large as the panels ask for.

    Attributes:
        state: brings the scene into the state that is shown, in the 3D view.
        panels: which are in the sidebar, open.
        after: what is done with the view once the state is there.
        size: of the window, in pixels.
        height: how much of it is kept, from below, in pixels.
    """

    state: Callable
    panels: tuple[str, ...] = ()
    after: Callable = maximise
    size: tuple[int, int] = (1320, 900)
    height: int = 900
    ending: str = ".png"

    def steps(self, picture: Path) -> Iterator[None]:
        """What is done inside of Blender, each step with the window drawn before it."""
        show_panels(self.panels, opened=True)
        in_view(self.state)
        yield
        in_view(self.after)
        yield
        show_tab()
        yield
        shoot(picture, self.size[0], self.height)


STILLS = {
    "blender-import": Still(work.imported, ("take", "body")),
    "blender-check": Still(work.checked, ("take", "check", "repair")),
    "blender-cuts": Still(work.cut, ("take", "cuts"), size=(1320, 1000), height=1000),
    "blender-fit": Still(work.fitted, ("take", "characters")),
    "blender-clips": Still(work.clips_made, ("take", "clips", "pack")),
    "blender-overlays": Still(work.overlaid, ("overlays",), maximise_over_body),
    "blender-in-time": Still(work.in_time, (), maximise_time, height=300),
}
