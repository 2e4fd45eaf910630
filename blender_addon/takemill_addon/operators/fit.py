"""The fit of a take to other characters."""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Iterator
from dataclasses import replace

import bpy

from takemill.base.errors import InputError, TakemillError
from takemill.fit.fingers import hands_without_fingers
from takemill.fit.fit import FitSettings
from takemill.fit.rest_match import posture_note
from takemill.goals.goal_results import GoalResult, missed_goals
from takemill.pipeline.fit_take import fit_take, goals_of_take, unknown_goals
from takemill.pipeline.prepare_take import PreparedTake

from ..bridge.characters import hand_contacts
from ..bridge.characters.merge import Merge
from ..bridge.characters.targets import Target
from ..bridge.rigs import fingerprint
from ..bridge.rigs.control_check import undone
from ..bridge.rigs.mesh_soles import deformed_meshes
from ..bridge.scene import actions, kept_rows
from ..bridge.scene.steps import Steps, apart, within
from ..bridge.takes import characters, recipe, stage, states, takes
from ..bridge.takes.adjust import adjustable
from ..properties.take import FitProperties

Plan = tuple[tuple[GoalResult, ...], Callable[[str], Steps[bpy.types.Action]], str]
"""The contacts of a fit, what writes its Action under a name, and how deep arms lay in the body, in words."""


def not_fitted(context: bpy.types.Context) -> str:
    """Needs a performer's own take: a fit of a fit is further off than a fit."""
    fitted = characters.fitted_whole(stage.find_active_action(stage.armature_of(context)))
    if fitted is None:
        return ""
    return f"This take was fitted already; select its performer, {fitted.takemill.performer.name}, and fit it"


def a_target(context: bpy.types.Context) -> str:
    """Needs other armatures to fit to, whose changes are kept."""
    targets = characters.ticked(context.scene)
    if not targets:
        return "Add the character that the take is fitted to, and leave it ticked"
    if stage.armature_of(context) in targets:
        return "A ticked character is the take's own armature; untick it, or choose another one"
    for one in targets:
        if one.name not in context.view_layer.objects:
            return f"{one.name} is not in this view layer"
        if problem := stage.problem_of_linked(one):
            return problem
    return ""


@adjustable(
    FitProperties,
    "fit_clear_arms",
    "fit_arm_clearance",
    "fit_feet",
    "fit_posture",
    "fit_part",
    "fit_part_blend_s",
    "fit_take_wins",
)
class TAKEMILL_OT_fit_take(stage.Stage, bpy.types.Operator):
    """Retarget the take to each ticked character, in new actions; the performer stays the active object"""

    bl_idname = "takemill.fit_take"
    bl_label = "Fit to Characters"
    needs = (
        stage.an_armature,
        stage.an_action,
        stage.own_action,
        stage.a_body,
        stage.no_preview,
        not_fitted,
        a_target,
    )

    def run(self, context: bpy.types.Context) -> Steps[str]:
        work = yield from within(self.read_work.steps(context), 0.0, 0.2)
        chosen = recipe.recipe_of(context.scene)
        take = yield from takes.prepare_work.steps(work, chosen)
        targets = []
        for one in characters.ticked(context.scene):
            with _named(one):
                targets.append((yield from Target.of.steps(context.scene, one)))
        goals = yield from apart(goals_of_take, take, chosen.fit)
        keys = yield from fingerprint.keys_of.steps(work.action)
        plans = []
        for target in targets:
            own = chosen.said_of(target.armature.name)
            wins = own is not None and own.face.take_wins
            how = chosen.of_character(target.armature.name).fit
            how = hand_contacts.settings_with(work.action, how, chosen.fit)
            target = yield from target.in_rest_pose.steps(context, how.rest_pose)
            plan = _whole if how.part == "whole" else _part
            with _named(target.armature):
                planned = yield from plan(context, work, take, target, how, wins)
            plans.append((target, how, *planned))
        made = []
        with contextlib.ExitStack() as stack:  # all or none
            for target in targets:
                stack.enter_context(undone(context, target.armature))
                stack.enter_context(kept_rows.body_kept_back(target.armature))
            for target, how, _, write, _ in plans:
                suffix = f" {actions.fitting_name(target.armature.name)[:24]}"
                written = write(actions.fitting_name(work.action.name, suffix))
                new = yield from within(written, 0.5, 1.0)
                takes.keep_made_with(new, "fit", replace(chosen, fit=how))
                if how.part == "whole":
                    new.takemill.source_keys = keys
                    new.takemill.asked = states.fit_asked(context.scene, target.armature)
                made.append(f"{new.name} is the active action of {target.armature.name}")
        hand_contacts.list_contacts(work.action, goals, work.take.start, chosen.fit.without_goals)
        hand_contacts.note_results(work.action, [goal for _, _, kept, *_ in plans for goal in kept])
        return "; ".join((*made, *_notes(take, plans)))


def _notes(
    take: PreparedTake,
    plans: list[tuple[Target, FitSettings, *Plan]],
) -> Iterator[str]:
    """What there is to say of a fit: what it could not keep, and what it does not use."""
    for target, how, kept, _, depth in plans:
        if depth:
            yield f"{target.armature.name}: {depth}"
        yield from missed_goals(kept, target.armature.name)
        if line := unknown_goals([take], how):
            yield f"{target.armature.name}: {line}"
        if note := posture_note(take.motion.skeleton, take.body, target.skeleton, target.body, how.posture):
            yield f"{target.armature.name}: {note}"
        if not any(deformed_meshes(target.armature)):
            yield f"{target.armature.name} has no mesh: its soles are taken from its bones' ends"
    if any(how.hand_pose for _, how, *_ in plans) and not hands_without_fingers(take.body):
        yield "the hand pose is not used: the take has fingers"


@contextlib.contextmanager
def _named(armature: bpy.types.Object) -> Iterator[None]:
    """What is wrong inside says of which character, too.

    Raises:
        InputError: something is.
    """
    try:
        yield
    except TakemillError as problem:
        if repr(armature.name) in str(problem):
            raise
        raise InputError(f"armature {armature.name!r}: {problem}") from problem


def _whole(
    context: bpy.types.Context,
    work: stage.Work,
    take: PreparedTake,
    target: Target,
    how: FitSettings,
    wins: bool,
) -> Steps[Plan]:
    """The whole take on a character."""
    pose = yield from target.hand_pose.steps(context, how.hand_pose)
    fitted = yield from apart(fit_take, take, target.skeleton, target.body, how, pose, target.shape)

    def write(name: str) -> Steps[bpy.types.Action]:
        start, parts = work.take.start, work.body.joints
        new = yield from target.write.steps(context, fitted.motion, parts, start, name, wins)
        stage.note_source(new, work)
        new.takemill.performer, new.takemill.character = work.armature, target.armature
        return new

    return fitted.goals, write, fitted.clearance.note() if fitted.clearance else ""


def _part(
    context: bpy.types.Context,
    work: stage.Work,
    take: PreparedTake,
    target: Target,
    how: FitSettings,
    wins: bool,
) -> Steps[Plan]:
    """A part of the take merged onto the character's Action."""
    merge = yield from Merge.of.steps(context, target, how, take, work.take.start, wins)
    return (), lambda name: merge.write.steps(context, name), ""


CLASSES = (TAKEMILL_OT_fit_take,)
