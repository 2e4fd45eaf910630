"""What is kept of cuts and clips, and the settings of their loops and their root motion."""

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

from takemill.clip import root_motion
from takemill.cuts import cuts
from takemill.loops import loop_close, loop_search

from ..bridge.scene import renamed_actions
from ..bridge.takes import clip_names
from .overridable import overridable

ROOT_MOTION = (
    ("root", "On Root Bone", "The path over the floor goes to the root bone, where the engine reads it"),
    ("in_place", "In Place", "The clip stays in place; the game moves the character by itself"),
    ("keep", "Keep on Hips", "The path stays on the hips, where the take has it"),
)
KINDS = (
    ("idle", "Idle", "The body rests, upright or not"),
    ("locomotion", "Locomotion", "The body goes over the floor: it walks, runs or crawls"),
    ("turn", "Turn", "The body turns where it stands"),
    ("strike", "Strike", "A hand or a foot is thrown out and stops sharply, once or several times"),
    ("dodge", "Dodge", "Head and trunk leave the line and come back: a duck, a slip"),
    ("jump", "Jump", "Both feet leave the floor"),
    ("fall", "Fall", "The body goes down to the floor"),
    ("lying", "Lying", "The body lies or sits on the floor"),
    ("get_up", "Get Up", "The body gets up from the floor"),
    ("roll", "Roll", "Over head and back along the floor"),
    ("gesture", "Gesture", "The arms alone move"),
    ("other", "Other", "The body does something else"),
)
COMBINATIONS = (
    ("whole", "Whole", "A combination of strikes is one cut"),
    ("parts", "Parts", "Each strike of a combination is a cut of its own"),
)
GAITS = (
    ("whole", "Whole", "Locomotion from rest to rest is one cut"),
    ("parts", "Parts", "Its start, loop, turns and stop are cuts of their own, which meet in one pose"),
)
BAD_SEAMS = (
    ("refuse", "Refuse", "The clip is not made, and what limits its seam is said"),
    ("one_shot", "Make a One-Shot", "The clip is made, and plays once"),
    ("keep", "Close All the Same", "The clip is made a loop, however far its ends are from each other"),
)
assert tuple(word for word, *_ in COMBINATIONS) == cuts.COMBINATIONS
assert tuple(word for word, *_ in GAITS) == cuts.GAITS
assert tuple(word for word, *_ in BAD_SEAMS) == loop_search.BAD_SEAMS
assert tuple(kind for kind, *_ in KINDS) == cuts.KINDS
assert {mode for mode, *_ in ROOT_MOTION} == set(root_motion.MODES)

_CLOSE, _ROOT_MOTION = loop_close.CloseSettings(), root_motion.RootMotionSettings()


class TAKEMILL_PG_seam(bpy.types.PropertyGroup):
    """Two frames of a take that can be a loop's ends, and how far its poses are from each other there."""

    start: IntProperty(description="First scene frame of the loop")
    end: IntProperty(description="Its last scene frame, whose pose repeats the first")
    gap_cm: FloatProperty()
    quality: StringProperty()
    note: StringProperty()


class TAKEMILL_PG_cut(bpy.types.PropertyGroup):
    """A stretch of a take that is to become a clip; its name is the clip's."""

    use: BoolProperty(name="Make", default=True, description="Make a clip of this cut")
    kind: EnumProperty(
        name="Kind", items=KINDS, default="other", description="What the body does in this clip"
    )
    start: IntProperty(name="From", description="First scene frame of the cut")
    end: IntProperty(name="To", description="Last scene frame of the cut")
    loop: BoolProperty(name="Loop", description="Make the clip a loop, with its seam closed")
    search: BoolProperty(
        name="Find Best Seam",
        default=True,
        description="Take the best loop inside the cut; otherwise the cut's ends are the seam",
    )
    of_length: BoolProperty(
        name="Of a Length",
        description="Make an idle of any length of the calm in this cut: parts in an order of their own that "
        "breathe on over every join, with the feet at one place",
    )
    length_s: FloatProperty(
        name="Length", default=30.0, min=1.0, max=600.0, soft_max=120.0, unit="TIME_ABSOLUTE",
        description="About how long the idle lasts. Where a breath is seen in it, it holds whole breaths",
    )  # fmt: skip
    seed: IntProperty(
        name="Seed", min=0, max=100_000, soft_max=100,
        description="Another number gives another order of the parts",
    )  # fmt: skip
    in_parts: BoolProperty(
        name="Start, Loop and Stop",
        description="Make the gait from rest to rest as its start, loop, turns and stop, each a clip, "
        "which follow each other without a blend",
    )
    follows: StringProperty(
        name="Follows",
        description="The cut, a loop, in whose first pose and speed this clip begins; empty for none",
    )
    leads_to: StringProperty(
        name="Leads To",
        description="The cut, a loop, in whose first pose and speed this clip ends; empty for none",
    )
    override_smoothing: BoolProperty(
        name="Override",
        description="Smooth this clip's root motion by a value of its own; otherwise Smoothing of "
        "Loops and Root Motion holds",
    )
    smooth_hz: FloatProperty(
        name="Root Smoothing",
        default=0.0,
        subtype="FREQUENCY",
        min=0.0,
        soft_max=10.0,
        description="Low-pass of this clip's root track, so that the hips keep their sway; "
        "0 follows the hips exactly",
    )
    root_motion: EnumProperty(
        name="Root Motion", items=ROOT_MOTION, description="Where the path over the floor and the turn go"
    )
    seams: CollectionProperty(type=TAKEMILL_PG_seam)
    seam_index: IntProperty(
        name="Seam", default=-1, description="Choose a seam to play it, or to make it that of the loop"
    )
    line: IntProperty(default=-1, description="Which clip of the loaded recipe it is; -1 for none")
    why: StringProperty(description="Why a suggested cut has its kind, and how sure that is")
    given_name: StringProperty(description="The name that it was loaded or suggested with")
    given_kind: StringProperty(description="The kind that it was loaded or suggested with")


