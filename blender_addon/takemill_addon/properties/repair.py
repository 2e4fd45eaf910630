"""What is kept of a take's health, and the settings of its repair."""

from __future__ import annotations

import bpy
from bpy.props import BoolProperty, EnumProperty, FloatProperty, IntProperty, StringProperty

from takemill.health import table

REPAIR_STEPS = (
    "frozen", "spikes", "jitter", "dropouts", "late_sensors", "slips", "sensor_heading", "calibration",
    "heading", "path", "floor", "pin",
)  # fmt: skip


FINDING_KINDS = (
    ("ALL", "All Kinds", "Show the findings of all kinds"),
    *(
        (kind, kind.replace("_", " ").title(), f"Show the findings of the kind {kind} alone")
        for kind in table.KINDS
    ),
)
FINDING_ORDERS = (
    ("TIME", "By Time", "The findings in the order of their frames"),
    ("SIZE", "By Size", "The largest of each kind first"),
)
REPAIR_FIELDS = (
    *("repair_profile", "repair_path_from", "repair_amount"),
    *(f"repair_{step}" for step in REPAIR_STEPS),
)
"""The fields of the scene that say what a repair does, not where."""


class TAKEMILL_PG_finding(bpy.types.PropertyGroup):
    """A finding in scene frames. One that is `accepted` is left: no repair touches its bone there."""

    kind: StringProperty()
    joint: StringProperty()
    start: IntProperty(description="First scene frame")
    stop: IntProperty(description="Scene frame after the last")
    amount: FloatProperty()
    unit: StringProperty()
    repaired: BoolProperty()
    accepted: BoolProperty()
    message: StringProperty()


class RepairProperties:
    """Settings of the scene for the list of findings and for the repair."""

    finding_kind: EnumProperty(
        name="Kind", items=FINDING_KINDS, default="ALL", description="Which findings the list shows"
    )
    finding_order: EnumProperty(
        name="Order",
        items=FINDING_ORDERS,
        default="TIME",
        description="Which findings stand first in the list",
    )
    repair_amount: FloatProperty(
        name="Amount", default=100.0, min=0.0, max=100.0, subtype="PERCENTAGE", precision=0,
        description="How much of the repair the take gets, of all joints and the path; less keeps some of "
        "what was recorded",
    )  # fmt: skip
    repair_profile: EnumProperty(
        name="Recorded By",
        items=(
            ("FOUND", "Automatic", "Found by the noise of the take's joints, and by how its feet stand"),
            ("suit", "Inertial Suit", "Sensors: noise, drift and sliding feet are repaired"),
            (
                "optical",
                "Optical Cameras",
                "The path was measured: noise, path, heading and feet stay as they are",
            ),
            (
                "cleaned",
                "Cleaned or Keyed",
                "By an animator: noise, path, heading and feet stay as they are",
            ),
        ),
        description="What recorded the take, which decides what is repaired",
    )
    repair_path_from: EnumProperty(
        name="Path From",
        items=(
            ("take", "Take as It Came", "The body stays where the take has it, also when it walks in place"),
            (
                "feet",
                "Feet",
                "Find the path anew, so that the feet that carry the body stand; and its height, where the "
                "take has none",
            ),
            ("auto", "Feet Where Missing", "The same, where the feet walk while the hips stay in place"),
        ),
        description="Where the path of the body comes from: takes of rotations only, and those that walk in "
        "place, have none",
    )
    repair_frozen: BoolProperty(
        name="Frozen Frames", default=True, description="Bridge frames in which a sensor repeats itself"
    )
    repair_spikes: BoolProperty(
        name="Spikes", default=True, description="Bridge the few frames in which a sensor jumps away"
    )
    repair_jitter: BoolProperty(
        name="Jitter", default=True, description="Calm each sensor's noise, and no more than its noise"
    )
    repair_dropouts: BoolProperty(
        name="Dropouts",
        default=True,
        description="Bridge up to a second in which one sensor is held still in the room, by what the rest "
        "of the body does",
    )
    repair_late_sensors: BoolProperty(
        name="Late Sensors",
        default=True,
        description="Shift a sensor whose data come some frames after those of its neighbours",
    )
    repair_slips: BoolProperty(
        name="Slipped Sensors",
        default=True,
        description="Turn back a sensor that slips on its limb during the take, from that moment on",
    )
    repair_sensor_heading: BoolProperty(
        name="Sensor Heading",
        default=True,
        description="Take out the slow turning of single sensors, as knees, elbows and steady poses show it",
    )
    repair_calibration: BoolProperty(
        name="Sensor Misalignment",
        default=False,
        description="Correct how askew the sensors sat, as a T or A pose near an end of the take shows it; "
        "with poses at both ends, also what slipped or turned between them",
    )
    repair_same_pose_s: StringProperty(
        name="Same Pose",
        description="Two stretches, in seconds of the take, in which the performer holds one and the same "
        "pose: start and stop of each, as in 0.5 1.5 40 41. What slipped or turned between them is "
        "corrected. Empty for none",
    )
    repair_heading: BoolProperty(
        name="Heading Drift", default=True, description="Take out the slow turning of the whole take"
    )
    repair_path: BoolProperty(
        name="Path Drift", default=True, description="Take out the slow slipping of the whole take"
    )
    repair_floor: BoolProperty(
        name="Floor Height", default=True, description="Move the take so that planted feet stand at height 0"
    )
    repair_pin: BoolProperty(
        name="Pin Feet",
        default=True,
        description="Hold planted feet in place where sensors show noise or the profile is set to a suit's",
    )
    repair_bones: EnumProperty(
        name="Bones",
        items=(
            ("ALL", "All", "Repair the sensors of all bones"),
            (
                "SELECTED",
                "Selected",
                "Repair just the sensors of the selected bones, and pin the feet when both are among them",
            ),
        ),
        description="Which bones' sensors are repaired",
    )
    repair_frames: EnumProperty(
        name="Frames",
        items=(
            ("ALL", "All", "Repair sensors and feet in the whole take"),
            ("PREVIEW", "Preview Range", "Repair sensors and feet in the preview range of the timeline"),
            (
                "MARKERS",
                "Between Markers",
                "Repair sensors and feet between the selected pose markers of the action",
            ),
        ),
        description="Which frames of sensors and feet are repaired",
    )


CLASSES = (TAKEMILL_PG_finding,)
