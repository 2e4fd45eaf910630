"""The picture of a contact sheet that waits in a .blend: `main([FOLDER])`, in a process of its own.

FOLDER holds `sheet.blend`, in which there is one scene; `sheet.png` is written beside it.
"""

from __future__ import annotations

from pathlib import Path

import bpy

from .bridge.clips.sheet_scene import render


def main(arguments: list[str]) -> int:
    """Render it."""
    folder = Path(arguments[0])
    with bpy.data.libraries.load(str(folder / "sheet.blend")) as (there, here):  # type: ignore[func-returns-value]  # the stubs know no context
        here.scenes = there.scenes
    render(here.scenes[0], folder / "sheet.png")
    return 0