@overridable
class TAKEMILL_PG_clip(bpy.types.PropertyGroup):
    """A clip of an armature. Its `label` is its name, which its Action, cut and fellows follow."""

    use: BoolProperty(name="Pack", default=True, description="Put this clip into the set")
    label: StringProperty(
        name="Name",
        description="Name of the clip: its action, its cut and the same clip of other characters follow",
        get=lambda clip: clip.name,
        set=clip_names.rename,
    )
    action: PointerProperty(type=bpy.types.Action, update=renamed_actions.note_names)
    listed_as: StringProperty(description="Its own name when it got its action")
    known_as: StringProperty(description="The name that its action had then")


class LoopProperties:
    """Settings of the scene for loops and root motion."""

    cut_combinations: EnumProperty(
        name="Combinations", items=COMBINATIONS, default="whole",
        description="What becomes of several strikes without a guard between them, when cuts are suggested",
    )  # fmt: skip
    cut_gaits: EnumProperty(
        name="Gaits", items=GAITS, default="parts",
        description="What becomes of locomotion from rest to rest, when cuts are suggested",
    )  # fmt: skip
    cut_shot_list: StringProperty(
        name="Shot List",
        description="Names wanted for the cuts, between commas, in the order in which they were performed; "
        "each goes to the cut that fits it best",
    )
    cut_neutral: StringProperty(
        name="Neutral Clip",
        description="The clip in whose first pose one-shots start and end, so that each can follow each; "
        "empty for none",
    )
    cut_blend_frames: IntProperty(
        name="Blend Frames", default=0, min=0, soft_max=30, max=10_000,
        description="In so many frames at each end a one-shot goes over into the neutral clip's first pose",
    )  # fmt: skip
    loop_bad_seam: EnumProperty(
        name="Bad Seams", items=BAD_SEAMS, default="refuse",
        description="What becomes of a clip that is to be a loop, and whose best seam is bad",
    )  # fmt: skip
    loop_cycles: EnumProperty(
        name="Cycles",
        items=(
            ("0", "As Few as Repeat Well", "At least one whole cycle: left and right foot down once each"),
            ("1", "1", "A loop of one cycle"),
            ("2", "2", "A loop of two cycles"),
            ("4", "4", "A loop of four cycles"),
        ),
        description="How many cycles of a gait a loop of locomotion holds",
    )
    loop_longest_s: FloatProperty(
        name="Longest Loop", default=0.0, min=0.0, soft_max=30.0, unit="TIME_ABSOLUTE",
        description="The longest loop to look for",
    )  # fmt: skip
    loop_limited: BoolProperty(
        name="Limit Loops",
        description="Look for loops up to a length; otherwise the kind says it: locomotion 4 s, four cycles "
        "8 s, an idle 20 s",
        get=lambda scene: scene.loop_longest_s > 0,
        set=lambda scene, on: setattr(scene, "loop_longest_s", 4.0 if on else 0.0),
    )
    seam_s: FloatProperty(
        name="Seam", default=_CLOSE.seam_s, min=1e-4, soft_min=0.02, soft_max=2.0, unit="TIME_ABSOLUTE",
        description="How far to each side of a loop's seam the motion is changed to close it",
    )  # fmt: skip
    root_motion_turn: BoolProperty(
        name="Turning", default=_ROOT_MOTION.turn, description="Count the heading as root motion"
    )
    root_motion_height: BoolProperty(
        name="Rise and Fall",
        default=_ROOT_MOTION.height,
        description="Count the height of the hips as root motion",
    )
    root_motion_smooth_hz: FloatProperty(
        name="Smoothing", default=_ROOT_MOTION.smooth_hz, subtype="FREQUENCY",
        min=0.0, soft_max=10.0,
        description="Low-pass of the root motion: the hips keep their sway; 0 follows the hips exactly",
    )  # fmt: skip


CLASSES = (TAKEMILL_PG_seam, TAKEMILL_PG_cut, TAKEMILL_PG_clip)
