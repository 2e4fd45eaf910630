"""The face of a character, aligned with the takes that it is packed with."""

from __future__ import annotations

import bpy

from takemill.clip.clap import find_claps

from ..bridge.characters import faces
from ..bridge.scene import scene_time
from ..bridge.scene.steps import Steps, apart
from ..bridge.takes import stage


def a_face(context: bpy.types.Context) -> str:
    """Needs shape keys with an Action."""
    has = faces.has_faces(context, stage.armature_of(context))
    return "" if has else "No mesh of the character has shape keys with an action"


def no_clip(context: bpy.types.Context) -> str:
    """Needs a take: a clip begins elsewhere."""
    action = stage.find_active_action(stage.armature_of(context))
    return f"{action.name} is a clip; make its take active" if action and action.takemill.record else ""


class TAKEMILL_OT_align_face(stage.Stage, bpy.types.Operator):
    """Set Face Offset so that the clap in the face's action falls on the sharpest clap of the active take"""

    bl_idname = "takemill.align_face"
    bl_label = "Align Face by Clap"
    needs = (
        stage.an_armature,
        stage.an_action,
        stage.own_action,
        stage.a_body,
        stage.no_preview,
        a_face,
        no_clip,
    )

    def run(self, context: bpy.types.Context) -> Steps[str]:
        work = yield from self.read_work.steps(context)
        claps = yield from apart(find_claps, work.take.motion, work.body)
        rate = scene_time.frame_rate(context.scene)
        first, *others = (work.take.start + claps * rate).tolist()
        known = work.armature.takemill
        known.face_offset = first - known.face_clap
        like = ", ".join(f"{frame:.1f}" for frame in sorted(others))
        more = f"; claps as sharp: {like}; for one of those, type the offset" if others else ""
        return f"The hands clap at frame {first:.1f}; Face Offset is {known.face_offset:.2f}{more}"


CLASSES = (TAKEMILL_OT_align_face,)
