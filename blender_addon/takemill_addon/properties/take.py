"""What is kept of a body, and the settings of its fit to another character."""

from __future__ import annotations

import bpy
from bpy.props import BoolProperty, FloatProperty, PointerProperty, StringProperty


class TAKEMILL_PG_part(bpy.types.PropertyGroup):
    """A body part; its name is the property group's own name."""

    bone: StringProperty(name="Bone", description="The bone that plays this part; empty for none")


def _is_other_armature(_, candidate: bpy.types.Object) -> bool:
    return candidate.type == "ARMATURE"


class FitProperties:
    """Settings of the scene for the fit."""

    fit_target: PointerProperty(
        type=bpy.types.Object,
        name="Character",
        description="The armature that is to play the take",
        poll=_is_other_armature,
    )
    fit_arms_deg: FloatProperty(
        name="Arms out by degrees",
        default=0.0,
        min=0.0,
        max=60.0,
        description="Hold hanging arms this many degrees clear of a broad body",
    )
    fit_feet: BoolProperty(
        name="Plant feet", default=True, description="Bend the legs so that planted feet stand still"
    )


CLASSES = (TAKEMILL_PG_part,)
