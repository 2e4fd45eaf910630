"""What is kept of a body, and the settings of its fit to another character."""

from __future__ import annotations

import math

import bpy
from bpy.props import BoolProperty, FloatProperty, PointerProperty, StringProperty


class TAKEMILL_PG_part(bpy.types.PropertyGroup):
    """A body part; its name is the property group's own name."""

    bone: StringProperty(name="Bone", description="The bone that this part is mapped to; empty for none")


def _is_other_armature(_, candidate: bpy.types.Object) -> bool:
    return candidate.type == "ARMATURE"


class FitProperties:
    """Settings of the scene for the fit."""

    fit_target: PointerProperty(
        type=bpy.types.Object,
        name="Character",
        description="The armature that the take is fitted to",
        poll=_is_other_armature,
    )
    fit_arm_clearance: FloatProperty(
        name="Arm Clearance",
        subtype="ANGLE",
        default=0.0,
        min=0.0,
        max=math.radians(90),
        soft_max=math.radians(60),
        description="Hold hanging arms out by this angle, clear of a broad body",
    )
    fit_feet: BoolProperty(
        name="Pin Feet", default=True, description="Bend the legs so that planted feet stay in place"
    )


CLASSES = (TAKEMILL_PG_part,)
