"""What comes with the extension beside the add-on: the guide and the scripts for engines."""

from __future__ import annotations

from pathlib import Path

import bpy

from ..bridge.takes import stage

PLACE = Path(__file__).resolve().parents[1]  # of the add-on, where the extension's zip puts both


def guide_path() -> Path:
    """The guide's page; there in an extension that was built, not in a checkout."""
    return PLACE / "docs" / "guide.html"


def engines_path() -> Path:
    """The folder of the scripts for engines."""
    return PLACE / "engines"


def a_guide(_: bpy.types.Context) -> str:
    """Needs the guide's page."""
    return (
        "" if guide_path().is_file() else "The guide comes with the extension's zip; here it is docs/guide.md"
    )


def engine_scripts(_: bpy.types.Context) -> str:
    """Needs the scripts for engines."""
    return (
        ""
        if engines_path().is_dir()
        else "The scripts come with the extension's zip; here they are in engines/"
    )


class TAKEMILL_OT_open_guide(stage.Stage, bpy.types.Operator):
    """Open the guide in the web browser; it is part of the extension and needs no network"""

    bl_idname = "takemill.open_guide"
    bl_label = "Open Guide"
    needs = (a_guide,)

    def run(self, context: bpy.types.Context) -> str:
        if not bpy.app.background:
            bpy.ops.wm.url_open(url=guide_path().as_uri())
        return f"the guide is {guide_path()}"


class TAKEMILL_OT_open_engine_scripts(stage.Stage, bpy.types.Operator):
    """Open the folder of the scripts for Godot and three.js, which may be copied into any game"""

    bl_idname = "takemill.open_engine_scripts"
    bl_label = "Open Engine Scripts"
    needs = (engine_scripts,)

    def run(self, context: bpy.types.Context) -> str:
        if not bpy.app.background:
            bpy.ops.wm.path_open(filepath=str(engines_path()))
        return f"the scripts are in {engines_path()}"


CLASSES = (TAKEMILL_OT_open_guide, TAKEMILL_OT_open_engine_scripts)
