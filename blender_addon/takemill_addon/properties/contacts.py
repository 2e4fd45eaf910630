"""The contacts of hands and body that are known of a take."""

from __future__ import annotations

import bpy
from bpy.props import BoolProperty, FloatProperty, IntProperty, StringProperty


class TAKEMILL_PG_contact(bpy.types.PropertyGroup):
    """A contact; its name, the property group's own, is as a recipe's [fit] without_goals takes it."""

    keep: BoolProperty(name="Keep", default=True, description="Keep this contact when the take is fitted")
    kind: StringProperty()
    start: IntProperty(description="First scene frame")
    stop: IntProperty(description="Scene frame after the last")
    part: StringProperty(description="What goes there")
    on: StringProperty(description="What it is on")
    off_mm: FloatProperty(
        default=-1.0, description="How far off it was at most in the last fit; -1: not fitted"
    )


CLASSES = (TAKEMILL_PG_contact,)
