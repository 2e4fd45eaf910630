"""What all panels of the tab share: their place, their hints, and text that fits the sidebar."""

from __future__ import annotations

import textwrap
import time
from typing import Any

import bpy

from ..bridge.takes import stage
from ..bridge.takes.states import State, next_step, states_of
from ..translations import say

_LETTER_PX = 6.2  # mean width of a letter in pixels, at a resolution scale of 1
_BESIDE_PX = 76.0  # what tabs, margins, a box and a sign take of a sidebar's width (measured in Blender 5.2)


def paragraph(layout, context: bpy.types.Context, text: str, icon: str, after: str = "") -> None:
    """Small text over as many lines as the sidebar's width asks for: broken at spaces, and `after` a sign."""
    scale = context.preferences.system.ui_scale
    letters = int((context.region.width / scale - _BESIDE_PX) / _LETTER_PX)
    column = layout.column(align=True)
    column.scale_y = 0.75
    text = bpy.app.translations.pgettext_iface(text)
    lines = textwrap.wrap(text.replace(after, f"{after} ") if after else text, max(letters, 16))
    for number, line in enumerate(lines):
        whole = line.replace(f"{after} ", after) if after else line
        column.label(text=whole, icon="BLANK1" if number else icon)


NARROW_PX = 240  # a sidebar this narrow, at a resolution scale of 1, has room for a sign alone (by eye)
_KEEP_S = 0.05  # how long the states of a redraw hold: its panels are drawn within it
_SIGNS = {"done": "CHECKMARK", "stale": "FILE_REFRESH", "waiting": "BLANK1", "next": "PLAY"}
_seen: dict[str, Any] = {"key": None, "at": 0.0, "states": {}}


def states_now(
    context: bpy.types.Context, armature: bpy.types.Object, fresh: bool = False
) -> dict[str, State]:
    """The states of the steps, worked out once for all panels of a redraw; `fresh` for the first of them."""
    action = stage.find_active_action(armature)
    key = (context.scene.as_pointer(), armature.as_pointer(), action and action.as_pointer())
    now = time.monotonic()
    if fresh or bpy.app.background or _seen["key"] != key or now - _seen["at"] > _KEEP_S:
        _seen.update(key=key, at=now, states=states_of(context, armature))
    return _seen["states"]


def main_button(layout, context: bpy.types.Context, armature: bpy.types.Object, step: str, name: str, **how):
    """The button of a step; it stands out where the step comes next."""
    column = layout.column()
    column.scale_y = 1.5 if next_step(states_now(context, armature)) == step else 1.0
    return column.operator(name, **how)


def is_narrow(context: bpy.types.Context) -> bool:
    """Whether the sidebar has no room for two words beside each other."""
    return context.region.width / context.preferences.system.ui_scale < NARROW_PX


def line(layout, context: bpy.types.Context):
    """A row of buttons; where that would cut off their words, one below the other."""
    return layout.column(align=True) if is_narrow(context) else layout.row(align=True)


def list_and_side(layout, context: bpy.types.Context):
    """Where a list is drawn, and where its buttons: at its side, or below it in a narrow sidebar."""
    if is_narrow(context):
        column = layout.column(align=True)
        return column.row(), column.row(align=True)
    row = layout.row()
    place = row.column()  # before the other: that is their order
    return place, row.column(align=True)


def named_above(layout, owner: bpy.types.PropertyGroup, *names: str, placeholder: str = "") -> None:
    """Fields below their names: beside them words would be cut off."""
    column = layout.column(align=True)
    for name in names:
        column.label(text=owner.bl_rna.properties[name].name)
        column.prop(owner, name, text="", placeholder=placeholder)


def fields(layout, context: bpy.types.Context, owner: bpy.types.PropertyGroup, *names: str) -> None:
    """Fields with their names beside them, or above where a narrow sidebar has no room for both."""
    if is_narrow(context):
        named_above(layout, owner, *names)
        return
    for name in names:
        layout.prop(owner, name)


def draw_rows(layout, owner: bpy.types.PropertyGroup, what: str, rows: int) -> None:
    """The list of an owner's cuts, clips, ...; a word where there is none yet, and no empty box."""
    if getattr(owner, f"{what}s"):
        layout.template_list(f"TAKEMILL_UL_{what}s", "", owner, f"{what}s", owner, f"{what}_index", rows=rows)
    else:
        layout.label(text=say("No {} yet", say(what)), icon="INFO")


def draw_name(row, item: bpy.types.PropertyGroup, field: str, chosen: bool) -> None:
    """The name in a list's row, to be edited where the row is chosen.

    Elsewhere a click chooses the row, which one on a field does not always do (seen in Blender 5.2).
    """
    if chosen:
        row.prop(item, field, text="", emboss=False)
    else:
        row.label(text=getattr(item, field), translate=False)


class Step:
    bl_space_type = "VIEW_3D"
    bl_region_type = "UI"
    bl_category = "Takemill"
    step = ""
    """Of a panel that is a step of the work: its name among the states."""

    def draw_header_preset(self, context: bpy.types.Context) -> None:
        """The state of the step: a sign, and a word where there is room."""
        armature = stage.armature_of(context)
        if not self.step or armature is None or stage.find_active_action(armature) is None:
            return
        states = states_now(context, armature)
        word = states[self.step].word
        if word != "stale" and next_step(states) == self.step:
            word = "next"
        if not word:
            return
        row = self.layout.row()
        row.alert, row.active = word == "stale", word != "waiting"
        row.label(text="" if is_narrow(context) else word.capitalize(), icon=_SIGNS[word])

    def draw_state(self, context: bpy.types.Context, armature: bpy.types.Object) -> None:
        """Why the step is stale, where it is."""
        if not self.step or stage.find_active_action(armature) is None:
            return
        state = states_now(context, armature)[self.step]
        if state.why:
            column = self.layout.column()
            column.alert = True
            paragraph(column, context, say("Stale: {}.", state.why), "FILE_REFRESH")


class ArmatureStep(Step):
    """A step that shows nothing but a hint while no armature is active."""

    def draw(self, context: bpy.types.Context) -> None:
        missing = stage.an_armature(context)
        if missing:
            paragraph(self.layout, context, missing, "INFO")
        else:
            self.draw_state(context, stage.armature_of(context))
            self.draw_step(context, stage.armature_of(context))


class ActionStep(ArmatureStep):
    """A step that shows nothing but a hint while there is no active action."""

    def draw_step(self, context: bpy.types.Context, armature: bpy.types.Object) -> None:
        missing = stage.an_action(context)
        if missing:
            paragraph(self.layout, context, missing, "INFO")
        else:
            self.draw_action(context, armature, armature.animation_data.action)
