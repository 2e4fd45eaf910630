"""The same Blender once more, in a process of its own, for work that must not touch the scene."""

from __future__ import annotations

import sys
from pathlib import Path

import bpy

import takemill
from takemill.files.blender_module import Blender, version_of

_ADDON = Path(__file__).parents[2]  # the folder of its files
_PROGRAM = ("--background", "--factory-startup", "--python-exit-code", "1", "--python-expr")


def same_blender() -> Blender:
    """The program that runs, or the module where there is none, with this add-on and its engine."""
    program = bpy.app.binary_path
    return Blender(
        (program, *_PROGRAM) if program else (sys.executable, "-c"),
        str(Path(takemill.__file__).parents[1]),
        str(_ADDON),
        version_of(bpy.app.version_string, _ADDON),
    )
