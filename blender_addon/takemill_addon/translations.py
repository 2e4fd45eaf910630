"""Words of ours in other languages, as Blender's own translation system takes them.

Labels, tooltips and literal texts of panels are looked up by Blender itself; `say` is for texts with values
in them, and for labels of overlays. Reports of operators, and the engine's messages in them, stay English.
"""

from __future__ import annotations

import contextlib

import bpy

MESSAGES: dict[str, dict[tuple[str, str], str]] = {}
"""By language ("de_DE"), by context ("*") and English text: the text in that language. None is there yet."""


def say(text: str, *values: object) -> str:
    """A text of the interface in the user's language, with values in the place of its braces."""
    return bpy.app.translations.pgettext_iface(text).format(*values)


def attach() -> None:
    """Let Blender know the words."""
    detach()
    bpy.app.translations.register(__package__, MESSAGES)


def detach() -> None:
    """Take them away again; a second call does nothing."""
    with contextlib.suppress(RuntimeError, ValueError, KeyError):  # Blender has no way to ask for them
        bpy.app.translations.unregister(__package__)
