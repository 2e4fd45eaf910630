"""Takemill in Blender: from a raw motion-capture take to a packed set of game clips, in a sidebar tab."""

from __future__ import annotations

import atexit

import bpy

from . import operators, overlays, panels, properties, translations

CLASSES = (*properties.CLASSES, *operators.CLASSES, *operators.HANDLERS, *panels.CLASSES)


def register() -> None:
    """Add the classes, then the properties and menus that use them."""
    for cls in CLASSES:
        bpy.utils.register_class(cls)
    translations.attach()
    properties.attach()
    operators.attach()
    overlays.attach()
    panels.attach()
    if bpy.app.module:
        # The 4.5 module never ends its process while a class with Python functions is registered.
        atexit.register(unregister)


def unregister() -> None:
    """Take away what `register` added, in reverse; a second call does nothing."""
    atexit.unregister(unregister)
    panels.detach()
    overlays.detach()
    operators.detach()
    properties.detach()
    translations.detach()
    for cls in reversed(CLASSES):
        if cls.is_registered:
            bpy.utils.unregister_class(cls)
