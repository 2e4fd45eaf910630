"""A whole shoot: folders of takes made into sets, as a shoot file says."""

from __future__ import annotations

import bpy
from bpy_extras.io_utils import ImportHelper

from takemill.shoot.shoot_file import read_shoot

from ..bridge.scene import paths
from ..bridge.scene.shoot_process import build_apart
from ..bridge.scene.steps import Steps
from ..bridge.takes import stage

_MAX_TOLD = 20  # of what is missing: more are not read in a report (chosen by eye)


class TAKEMILL_OT_build_shoot(stage.Stage, bpy.types.Operator, ImportHelper):
    """Make folders of takes into clip sets, as a shoot file (TOML) says; only what changed is made anew"""

    bl_idname = "takemill.build_shoot"
    bl_label = "Build Shoot"
    needs = ()
    filename_ext = ".toml"

    filepath: paths.property_of_a_file()
    filter_glob: bpy.props.StringProperty(default="*.toml", options={"HIDDEN"})
    folder: bpy.props.StringProperty(
        name="Folder",
        default="build",
        description="Where the results go; a name alone is a folder beside the shoot file",
    )
    open_folder: bpy.props.BoolProperty(
        name="Open Folder", default=True, description="Show the folder of the results once they are made"
    )

    def run(self, context: bpy.types.Context) -> Steps[str]:
        shoot = paths.absolute(self.filepath)
        read_shoot(shoot)  # what is wrong in it is said at once
        is_name = not any(mark in self.folder for mark in "/\\~$")
        out = shoot.parent / self.folder if is_name else paths.absolute(self.folder, "the folder")
        said = yield from build_apart(shoot, out)
        for one in said["missing"][:_MAX_TOLD]:
            self.report({"WARNING"}, f"missing: {one['what']}: {one['why']}")
        if self.open_folder and not bpy.app.background:
            bpy.ops.wm.path_open(filepath=str(out))
        missing = f"; {len(said['missing'])} are missing" if said["missing"] else ""
        return f"{len(said['made'])} sets made, {said['kept']} as they were{missing}; in {out}"


def draw_in_menu(menu: bpy.types.Menu, _: bpy.types.Context) -> None:
    """The entry in File > Export."""
    menu.layout.operator(TAKEMILL_OT_build_shoot.bl_idname, text="Takemill Shoot (.toml)")


CLASSES = (TAKEMILL_OT_build_shoot,)
