"""The characters that a take is fitted to: their list, their own settings, and which Action is theirs."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import replace
from typing import Any

import bpy

from takemill.recipe.recipe import CharacterSpec, Recipe

from ..scene import actions

FIELDS = {
    "clear_arms": "clear_arms",
    "arm_clearance": "arm_clearance_deg",
    "feet": "plant_feet",
    "posture": "posture",
    "rest_pose": "rest_pose",
    "hand_pose": "hand_pose",
}
"""A row's field -> the key of [characters.NAME.fit] that it stands for."""


def ticked(scene: bpy.types.Scene) -> list[bpy.types.Object]:
    """The armatures of the ticked rows, each once, in their order."""
    rows = (row.armature for row in scene.takemill.characters if row.use and row.armature)
    return list(dict.fromkeys(rows))


def add(scene: bpy.types.Scene, armature: bpy.types.Object, recipe: Recipe) -> None:
    """Add a row for a character, with what the recipe says of it, else with the settings of all."""
    chosen = scene.takemill
    row = chosen.characters.add()
    row.armature = armature
    show_own(row, recipe)
    chosen.character_index = len(chosen.characters) - 1


def show_own(row: bpy.types.PropertyGroup, recipe: Recipe) -> None:
    """Show in a row what a recipe's [characters.NAME] says of its fit, else the settings of all."""
    said = (recipe.said_of(row.armature.name) if row.armature else None) or CharacterSpec()
    row.take_wins = said.face.take_wins
    row.own = said.face.take_wins or any(key in said.fit for key in FIELDS.values())
    for name, key in FIELDS.items():
        value = getattr(row.id_data.takemill, f"fit_{name}")
        if key in said.fit:
            value = math.radians(said.fit[key]) if key == "arm_clearance_deg" else said.fit[key]
        setattr(row, name, value)


def with_own(scene: bpy.types.Scene, recipe: Recipe) -> Recipe:
    """The recipe with what the rows say of their characters; where a row is, it alone has its fields."""
    found = dict(recipe.characters)
    for row in scene.takemill.characters:
        if row.armature is None:
            continue
        key = next((one for one in found if one.casefold() == row.armature.name.casefold()), "")
        said = found.get(key, CharacterSpec())
        shown = set(FIELDS.values())
        fit: dict[str, Any] = {name: value for name, value in said.fit.items() if name not in shown}
        if row.own:
            fit |= _values(row, said.fit)
        wins = row.take_wins if row.own else scene.takemill.fit_take_wins
        new = replace(said, fit=fit, face=replace(said.face, take_wins=wins))
        if new != said:
            found[key or row.armature.name] = new
    return recipe if found == recipe.characters else replace(recipe, characters=found)


def _values(row: bpy.types.PropertyGroup, said: Mapping[str, Any]) -> dict[str, Any]:
    """A row's fields as keys; an angle that was not touched is the recipe's, not in single precision."""
    values = {key: getattr(row, name) for name, key in FIELDS.items()}
    degrees, old = math.degrees(row.arm_clearance), said.get("arm_clearance_deg")
    same = old is not None and abs(degrees - old) < 1e-4
    values["arm_clearance_deg"] = old if same else float(f"{degrees:.6g}")
    return values


def fitted_whole(action: bpy.types.Action) -> bpy.types.Action | None:
    """The Action that was fitted, of a fitted one or of what was made of it; None for a performer's own.

    An Action that a part of a take was merged onto is the character's own.
    """
    for one in actions.ancestry(action):
        if one.takemill.merged:
            return None
        if one.takemill.performer and one.takemill.source:
            return one
    return None


def cuts_holder(action: bpy.types.Action) -> bpy.types.Action:
    """The Action whose list of cuts counts: of a fitted one, unless it has its own, the take's."""
    if action.takemill.looping and action.takemill.source:  # a preview of it
        action = action.takemill.source
    fitted = None if action.takemill.cuts else fitted_whole(action)
    return fitted.takemill.source if fitted else action


def fit_of(character: bpy.types.Object, take: bpy.types.Action) -> bpy.types.Action | None:
    """The Action that `take` was fitted to a character in; the active one, or else the last that was made."""
    data = character.animation_data
    active = fitted_whole(data.action) if data and data.action else None
    if active is not None and active.takemill.source == take:
        line = list(actions.ancestry(data.action))
        line = line[: line.index(active) + 1]
        clips = [k for k, one in enumerate(line) if one.takemill.record or one.takemill.looping]
        return line[max(clips, default=-1) + 1]
    fits = [
        one
        for one in bpy.data.actions
        if one.takemill.character == character and one.takemill.source == take and not one.takemill.merged
    ]
    return max(fits, key=lambda one: one.takemill.made, default=None)


def last_fit(character: bpy.types.Object) -> bpy.types.Action | None:
    """The Action that was fitted to a character last, of whatever take."""
    fits = [one for one in bpy.data.actions if one.takemill.character == character]
    return max(fits, key=lambda one: one.takemill.made, default=None)


def name_of(row: bpy.types.PropertyGroup) -> str:
    """What a row is called."""
    return row.armature.name if row.armature else "a row without an armature"
