"""The colours of overlays: the preferences', and the theme's for what Blender has a colour for."""

from __future__ import annotations

import bpy

from .strokes import Colour

_KINDS = {"spike": "spike", "frozen": "frozen", "dead_sensor": "frozen", "skating": "skating"}
"""Kinds of findings with a colour of their own, as the health page has them."""


def colour(settings: bpy.types.PropertyGroup, name: str, opaque: float = 1.0) -> Colour:
    """A colour of the preferences."""
    red, green, blue = getattr(settings, f"colour_{name}")
    return red, green, blue, opaque


def finding_colour(settings: bpy.types.PropertyGroup, kind: str, repaired: bool) -> Colour:
    """The colour of a finding: of its kind, or of repairs."""
    return colour(settings, "repaired" if repaired else _KINDS.get(kind, "other"))


def text_colour(context: bpy.types.Context) -> Colour:
    """The theme's colour of text in a 3D view."""
    red, green, blue = context.preferences.themes[0].view_3d.space.text_hi
    return red, green, blue, 1.0


def faint_colour(context: bpy.types.Context, opaque: float) -> Colour:
    """The same, faint: the theme's own colour of grids is not seen on a floor that is modelled."""
    return *text_colour(context)[:3], opaque
