"""Paths as users write them in Blender, made absolute."""

from __future__ import annotations

import os
from pathlib import Path

import bpy

from takemill.base.errors import InputError


def property_of_a_file():
    """The `filepath` of an operator with a file dialog, which takes `//` too (the helpers' own does not)."""
    options = {"SKIP_PRESET", "PATH_SUPPORTS_BLEND_RELATIVE"}
    return bpy.props.StringProperty(name="File Path", subtype="FILE_PATH", maxlen=1024, options=options)


def absolute(text: str, what: str = "the file") -> Path:
    """A path that depends on no working folder: `//` is beside the .blend, `~` and `$NAME` are filled in.

    Raises:
        InputError: it is relative to nothing: a .blend that is not saved, or no folder at all.
    """
    if text.startswith("//") and not bpy.data.filepath:
        raise InputError(
            f"{what} lies beside this file, which has no place yet; save the file or name a folder"
        )
    path = Path(os.path.expandvars(os.path.expanduser(bpy.path.abspath(text))))
    if not path.is_absolute():
        raise InputError(
            f"{what} {text!r} is relative to nothing; begin it with // for beside this file, "
            "or name the whole path"
        )
    return Path(os.path.normpath(path))


def beside(name: str) -> str:
    """A file's path beside the .blend; in the user's own folder while that is not saved."""
    return str((Path(bpy.data.filepath).parent if bpy.data.filepath else Path.home()) / name)


def shown(text: str) -> str:
    """The absolute path for a panel, or why there is none."""
    try:
        return str(absolute(text))
    except InputError:
        return "Save the file, or name a whole path"
