"""The settings of packing."""

from __future__ import annotations

from bpy.props import BoolProperty, EnumProperty, FloatProperty, StringProperty

from takemill.keys import reduce


class PackProperties:
    """Settings of the scene for the clip set."""

    pack_characters: EnumProperty(
        name="Characters",
        items=(
            ("ACTIVE", "Active Character", "Pack the clips of the active armature into the folder"),
            (
                "SELECTED",
                "Selected Characters",
                "Pack the clips of each selected armature into a folder of its own name",
            ),
        ),
    )
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
    set_files: EnumProperty(
        name="Files",
        items=(
            ("one", "One", "One GLB with the mesh and all clips"),
            ("each", "Each Clip", "A GLB for each clip, with the mesh in it"),
            (
                "separate",
                "Mesh and Clips Separate",
                "One GLB with the mesh, and one for each clip without it",
            ),
        ),
        description="How mesh and clips are parted among files",
    )
    set_keys: EnumProperty(
        name="Keys",
        items=(
            ("linear", "Straight", "Keys that every engine plays right"),
            (
                "smallest",
                "Smallest",
                "Curved keys too, where they are smaller; some engines play those wrongly",
            ),
            (
                "cubic",
                "Curved",
                "Cubic keys, but in clips where they would stray; some engines play those wrongly",
            ),
        ),
        description="What lies between two keys",
    )
    set_floats: BoolProperty(
        name="Keys as floats",
        default=False,
        description="32-bit floats for readers that do not know glTF's 16-bit rotations; twice as large",
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
