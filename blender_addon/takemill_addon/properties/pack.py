"""The settings of packing."""

from __future__ import annotations

from bpy.props import BoolProperty, EnumProperty, FloatProperty, StringProperty

from takemill.keys import reduce


class PackProperties:
    """Settings of the scene for the clip set."""

    pack_characters: EnumProperty(
        name="Characters",
        items=(
            (
                "TICKED",
                "Ticked Characters",
                "Pack the clips of each ticked character, of several into folders of their own names; where "
                "none is ticked, those of the active armature",
            ),
            ("ACTIVE", "Active Armature", "Pack the clips of the active armature into the folder"),
        ),
        description="Whose clips are packed",
    )
    set_folder: StringProperty(
        name="Folder",
        subtype="DIR_PATH",
        options={"ANIMATABLE", "PATH_SUPPORTS_BLEND_RELATIVE"},
        default="//clips",
        description="Where the clip set is written",
    )
    set_name: StringProperty(
        name="Name", description="Name of the set and its file; empty for the character's own"
    )
    set_files: EnumProperty(
        name="Files",
        items=(
            ("one", "One File", "One GLB with the mesh and all clips"),
            ("each", "Each Clip", "A GLB for each clip, with the mesh in it"),
            (
                "separate",
                "Mesh and Clips Separate",
                "One GLB with the mesh, and one for each clip without it",
            ),
        ),
        description="Which files the mesh and the clips go into",
    )
    set_fbx: EnumProperty(
        name="FBX",
        items=(
            ("none", "None", "Write no FBX files"),
            ("one", "One File", "One FBX with the mesh and all clips, beside the GLB"),
            ("each", "Each Clip", "An FBX for each clip, with the mesh in it"),
        ),
        description="Which FBX files are written beside the GLB, for engines that read those",
    )
    set_keys: EnumProperty(
        name="Keys",
        items=(
            ("linear", "Linear", "Write linear keys, which every engine reads right"),
            (
                "smallest",
                "Smallest",
                "Write cubic splines where they are smaller; some engines read those wrongly",
            ),
            (
                "cubic",
                "Cubic Spline",
                "Write cubic splines, but where they miss the tolerance; some engines read those wrongly",
            ),
        ),
        description="How the engine goes from one key to the next",
    )
    set_floats: BoolProperty(
        name="32-bit Rotations",
        default=False,
        description="Write floats for readers that do not know glTF's 16-bit rotations; twice as large",
    )
    set_rate: FloatProperty(
        name="Frame Rate", default=0.0, min=0.0, max=1000.0, soft_max=240.0,
        description="Frames per second of the packed clips",
    )  # fmt: skip
    set_rate_own: BoolProperty(
        name="Own Frame Rate",
        description="Pack the clips at another frame rate than the scene's",
        get=lambda scene: scene.set_rate > 0,
        set=lambda scene, on: setattr(scene, "set_rate", 30.0 if on else 0.0),
    )
    deform_only: BoolProperty(
        name="Deform Bones Only",
        default=False,
        description="Leave out control bones: those that neither deform the mesh nor carry one that does",
    )
    max_error_mm: FloatProperty(
        name="Tolerance", subtype="DISTANCE_CAMERA",
        default=1000 * reduce.ReduceSettings().max_error_m,
        min=1e-6, soft_min=0.01, soft_max=5.0,
        description="How far a joint may lie from the motion for the sake of a smaller file",
    )  # fmt: skip
