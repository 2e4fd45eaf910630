"""Takes from files: the first step of the work."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import bpy
from bpy_extras.io_utils import ImportHelper

from takemill.base.errors import TakemillError
from takemill.body.body_map import BodyMap
from takemill.body.skeleton import Skeleton

from ..bridge.scene import paths, scene_time
from ..bridge.scene.steps import Steps, within
from ..bridge.takes import foreign, imports, recipe, reference, stage
from ..bridge.takes.imports import Arrival, Wishes

# Metres by the items of the field; inch and foot are exact (international yard and pound agreement, 1959).
_UNITS = {"M": 1.0, "CM": 0.01, "MM": 0.001, "INCH": 0.0254, "FOOT": 0.3048}
_UP = {"Y": "Y", "Z": "Z", "X": "X", "MINUS_Y": "-Y", "MINUS_Z": "-Z", "MINUS_X": "-X"}


class TAKEMILL_OT_import_take(stage.Stage, bpy.types.Operator, ImportHelper):
    """Bring takes in from files, each as an action: unit, up axis and frame rate as the file means them"""

    bl_idname = "takemill.import_take"
    bl_label = "Import Take"
    needs = ()
    filename_ext = ".bvh"

    filepath: paths.property_of_a_file()
    directory: bpy.props.StringProperty(subtype="DIR_PATH", options={"HIDDEN", "SKIP_SAVE"})
    files: bpy.props.CollectionProperty(
        type=bpy.types.OperatorFileListElement, options={"HIDDEN", "SKIP_SAVE"}
    )
    filter_glob: bpy.props.StringProperty(
        default=";".join(f"*{suffix}" for suffix in imports.SUFFIXES), options={"HIDDEN"}
    )
    unit: bpy.props.EnumProperty(
        name="Unit",
        items=(
            (
                "FOUND",
                "Found",
                "As the loaded recipe says, else the unit in which legs and trunk are a body's",
            ),
            ("M", "Metres", "One unit of the file is a metre"),
            ("CM", "Centimetres", "One unit of the file is a centimetre"),
            ("MM", "Millimetres", "One unit of the file is a millimetre"),
            ("INCH", "Inches", "One unit of the file is an inch"),
            ("FOOT", "Feet", "One unit of the file is a foot"),
        ),
        description="How long one unit of the file is; of a file that tells it, one of its metres",
    )
    up: bpy.props.EnumProperty(
        name="Up",
        items=(
            ("FOUND", "Found", "As the loaded recipe says, else the axis along which the body stands"),
            *(
                (key, axis.replace("-", "Negative "), f"The {axis} axis of the file points up")
                for key, axis in _UP.items()
            ),
        ),
        description="The axis of the file that points up",
    )
    start: bpy.props.IntProperty(
        name="Start Frame",
        default=0,
        min=0,
        description="Scene frame of a take's first one; at 0, frames are called as in recipes and messages",
    )
    timing: bpy.props.EnumProperty(
        name="Scene Timing",
        items=(
            (
                "AUTO",
                "Automatic",
                "Give the scene the take's frame rate and range while it has no other take",
            ),
            ("TAKE", "From the Take", "Give the scene the frame rate and range of the first take"),
            ("SCENE", "Keep", "Leave the scene alone; keys lie between its frames where the rates differ"),
        ),
        description="Whether the scene gets the take's frame rate and range",
    )
    onto_active: bpy.props.BoolProperty(
        name="Onto Active Rig",
        default=True,
        description="Where the active armature has the take's bones, give it the take as another action",
    )

    def invoke(self, context, event):
        if self.filepath or self.files:  # dropped onto the window
            self._asks = True
            return self.invoke_popup(context)
        return super().invoke(context, event)

    def run(self, context: bpy.types.Context) -> Steps[str]:
        asked = recipe.loaded_recipe(context.scene).intake
        wishes = Wishes(
            _UNITS.get(self.unit, asked.unit_m),
            _UP.get(self.up, asked.up),
            self.start,
            self.timing,
            self.onto_active,
        )
        with foreign.whole_or_not(context):
            steps = imports.import_takes.steps(context, self._chosen(), wishes)
            arrivals, failures = yield from within(steps, 0.0, 0.5)
            bodies: dict[bpy.types.Object, tuple[BodyMap, Skeleton]] = {}
            for k, arrival in enumerate(arrivals):
                share = 0.5 / len(arrivals)
                look = self._look_at(context, arrival, bodies)
                yield from within(look, 0.5 + k * share, 0.5 + (k + 1) * share)
        for armature, body in bodies.items():
            stage.keep_body(armature, *body)
        for failure in failures:
            self.report({"WARNING"}, f"left out: {failure}")
        return _summary(context.scene, arrivals, failures)

    def _chosen(self) -> list[Path]:
        """The files that were picked: several in a folder, or one."""
        names = [one.name for one in self.files if one.name]
        folder = paths.absolute(self.directory, "the folder") if names and self.directory else None
        if folder is not None:
            return [folder / name for name in names]
        return [paths.absolute(self.filepath)]

    def _look_at(
        self,
        context: bpy.types.Context,
        arrival: Arrival,
        bodies: dict[bpy.types.Object, tuple[BodyMap, Skeleton]],
    ) -> Steps[None]:
        """Say what a take was read as, and find the body of an armature that has none yet."""
        for note in arrival.notes:
            self.report({"INFO"}, f"{arrival.action.name}: {note}")
        try:
            work = yield from stage.work_on.steps(context, arrival.armature, arrival.action)
        except TakemillError as problem:  # it can still be mapped by hand
            self.report({"WARNING"}, f"{arrival.action.name}: {problem}")
            return
        self.tell((yield from stage.reading_of.steps(context, work)), arrival.action.name)
        if not stage.any_part(arrival.armature) and arrival.armature not in bodies:  # the first take of it
            settings = recipe.recipe_of(context.scene)
            found = reference.find_and_keep.steps(context, arrival.armature, arrival.action, settings)
            bodies[arrival.armature] = work.body, (yield from found).skeleton


def _summary(scene: bpy.types.Scene, arrivals: Sequence[Arrival], failures: Sequence[str]) -> str:
    """What came, how it plays, and what is missing."""
    homes = dict.fromkeys(one.armature.name for one in arrivals)
    parts = [
        f"{name}: {', '.join(one.action.name for one in arrivals if one.armature.name == name)}"
        for name in homes
    ]
    if len(homes) > 1:
        parts.append(f"{len(homes)} armatures, since the skeletons differ")
    rate = scene_time.frame_rate(scene)
    rates = sorted({round(one.rate, 3) for one in arrivals})
    recorded = " and ".join(f"{one:g}" for one in rates)
    parts.append(f"recorded at {recorded} frames a second, the scene plays {rate:g}")
    if any(abs(one / rate - 1) > 1e-4 for one in rates):
        parts.append("keys lie where they are right in time, some between the scene's frames")
    if failures:
        parts.append(f"{len(failures)} files left out")
    return "; ".join(parts)


class TAKEMILL_FH_take(bpy.types.FileHandler):
    bl_idname = "TAKEMILL_FH_take"
    bl_label = "Takemill Take"
    bl_import_operator = "takemill.import_take"
    bl_file_extensions = ".bvh"

    @classmethod
    def poll_drop(cls, context: bpy.types.Context) -> bool:
        return bool(context.area) and context.area.type == "VIEW_3D"


def draw_in_menu(menu: bpy.types.Menu, _: bpy.types.Context) -> None:
    """The entry in File > Import."""
    menu.layout.operator(TAKEMILL_OT_import_take.bl_idname, text="Takemill Take (.bvh/.fbx/.usd/.glb)")


CLASSES = (TAKEMILL_OT_import_take,)
