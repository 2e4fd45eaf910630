"""What the add-on keeps in the .blend.

With an armature its body map and clips, with an Action its findings and cuts, with the scene the settings.
"""

from __future__ import annotations

import bpy
from bpy.props import (
    BoolProperty,
    CollectionProperty,
    EnumProperty,
    FloatProperty,
    IntProperty,
    PointerProperty,
    StringProperty,
)

from takemill import cuts, loop_close, reduce, travel

TRAVEL = (
    ("root", "On the root bone", "The way over the floor goes to the root bone, for the engine to read"),
    ("in_place", "Taken away", "The clip stays on the spot; the game moves the character itself"),
    ("keep", "On the hips", "The way stays where the take has it"),
)
KINDS = tuple(
    (kind, label, "")
    for kind, label in zip(cuts.KINDS, ("Standing", "Steps", "Strike", "Turn", "Jump", "Other"), strict=True)
)
REPAIR_STEPS = ("frozen", "spikes", "jitter", "heading", "path", "floor", "pin")
assert {mode for mode, *_ in TRAVEL} == set(travel.MODES)


class TAKEMILL_PG_part(bpy.types.PropertyGroup):
    """A body part; its name is the property group's own name."""

    bone: StringProperty(name="Bone", description="The bone that plays this part; empty for none")


class TAKEMILL_PG_finding(bpy.types.PropertyGroup):
    kind: StringProperty()
    joint: StringProperty()
    start: IntProperty(description="First scene frame")
    stop: IntProperty(description="Scene frame after the last")
    amount: FloatProperty()
    unit: StringProperty()
    mended: BoolProperty()
    message: StringProperty()


class TAKEMILL_PG_cut(bpy.types.PropertyGroup):
    """A stretch of a take that is to become a clip; its name is the clip's."""

    use: BoolProperty(name="Make", default=True, description="Make a clip of this cut")
    kind: EnumProperty(name="Kind", items=KINDS, default="other", description="What the body does")
    start: IntProperty(name="From", description="First scene frame of the cut")
    end: IntProperty(name="To", description="Last scene frame of the cut")
    loop: BoolProperty(name="Repeats", description="The clip is a loop: its seam is closed")
    search: BoolProperty(
        name="Look for the Seam",
        default=True,
        description="Take the best loop inside the cut; otherwise the cut's ends are the seam",
    )
    smooth_hz: FloatProperty(
        name="Root Smoothing",
        default=-1.0,
        min=-1.0,
        soft_max=10.0,
        description="Low-pass of this clip's root track in hertz, so that the hips keep their sway; "
        "below 0 as in Loops and Travel",
    )
    travel: EnumProperty(name="Travel", items=TRAVEL, description="Where the way over the floor goes")


class TAKEMILL_PG_action(bpy.types.PropertyGroup):
    """What is known of an Action.

    `source` names the Action that it was made from and keeps it from being lost on saving. `record` is a
    finished clip's facts as JSON, empty for takes.
    """

    source: PointerProperty(type=bpy.types.Action)
    evaluated: StringProperty()
    measures: StringProperty()
    findings: CollectionProperty(type=TAKEMILL_PG_finding)
    finding_index: IntProperty()
    cuts: CollectionProperty(type=TAKEMILL_PG_cut)
    cut_index: IntProperty()
    record: StringProperty()


class TAKEMILL_PG_clip(bpy.types.PropertyGroup):
    use: BoolProperty(name="Pack", default=True, description="Put this clip into the set")
    action: PointerProperty(type=bpy.types.Action)


class TAKEMILL_PG_armature(bpy.types.PropertyGroup):
    """What is known of an armature object: its body map, and the clips made for it."""

    height_m: FloatProperty(description="How tall the body stood in the scene when it was mapped, metres")
    parts: CollectionProperty(type=TAKEMILL_PG_part)
    part_index: IntProperty()
    clips: CollectionProperty(type=TAKEMILL_PG_clip)
    clip_index: IntProperty()


def _is_other_armature(_, candidate: bpy.types.Object) -> bool:
    return candidate.type == "ARMATURE"


