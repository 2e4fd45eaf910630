"""The fit of a take to another character."""

from __future__ import annotations

from dataclasses import replace

import bpy

from takemill.body.body_map import BodyMap
from takemill.body.skeleton import Skeleton
from takemill.pipeline.fit_take import fit_take
from takemill.pipeline.prepare_take import body_of

from ..bridge import actions, recipe, reference, stage, takes
from ..bridge.rig import ArmatureFrame, read_rig
from ..bridge.write_action import write_motion


def a_target(context: bpy.types.Context) -> str:
    """Needs another armature to fit to."""
    target = context.scene.takemill.fit_target
    if target is None:
        return "Choose the character that the take is fitted to"
    if target == stage.armature_of(context):
        return "The character is the take's own armature; choose another one"
    return "" if target.name in context.view_layer.objects else "The character is not in this view layer"


class TAKEMILL_OT_fit_take(stage.Stage, bpy.types.Operator):
    """Retarget the take to another character, in a new action; the character becomes the active object"""

    bl_idname = "takemill.fit_take"
    bl_label = "Fit to Character"
    needs = (*stage.Stage.needs, a_target)

    def run(self, context: bpy.types.Context) -> str:
        work, target = self.read_work(context), context.scene.takemill.fit_target
        frame, rig = ArmatureFrame.of(target).standing, read_rig(target)
        skeleton = frame.world_skeleton(rig.skeleton)
        skeleton = reference.kept_on(context.scene, target, rig, frame, skeleton) or skeleton
        body = _body_of(context.scene, target, skeleton)
        chosen = recipe.recipe_of(context.scene)
        own = chosen.of_character(target.name)
        fitted = fit_take(takes.prepare_work(work, chosen), skeleton, body, own.fit).motion
        name = actions.fitting_name(work.action.name, f" {actions.fitting_name(target.name)[:24]}")
        new = write_motion(context, target, fitted, work.take.start, name, frame)
        if not target.takemill.parts:
            stage.keep_body(target, body, skeleton)
        stage.note_source(new, work)
        new.takemill.performer = work.armature
        takes.keep_made_with(new, "fit", replace(chosen, fit=own.fit))
        stage.copy_cuts(work.action, new)
        stage.activate(context, target)
        return f"{new.name} is the active action of {target.name}"


def _body_of(scene: bpy.types.Scene, target: bpy.types.Object, skeleton: Skeleton) -> BodyMap:
    """The body map kept with a character; else the one found, with the recipe's [characters.NAME.body]."""
    loaded = recipe.loaded_recipe(scene)
    if target.name not in loaded.characters or stage.any_part(target):
        return stage.body_of(target, skeleton)
    return body_of(skeleton, loaded.of_character(target.name))


CLASSES = (TAKEMILL_OT_fit_take,)
