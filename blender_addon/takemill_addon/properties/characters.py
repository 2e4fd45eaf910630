"""The characters that takes are fitted to, and what of the fit is other for one of them."""

from __future__ import annotations

import math

import bpy
from bpy.props import (
    BoolProperty,
    CollectionProperty,
    EnumProperty,
    FloatProperty,
    IntProperty,
    PointerProperty,
)

from .take import POSTURE_ITEMS, hand_pose_field, rest_pose_field


def _is_armature(_, candidate: bpy.types.Object) -> bool:
    return candidate.type == "ARMATURE"


class TAKEMILL_PG_character(bpy.types.PropertyGroup):
    """A character that takes are fitted to; what stands here beside `own` counts for it alone."""

    armature: PointerProperty(
        type=bpy.types.Object,
        name="Armature",
        description="The armature of this character",
        poll=_is_armature,
    )
    use: BoolProperty(
        name="Use",
        default=True,
        description="Fit the take to this character, make its clips, and pack them",
    )
    own: BoolProperty(
        name="Own Settings", description="Use the settings below for this character instead of those of all"
    )
    clear_arms: BoolProperty(
        name="Clear Arms",
        default=True,
        description="Turn arms out of trunk, head and thighs where this character's mesh would meet itself",
    )
    arm_clearance: FloatProperty(
        name="Arm Clearance", subtype="ANGLE", default=0.0, min=0.0, max=math.radians(90),
        soft_max=math.radians(60),
        description="Hold this character's hanging arms out by this angle, clear of a broad body",
    )  # fmt: skip
    feet: BoolProperty(
        name="Pin Feet", default=True, description="Bend the legs so that planted feet stay in place"
    )
    take_wins: BoolProperty(
        name="Replace Own Motion",
        description="Let the take move jaw, eyes, fingers, tail and props of this character also where its "
        "active action moves them",
    )
    posture: EnumProperty(
        name="Posture",
        items=POSTURE_ITEMS,
        default="keep",
        description="How hips, trunk, head and collar bones are held where the two rest poses differ",
    )
    rest_pose: rest_pose_field()
    hand_pose: hand_pose_field()


class CharactersProperties:
    """Settings of the scene for the characters."""

    characters: CollectionProperty(type=TAKEMILL_PG_character)
    character_index: IntProperty(
        name="Character", description="Click a character: its settings stand below the list"
    )
    performer_clips: BoolProperty(
        name="Clips of the Performer",
        default=True,
        description="Make the clips on the performer too, and not on the ticked characters alone",
    )


CLASSES = (TAKEMILL_PG_character,)
