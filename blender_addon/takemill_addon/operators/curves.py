"""The F-curves of a bone, with those of the raw take behind them, in Blender's Graph Editor."""

from __future__ import annotations

import bpy

from takemill.base.errors import InputError

from ..bridge.scene import actions, views
from ..bridge.takes import findings, stage


def a_raw_take(context: bpy.types.Context) -> str:
    """Needs the repair of a take, or its preview."""
    action = stage.armature_of(context).animation_data.action
    return "" if findings.raw_of(action) else "Repair the take first, or preview its repair"


def a_bone(context: bpy.types.Context) -> str:
    """Needs an active bone."""
    return "" if stage.armature_of(context).data.bones.active else "Click a finding, or select a bone"


class TAKEMILL_OT_show_curves(stage.Stage, bpy.types.Operator):
    """Show the curves of the active bone in a Graph Editor, those of the raw take as ghost curves behind"""

    bl_idname = "takemill.show_curves"
    bl_label = "Show Curves"
    needs = (stage.an_armature, stage.an_action, a_raw_take, a_bone)

    def run(self, context: bpy.types.Context) -> str:
        armature = stage.armature_of(context)
        action, bone = actions.active_action(armature), armature.data.bones.active.name
        place = views.find_area(context, "GRAPH_EDITOR") or views.find_area(context, "DOPESHEET_EDITOR")
        if place is None:
            raise InputError("no Graph Editor is open, and no time line that could become one; open one")
        stage.select_bone(context, armature, bone)
        window, area = place
        area.type = "GRAPH_EDITOR"
        area.spaces.active.dopesheet.show_only_selected = True
        region = next(one for one in area.regions if one.type == "WINDOW")
        with context.temp_override(window=window, area=area, region=region):
            if bpy.ops.graph.ghost_curves_clear.poll():  # type: ignore[call-arg]
                bpy.ops.graph.ghost_curves_clear()
            raw = findings.raw_of(action)
            actions.assign(armature, raw, actions.slot_for(raw, armature))
            try:
                bpy.ops.graph.ghost_curves_create()
            finally:
                actions.assign(armature, action, actions.slot_for(action, armature))
            bpy.ops.graph.view_frame()
        return f"{bone}: the raw take's curves lie behind those of {action.name}"


CLASSES = (TAKEMILL_OT_show_curves,)
