"""The take read for the overlays, where they do not do so unasked."""

from __future__ import annotations

import bpy

from takemill.base.errors import InputError

from ..bridge.takes import stage
from ..overlays import draw, facts
from ..overlays.view import View


class TAKEMILL_OT_read_take(stage.Stage, bpy.types.Operator):
    """Read the whole take for the overlays of feet, path, floor, seam and contacts, which may take long"""

    bl_idname = "takemill.read_take"
    bl_label = "Read Take for Overlays"
    needs = (stage.an_armature, stage.an_action)

    def run(self, context: bpy.types.Context) -> str:
        view = View.of(context)
        if view is None:
            raise InputError("there is no armature with an action; select one")
        if problem := facts.read_now(view):
            raise InputError(problem)
        draw.redraw()
        return f"{view.action.name} is read for the overlays"


CLASSES = (TAKEMILL_OT_read_take,)
