"""Contacts of hands and body: the list that an Action keeps, and what is unticked in it."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace

import bpy

from takemill.fit.fit import FitSettings
from takemill.goals.goal_results import MAX_ERROR_M, GoalResult
from takemill.goals.goals import Goal

from ..takes import stage


def take_of(action: bpy.types.Action) -> bpy.types.Action:
    """The Action that holds the list: of a fitted one the take that it was fitted from."""
    known = action.takemill
    return known.source if known.performer and known.source else action


def list_contacts(
    action: bpy.types.Action, goals: Iterable[Goal], start: int, left_out: Iterable[str]
) -> int:
    """Fill the list of a take that starts at a scene frame; ticks stay as they were. How many there are."""
    known = action.takemill
    off = {one.name for one in known.contacts if not one.keep} | set(left_out)
    known.contacts.clear()
    known.contact_index = -1
    for goal in goals:
        item = known.contacts.add()
        item.name, item.kind, item.start, item.keep = goal.name, goal.kind, start + goal.start, True
        item.stop, item.part, item.on = start + goal.stop, goal.part, goal.on
        item.keep = goal.name not in off
    return len(known.contacts)


def settings_with(action: bpy.types.Action, own: FitSettings, shared: FitSettings) -> FitSettings:
    """A character's settings, with what is unticked in the take's list left out.

    What is ticked there is kept although the `shared` settings leave it out, but not what the character's
    `own` leave out beside them.
    """
    known = {one.name: one.keep for one in action.takemill.contacts}
    ticked = {name for name in shared.without_goals if known.get(name, False)}
    kept = tuple(name for name in own.without_goals if name not in ticked)
    more = tuple(name for name, keep in known.items() if not keep and name not in kept)
    return replace(own, without_goals=kept + more)


def note_results(action: bpy.types.Action, results: Iterable[GoalResult]) -> None:
    """Keep how far off each contact was at most, on any character."""
    worst: dict[str, float] = {}
    for one in results:
        worst[one.goal.name] = max(worst.get(one.goal.name, 0.0), 1000 * one.worst_m)
    for item in action.takemill.contacts:
        item.off_mm = worst.get(item.name, -1.0)


def is_missed(item: bpy.types.PropertyGroup) -> bool:
    """Whether the last fit did not reach a contact."""
    return item.off_mm > 1000 * MAX_ERROR_M


def go_to_chosen(known: bpy.types.PropertyGroup, context: bpy.types.Context) -> None:
    """Set the playhead on the first frame of the contact that was clicked."""
    armature = stage.armature_of(context)
    if armature is not None and 0 <= known.contact_index < len(known.contacts):
        context.scene.frame_set(known.contacts[known.contact_index].start)
