"""Takemill in Blender: from a raw motion-capture take to a packed set of game clips, in a sidebar tab."""

from __future__ import annotations

import atexit

import bpy

from . import (
    operators_body,
    operators_clips,
    operators_cuts,
    operators_findings,
    operators_fit,
    operators_loop,
    operators_pack,
    operators_repair,
    operators_sheet,
    operators_thin,
    operators_variants,
    panels_clips,
    panels_cuts,
    panels_fit,
    panels_pack,
    panels_repair,
    panels_take,
    properties,
)

CLASSES = (
    *properties.CLASSES,
    *operators_body.CLASSES,
    *operators_findings.CLASSES,
    *operators_repair.CLASSES,
    *operators_fit.CLASSES,
    *operators_cuts.CLASSES,
    *operators_clips.CLASSES,
    *operators_loop.CLASSES,
    *operators_thin.CLASSES,
    *operators_variants.CLASSES,
    *operators_sheet.CLASSES,
    *operators_pack.CLASSES,
    *panels_take.CLASSES,
    *panels_repair.CLASSES,
    *panels_fit.CLASSES,
    *panels_cuts.CLASSES,
    *panels_clips.CLASSES,
    *panels_pack.CLASSES,
)


def register() -> None:
    """Add the classes, then the properties that use them."""
    for cls in CLASSES:
        bpy.utils.register_class(cls)
    properties.attach()
    if bpy.app.module:
        # The 4.5 module never ends its process while a class with Python functions is registered.
        atexit.register(unregister)


def unregister() -> None:
    """Take away what `register` added, in reverse; a second call does nothing."""
    atexit.unregister(unregister)
    properties.detach()
    for cls in reversed(CLASSES):
        if cls.is_registered:
            bpy.utils.unregister_class(cls)
