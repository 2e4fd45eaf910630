"""Actions as the takes of the engine's pipeline, and what is known of how they were made."""

from __future__ import annotations

import json
from dataclasses import replace

import bpy

from takemill.base.errors import InputError
from takemill.feet.contacts import find_contacts
from takemill.health.check import Health
from takemill.pipeline.prepare_take import PreparedTake, digest_of
from takemill.recipe.recipe import TABLES, Recipe
from takemill.recipe.recipe_write import settings_table
from takemill.recipe.tables import settings_from

from ...properties.repair import REPAIR_STEPS
from ..scene import actions
from ..scene.steps import Steps, apart, stepwise
from . import findings, stage

_MADE_BY_STAGES = {"repair": "repaired", "fit": "fitted"}
"""Tables whose stage makes a new Action of a take."""


def take_name(action: bpy.types.Action) -> str:
    """The name of the take that an Action was made from: of its earliest ancestor."""
    return [one.name for one in actions.ancestry(action)][-1]


@stepwise
def prepare_work(work: stage.Work, recipe: Recipe) -> Steps[PreparedTake]:
    """An Action as a take of the pipeline: repaired and judged before, by operators of their own."""
    motion = work.take.motion
    known = findings.kept(work.action, work.take.start) or Health((), {})
    name = take_name(work.action)
    contacts = yield from apart(find_contacts, motion, work.body, recipe.contacts)
    digest = yield from apart(digest_of, motion)
    return PreparedTake(name, digest, motion, work.body, motion, (), known, contacts)


@stepwise
def performer_of(
    context: bpy.types.Context, work: stage.Work, recipe: Recipe
) -> Steps[tuple[PreparedTake, PreparedTake] | None]:
    """For an Action that was fitted: the performer's take, and the fitted one with the performer's contacts.

    None for a take of its own, a part of which may be another's, or where the performer is gone or has other
    frames by now.
    """
    line = list(actions.ancestry(work.action))
    fitted = next((one for one in line if one.takemill.performer or one.takemill.merged), None)
    if fitted is None or fitted.takemill.merged or fitted.takemill.source is None:
        return None
    armature = fitted.takemill.performer
    if armature.name not in context.view_layer.objects:
        return None
    theirs = yield from stage.work_on.steps(context, armature, fitted.takemill.source)
    performer = yield from prepare_work.steps(theirs, recipe)
    own = work.take.motion
    if len(performer.motion) != len(own) or performer.motion.rate != own.rate:
        return None
    contacts = replace(performer.contacts, rate=own.rate)
    return performer, replace((yield from prepare_work.steps(work, recipe)), contacts=contacts)


def keep_made_with(action: bpy.types.Action, table: str, recipe: Recipe) -> None:
    """Keep with a new Action the settings of the stage that made it."""
    known = json.loads(action.takemill.made_with or "{}")
    action.takemill.made_with = json.dumps(known | {table: settings_table(recipe)[table]})


def as_made(action: bpy.types.Action, recipe: Recipe) -> Recipe:
    """The recipe with the settings that repaired and fitted the take; none where that was not done here.

    Raises:
        InputError: somebody has changed what is kept.
    """
    known: dict[str, object] = {}
    for one in actions.ancestry(action):
        try:
            known = json.loads(one.takemill.made_with or "{}") | known
        except (ValueError, TypeError, RecursionError) as problem:
            raise InputError(
                f"action {one.name!r}: what it was made with is damaged ({problem}); make it again"
            ) from None
    for table in _MADE_BY_STAGES:
        said = known.get(table)
        if isinstance(said, dict):
            said = {key: value for key, value in said.items() if value is not None}
            recipe = replace(recipe, **{table: settings_from(said, TABLES[table], f"[{table}]")})
    if "repair" not in known:
        off = dict.fromkeys(REPAIR_STEPS, False)
        recipe = replace(recipe, repair=replace(recipe.repair, **off))
    return recipe
