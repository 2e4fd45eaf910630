"""The contacts of hands and body of a take, looked for."""

from __future__ import annotations

import bpy

from takemill.pipeline.fit_take import goals_of_take

from ..bridge.characters import hand_contacts
from ..bridge.scene.steps import Steps, apart
from ..bridge.takes import recipe, stage, takes


def a_take(context: bpy.types.Context) -> str:
    """Needs an Action that was not fitted: contacts are the performer's."""
    action = stage.find_active_action(stage.armature_of(context))
    take = hand_contacts.take_of(action)
    return "" if take == action else f"{action.name} is fitted; look for contacts in its take, {take.name}"


class TAKEMILL_OT_find_contacts(stage.Stage, bpy.types.Operator):
    """Look for what hands and body touch in the take, so that contacts can be unticked before it is fitted"""

    bl_idname = "takemill.find_contacts"
    bl_label = "Find Contacts"
    needs = (stage.an_armature, stage.an_action, stage.own_action, stage.a_body, stage.no_preview, a_take)

    def run(self, context: bpy.types.Context) -> Steps[str]:
        work = yield from self.read_work.steps(context)
        chosen = recipe.recipe_of(context.scene)
        take = yield from takes.prepare_work.steps(work, chosen)
        goals = yield from apart(goals_of_take, take, chosen.fit)
        count = hand_contacts.list_contacts(work.action, goals, work.take.start, chosen.fit.without_goals)
        return f"{work.action.name}: {count} contact{'' if count == 1 else 's'} of hands and body"


CLASSES = (TAKEMILL_OT_find_contacts,)
