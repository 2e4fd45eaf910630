"""The fit of a take to other characters."""

from __future__ import annotations

from dataclasses import replace

import bpy

from takemill.fit.goal_results import missed_goals
from takemill.pipeline.fit_take import fit_take, goals_of_take

from ..bridge import actions, hand_contacts, recipe, stage, takes
from ..bridge.targets import Target


def targets_of(context: bpy.types.Context) -> list[bpy.types.Object]:
    """The armatures that the take is fitted to: the chosen one, or all selected ones but the take's own."""
    chosen = context.scene.takemill
    if chosen.fit_characters == "CHOSEN":
        return [chosen.fit_target] if chosen.fit_target else []
    selected = [item for item in context.view_layer.objects if item.select_get()]
    found = {one for item in selected if (one := stage.armature_behind(item))} - {stage.armature_of(context)}
    return sorted(found, key=lambda one: one.name)


def a_target(context: bpy.types.Context) -> str:
    """Needs other armatures to fit to, whose changes are kept."""
    targets = targets_of(context)
    if not targets:
        alone = context.scene.takemill.fit_characters == "CHOSEN"
        return (
            "Choose the character that the take is fitted to"
            if alone
            else "Select the characters too; the take's armature is the active object"
        )
    if stage.armature_of(context) in targets:
        return "The character is the take's own armature; choose another one"
    for one in targets:
        if one.name not in context.view_layer.objects:
            return "The character is not in this view layer"
        if problem := stage.problem_of_linked(one):
            return problem
    return ""


class TAKEMILL_OT_fit_take(stage.Stage, bpy.types.Operator):
    """Retarget the take to other characters, in new actions; the character becomes the active object"""

    bl_idname = "takemill.fit_take"
    bl_label = "Fit to Character"
    needs = (stage.an_armature, stage.an_action, stage.a_body, stage.no_preview, a_target)

    def run(self, context: bpy.types.Context) -> str:
        work, chosen = self.read_work(context), recipe.recipe_of(context.scene)
        targets = [Target.of(context.scene, one) for one in targets_of(context)]
        take = takes.prepare_work(work, chosen)
        fits = [chosen.of_character(one.armature.name).fit for one in targets]
        goals = goals_of_take(take, chosen.fit)
        hand_contacts.list_contacts(work.action, goals, work.take.start, chosen.fit.without_goals)
        fits = [hand_contacts.settings_with(work.action, how) for how in fits]
        done = [fit_take(take, one.skeleton, one.body, how) for one, how in zip(targets, fits, strict=True)]
        fitted = [one.motion for one in done]
        hand_contacts.note_results(work.action, [goal for one in done for goal in one.goals])
        wins, made = context.scene.takemill.fit_take_wins, []
        for target, motion, how in zip(targets, fitted, fits, strict=True):
            suffix = f" {actions.fitting_name(target.armature.name)[:24]}"
            name = actions.fitting_name(work.action.name, suffix)
            new = target.write(context, motion, work.body.joints, work.take.start, name, wins)
            stage.note_source(new, work)
            new.takemill.performer = work.armature
            takes.keep_made_with(new, "fit", replace(chosen, fit=how))
            stage.copy_cuts(work.action, new)
            made.append(f"{new.name} is the active action of {target.armature.name}")
        stage.activate(context, targets[0].armature)
        for one, target in zip(done, targets, strict=True):
            made += missed_goals(one.goals, target.armature.name)
        return "; ".join(made)


CLASSES = (TAKEMILL_OT_fit_take,)
