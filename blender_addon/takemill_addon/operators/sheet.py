"""A picture of a clip for reviews."""

from __future__ import annotations

import bpy
from bpy_extras.io_utils import ExportHelper

from takemill.base.disk import write_whole

from ..bridge.clips.clip_record import ClipRecord
from ..bridge.clips.contact_sheet import needs_this_blender, render_sheet
from ..bridge.clips.sheet_cast import cast_of
from ..bridge.clips.sheet_poses import Pose, poses_of, remove_poses
from ..bridge.scene import actions, paths, scene_time
from ..bridge.scene.steps import Steps, within
from ..bridge.takes import stage

_POSING_SHARE = 0.3  # of the work: the rest is rendered (seen in Blender 5.2)


def a_renderer(context: bpy.types.Context) -> str:
    """Needs Blender's bundled Cycles add-on."""
    return "" if hasattr(context.scene, "cycles") else "Enable Blender's own Cycles add-on in the preferences"


class TAKEMILL_OT_contact_sheet(stage.Stage, bpy.types.Operator, ExportHelper):
    """Save a picture of the active action: performer and characters at the same even phases, side by side"""

    bl_idname = "takemill.contact_sheet"
    bl_label = "Contact Sheet"
    needs = (stage.an_armature, stage.an_action, a_renderer)
    filename_ext = ".png"

    filepath: paths.property_of_a_file()
    filter_glob: bpy.props.StringProperty(default="*.png", options={"HIDDEN"})
    count: bpy.props.IntProperty(
        name="Poses",
        default=8,
        min=1,
        soft_max=32,
        max=128,
        description="How many poses are shown, at even phases",
    )
    row_px: bpy.props.IntProperty(
        name="Row Height",
        default=320,
        min=64,
        max=2048,
        subtype="PIXEL",
        description="Height of a row of eight poses at most, in pixels",
    )
    everybody: bpy.props.BoolProperty(
        name="All Characters",
        default=True,
        description="Also the performer and all characters that play it: the same frames, each in its rows",
    )

    def invoke(self, context, event):
        name = bpy.path.clean_name(actions.active_action(stage.armature_of(context)).name)
        self.filepath = paths.beside(f"{name}.png")
        return super().invoke(context, event)

    def run(self, context: bpy.types.Context) -> Steps[str]:
        path, armature = paths.absolute(self.filepath), stage.armature_of(context)
        action = actions.active_action(armature)
        loop = ClipRecord.of_action(action).loop
        rate, ends = scene_time.frame_rate(context.scene), tuple(action.frame_range)
        length = scene_time.seconds(ends[1] - ends[0], rate)
        cast = cast_of(context, armature, action) if self.everybody else [(armature, action)]
        names = [one.name for one, _ in cast] if len(cast) > 1 else []
        who = ", ".join(names or [armature.name])
        title = f"{action.name}, {who}: {length:.2f} s, {rate:g} frames a second"
        title, here = f"{title}{', a loop' if loop else ''}", bpy.app.background or needs_this_blender()
        rows: list[list[Pose]] = []
        try:
            for k, one in enumerate(cast):
                steps, share = poses_of.steps(context, *one, self.count, loop), _POSING_SHARE / len(cast)
                rows.append((yield from within(steps, k * share, (k + 1) * share)))
            picture = yield from render_sheet.steps(rows, title, self.row_px, names, here)
        finally:
            remove_poses(pose for row in rows for pose in row)
        write_whole(path, picture)
        return f"{self.count} poses of {action.name}, each of {who}, in {path}"


CLASSES = (TAKEMILL_OT_contact_sheet,)
