"""A contact sheet: a character in some poses of a clip, side by side in one picture, for reviews.

It is rendered in a scene of its own, which is gone afterwards. A window would not be drawn meanwhile: there
the scene goes to a file, and another Blender renders that.
"""

from __future__ import annotations

import tempfile
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path

import bpy

from takemill.base.disk import explain_errors, read_bytes
from takemill.base.errors import FileError
from takemill.files.blender_module import Blender

from ..scene.own_process import same_blender
from ..scene.steps import Steps, apart, stepwise
from .sheet_poses import Pose
from .sheet_scene import render, sheet_scene

_KINDS = (
    "scenes",
    "objects",
    "meshes",
    "curves",
    "fonts",
    "materials",
    "worlds",
    "cameras",
    "lights",
    "images",
)


@stepwise
def render_sheet(
    cast: Sequence[Sequence[Pose]], title: str, row_px: int, names: Sequence[str], here: bool
) -> Steps[bytes]:
    """The PNG of a sheet (see `sheet_scene`): rendered in this Blender, or in another one.

    Raises:
        FileError: the disk refuses, or the other Blender fails.
    """
    with explain_errors("write", "the picture"):
        folder = tempfile.TemporaryDirectory()
        try:
            picture, waiting = (Path(folder.name, name) for name in ("sheet.png", "sheet.blend"))
            with scratch():
                scene = sheet_scene(cast, title, row_px, names)
                if here:
                    render(scene, picture)
                    return read_bytes(picture)
                # Blender 5.2 crashes on writing a scene whose layers were never brought up to date.
                scene.view_layers[0].update()
                bpy.data.libraries.write(str(waiting), {scene}, path_remap="ABSOLUTE")
            return (yield from apart(_render_apart, same_blender(), folder))
        finally:
            folder.cleanup()


def _render_apart(blender: Blender, folder: tempfile.TemporaryDirectory[str]) -> bytes:
    """The picture of the scene that waits in a folder. The folder goes when the other Blender has ended."""
    try:
        last = blender.run("write_sheet", folder.name)
        picture = Path(folder.name, "sheet.png")
        if not picture.exists():
            raise FileError(
                f"another Blender fails to render the picture ({last or 'no reason given'}); "
                "start Blender with --background for it, or render fewer poses"
            )
        return read_bytes(picture)
    finally:
        folder.cleanup()


def needs_this_blender() -> bool:
    """Whether some picture is painted and not saved yet: another Blender would show it as it was."""
    return any(one.is_dirty for one in bpy.data.images)


@contextmanager
def scratch() -> Iterator[None]:
    """Data that is made inside is removed from the file afterwards, whatever happens."""
    before = {kind: set(getattr(bpy.data, kind)) for kind in _KINDS}
    try:
        yield
    finally:
        for kind in _KINDS:
            held = getattr(bpy.data, kind)
            for item in set(held) - before[kind]:
                held.remove(item)