_CLOSE, _WAY = loop_close.CloseSettings(), travel.TravelSettings()


class TAKEMILL_PG_scene(bpy.types.PropertyGroup):
    """Settings of the stages; the defaults are the core's."""

    mend_frozen: BoolProperty(
        name="Frozen frames", default=True, description="Bridge frames in which a sensor repeats itself"
    )
    mend_spikes: BoolProperty(
        name="Spikes", default=True, description="Bridge the few frames in which a sensor jumps away"
    )
    mend_jitter: BoolProperty(
        name="Jitter", default=True, description="Calm each sensor's noise, and no more than its noise"
    )
    mend_heading: BoolProperty(
        name="Heading drift", default=True, description="Take out the slow turning of the whole take"
    )
    mend_path: BoolProperty(
        name="Path drift", default=True, description="Take out the slow slipping of the whole take"
    )
    mend_floor: BoolProperty(
        name="Floor height", default=True, description="Move the take so that standing feet stand at height 0"
    )
    mend_pin: BoolProperty(
        name="Skating feet", default=True, description="Pin planted feet, where sensors show noise or faults"
    )
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
    loop_longest_s: FloatProperty(
        name="Longest loop", default=0.0, min=0.0, soft_max=30.0, unit="TIME_ABSOLUTE",
        description="In seconds; 0 leaves it to the kind of motion: 4 s of steps, 20 s of standing",
    )  # fmt: skip
    seam_s: FloatProperty(
        name="Seam", default=_CLOSE.seam_s, min=0.02, soft_max=2.0, unit="TIME_ABSOLUTE",
        description="How far from a loop's seam its closing reaches, in seconds",
    )  # fmt: skip
    travel_turn: BoolProperty(
        name="Turning", default=_WAY.turn, description="The heading goes with the travel"
    )
    travel_height: BoolProperty(
        name="Rise and fall", default=_WAY.height, description="The height of the hips goes with the travel"
    )
    travel_smooth_hz: FloatProperty(
        name="Smoothing", default=_WAY.smooth_hz, min=0.0, soft_max=10.0,
        description="Low-pass of the travel in Hz: the hips keep their sway; 0 follows the hips exactly",
    )  # fmt: skip
    set_folder: StringProperty(
        name="Folder",
        subtype="DIR_PATH",
        options={"ANIMATABLE", "PATH_SUPPORTS_BLEND_RELATIVE"},
        default="//clips",
        description="Where the clip set is written",
    )
    set_name: StringProperty(
        name="Name", description="Of the set and its file; empty for the character's own"
    )
    set_rate: FloatProperty(
        name="Frames per second", default=0.0, min=0.0, max=240.0,
        description="Of the packed clips; 0 keeps the scene's rate",
    )  # fmt: skip
    deform_only: BoolProperty(
        name="Only bones that deform",
        default=False,
        description="Leave out control bones: those that neither deform the mesh nor carry one that does",
    )
    max_error_mm: FloatProperty(
        name="Tolerance in mm", default=1000 * reduce.ReduceSettings().max_error_m, min=0.01, soft_max=5.0,
        description="How far a joint may stray for the sake of a smaller file, in millimetres",
    )  # fmt: skip


CLASSES = (
    TAKEMILL_PG_part,
    TAKEMILL_PG_finding,
    TAKEMILL_PG_cut,
    TAKEMILL_PG_action,
    TAKEMILL_PG_clip,
    TAKEMILL_PG_armature,
    TAKEMILL_PG_scene,
)
_HOLDERS = (
    (bpy.types.Action, TAKEMILL_PG_action),
    (bpy.types.Object, TAKEMILL_PG_armature),
    (bpy.types.Scene, TAKEMILL_PG_scene),
)


def attach() -> None:
    """Give Actions, objects and scenes their `takemill` property."""
    for holder, group in _HOLDERS:
        holder.takemill = PointerProperty(type=group)


def detach() -> None:
    """Take it away again; the data stays in the file."""
    for holder, _ in reversed(_HOLDERS):
        if hasattr(holder, "takemill"):
            del holder.takemill
