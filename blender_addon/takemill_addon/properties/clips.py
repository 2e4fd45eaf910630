"""What is kept of cuts and clips, and the settings of their loops and their root motion."""

from __future__ import annotations

import bpy
from bpy.props import (
    BoolProperty,
    EnumProperty,
    FloatProperty,
    IntProperty,
    PointerProperty,
)

from takemill.clip import cuts, loop_close, root_motion

ROOT_MOTION = (
    ("root", "On the root bone", "The way over the floor goes to the root bone, for the engine to read"),
    ("in_place", "Taken away", "The clip stays on the spot; the game moves the character itself"),
    ("keep", "On the hips", "The way stays where the take has it"),
)
KINDS = tuple(
    (kind, label, "")
    for kind, label in zip(cuts.KINDS, ("Standing", "Steps", "Strike", "Turn", "Jump", "Other"), strict=True)
)
assert {mode for mode, *_ in ROOT_MOTION} == set(root_motion.MODES)

_CLOSE, _WAY = loop_close.CloseSettings(), root_motion.RootMotionSettings()


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
        "below 0 as in Loops and Root motion",
    )
    root_motion: EnumProperty(
        name="Root motion", items=ROOT_MOTION, description="Where the way over the floor goes"
    )
    line: IntProperty(default=-1, description="Which clip of the loaded recipe it is; -1 for none")


class TAKEMILL_PG_clip(bpy.types.PropertyGroup):
    use: BoolProperty(name="Pack", default=True, description="Put this clip into the set")
    action: PointerProperty(type=bpy.types.Action)


class LoopProperties:
    """Settings of the scene for loops and root motion."""

    loop_longest_s: FloatProperty(
        name="Longest loop", default=0.0, min=0.0, soft_max=30.0, unit="TIME_ABSOLUTE",
        description="In seconds; 0 leaves it to the kind of motion: 4 s of steps, 20 s of standing",
    )  # fmt: skip
    seam_s: FloatProperty(
        name="Seam", default=_CLOSE.seam_s, min=0.02, soft_max=2.0, unit="TIME_ABSOLUTE",
        description="How far from a loop's seam its closing reaches, in seconds",
    )  # fmt: skip
    root_motion_turn: BoolProperty(
        name="Turning", default=_WAY.turn, description="The heading goes with the root motion"
    )
    root_motion_height: BoolProperty(
        name="Rise and fall",
        default=_WAY.height,
        description="The height of the hips goes with the root motion",
    )
    root_motion_smooth_hz: FloatProperty(
        name="Smoothing", default=_WAY.smooth_hz, min=0.0, soft_max=10.0,
        description="Low-pass of the root motion in Hz: the hips keep their sway; 0 follows the hips exactly",
    )  # fmt: skip


CLASSES = (TAKEMILL_PG_cut, TAKEMILL_PG_clip)
