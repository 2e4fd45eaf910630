"""Fewer keys, so that an animator can edit an Action that was recorded or baked."""

from __future__ import annotations

import bpy

from takemill.errors import TakemillError
from takemill.reduce_curves import CurveSettings

from . import actions, background, stage
from .clip_record import ClipRecord
from .thin_action import Thinning
from .write_action import refresh


class TAKEMILL_OT_thin_keys(stage.Stage, bpy.types.Operator):
    """Play the same motion by fewer keys, to be edited by hand, in a new action"""

    bl_idname = "takemill.thin_keys"
    bl_label = "Thin Keys"
    needs = (stage.an_armature, stage.an_action, stage.no_preview)

    max_error_mm: bpy.props.FloatProperty(
        name="Tolerance in mm",
        default=2.0,
        min=0.01,
        soft_max=20.0,
        description="How far any joint, or what lies within 10 cm of it, may stray",
    )
    smooth: bpy.props.BoolProperty(
        name="Smooth curves",
        default=True,
        description="Bezier curves with aligned handles; otherwise straight lines from key to key",
    )

    def run(self, context: bpy.types.Context) -> str:
        thinning, manager = self._read(context), context.window_manager
        manager.progress_begin(0, 100)
        try:
            thinning.work(lambda part: manager.progress_update(round(100 * part)))
        finally:
            manager.progress_end()
        return self._written(context, thinning)

    def invoke(self, context: bpy.types.Context, _: bpy.types.Event) -> set[str]:
        """Work in a thread while Blender shows how far it is; Esc stops it."""
        if bpy.app.background:
            return self.execute(context)
        try:
            self._thinning = self._read(context)
        except TakemillError as problem:
            self.report({"ERROR"}, str(problem))
            return {"CANCELLED"}
        self._job = background.Job(context, "Thinning keys", self._thinning.work)
        context.window_manager.modal_handler_add(self)
        return {"RUNNING_MODAL"}

    def modal(self, context: bpy.types.Context, event: bpy.types.Event) -> set[str]:
        if event.type == "ESC":
            self._job.stop()
        if self._job.runs(context, event):
            return {"RUNNING_MODAL"}
        if self._job.stopped:
            self.report({"INFO"}, "Stopped; nothing was changed")
            return {"CANCELLED"}
        self.report({"INFO"}, self._written(context, self._thinning))
        return {"FINISHED"}

    def cancel(self, context: bpy.types.Context) -> None:
        self._job.stop()
        self._job.end(context)

    def _read(self, context: bpy.types.Context) -> Thinning:
        armature = stage.armature_of(context)
        action = actions.active_action(armature)
        settings = CurveSettings(max_error_m=self.max_error_mm / 1000, smooth=self.smooth)
        return Thinning(armature, action, settings, ClipRecord.of_action(action).loop)

    def _written(self, context: bpy.types.Context, thinning: Thinning) -> str:
        armature = stage.armature_of(context)
        action = actions.active_action(armature)
        new, before, after = thinning.write(actions.fitting_name(action.name, " thin"))
        new.takemill.source, new.takemill.repaired = action, False
        stage.replace_on_list(armature, action, new)
        actions.assign(armature, new, actions.slot_for(new, armature))
        refresh(context.scene)
        return f"{new.name}: {after} keys of {before}"


CLASSES = (TAKEMILL_OT_thin_keys,)
