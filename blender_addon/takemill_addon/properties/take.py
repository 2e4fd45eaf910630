"""What is kept of a body, and the settings of its fit to another character."""

from __future__ import annotations

import math

import bpy
from bpy.props import BoolProperty, EnumProperty, FloatProperty, StringProperty

from takemill.fit.part_of_body import PARTS
from takemill.goals.goals import KINDS

from .overridable import overridable

POSTURE_ITEMS = (
    (
        "keep",
        "Keep the Character's",
        "What the performer turns away from rest is added to the character's rest",
    ),
    ("match", "Match the Performer's", "The character is held as the performer is, whatever either rests in"),
)
GOAL_ITEMS = (
    ("hands", "Hands", "A hand on the other hand: they meet again"),
    ("prop", "Prop", "Two hands on one thing: the same distance as the performer's, in arm lengths"),
    ("body", "Body", "A hand on the own body: on the same place of the character's"),
    ("floor", "Floor", "Hands, elbows, knees or hips on the floor: they lie on it, and do not slide"),
    (
        "support",
        "Support",
        "Hips, hands, elbows or knees on a chair, a box or a bench, scaled as the legs are",
    ),
)
PART_ITEMS = (
    ("whole", "Whole Body", "All of the body, in a new action"),
    ("upper_body", "Upper Body", "Chest, arms and head; the spine goes over from the hips' motion to theirs"),
    ("arms", "Both Arms", "The arms, as they move on the chest"),
    ("left_arm", "Left Arm", "The left arm, as it moves on the chest"),
    ("right_arm", "Right Arm", "The right arm, as it moves on the chest"),
    ("legs", "Hips and Legs", "Hips, legs and path; the spine goes over to the upper body's motion"),
)
assert tuple(part for part, *_ in PART_ITEMS) == PARTS


@overridable
class TAKEMILL_PG_part(bpy.types.PropertyGroup):
    """A body part; its name is the property group's own name."""

    bone: StringProperty(name="Bone", description="The bone that this part is mapped to; empty for none")


def _poses(_, context: bpy.types.Context, typed: str) -> list[str]:
    """What may stand in the field of the reference pose: a word, and the other takes."""
    takes = [one.takemill.file or one.name for one in bpy.data.actions if not one.takemill.source]
    known = ["rest", f"{context.scene.frame_current}f", *dict.fromkeys(takes)]
    return [one for one in known if typed.casefold() in one.casefold()]


class IntakeProperties:
    """Settings of the scene for how takes are read."""

    intake_reference: StringProperty(
        name="Reference Pose",
        description="The upright pose from which front, soles and hinges are read: a second of the take "
        "(1.5), a frame of it (90f), another take by its name, or rest; found where this is empty",
        search=_poses,
        search_options={"SUGGESTION"},
    )
    intake_accept: BoolProperty(
        name="Accept",
        description="Take in and pack what looks like no body on a floor, or plays at another speed",
    )


def rest_pose_field():
    """The field of an Action whose first pose counts as a character's rest."""
    return StringProperty(
        name="Rest Pose",
        description="An action of the character: its first pose stands beside the performer's rest pose; "
        "empty for the armature's own",
    )


def hand_pose_field():
    """The field of an Action whose first pose hands hold."""
    return StringProperty(
        name="Hands",
        description="An action of the character: its first pose is held by hands while the take has no "
        "fingers; empty for the rest pose",
    )


class FitProperties:
    """Settings of the scene for the fit."""

    fit_arm_clearance: FloatProperty(
        name="Arm Clearance",
        subtype="ANGLE",
        default=0.0,
        min=0.0,
        max=math.radians(90),
        soft_max=math.radians(60),
        description="Hold hanging arms out by this angle, clear of a broad body",
    )
    fit_clear_arms: BoolProperty(
        name="Clear Arms",
        default=True,
        description="Turn arms out of trunk, head and thighs where the character's mesh would meet itself",
    )
    fit_feet: BoolProperty(
        name="Pin Feet", default=True, description="Bend the legs so that planted feet stay in place"
    )
    fit_rest_pose: rest_pose_field()
    fit_hand_pose: hand_pose_field()
    fit_posture: EnumProperty(
        name="Posture",
        items=POSTURE_ITEMS,
        default="keep",
        description="How hips, trunk, head and collar bones are held where the two rest poses differ",
    )
    fit_goals: EnumProperty(
        name="Keep",
        items=GOAL_ITEMS,
        options={"ENUM_FLAG"},
        default=set(KINDS),
        description="Which contacts of hands and body the character keeps",
    )
    fit_part: EnumProperty(
        name="Part",
        items=PART_ITEMS,
        default="whole",
        description="What of the body is fitted; a part is merged onto the character's active action",
    )
    fit_part_blend_s: FloatProperty(
        name="Blend", default=0.2, min=0.0, soft_max=1.0, unit="TIME_ABSOLUTE",
        description="How long a part comes and goes where the take begins or ends inside the active action",
    )  # fmt: skip
    fit_take_wins: BoolProperty(
        name="Replace Own Motion",
        description="Let the take move jaw, eyes, fingers, tail and props also where the character's active "
        "action moves them; otherwise those keep what they play",
    )


CLASSES = (TAKEMILL_PG_part,)
