"""What hands and body touch at the present frame: whether a fit keeps it, and how near it is."""

from __future__ import annotations

from collections.abc import Hashable

import bpy

from takemill.goals.goals import SUPPORT

from ..bridge.characters import hand_contacts
from ..translations import say
from .colours import colour
from .draw import Drawing, Overlay
from .facts import facts_of
from .strokes import Colour, Label, Stroke, lines
from .view import View

_KEPT_PX, _LEFT_PX = 4.0, 1.5  # of a contact that is ticked, and of one that is not


def _key(view: View) -> Hashable:
    facts = facts_of(view)
    if facts is None:
        return None
    ticks = tuple((one.name, one.keep, one.off_mm) for one in contacts_at(view.action, view.frame))
    return facts.number, facts.index(view.frame) if ticks else None, ticks


def contacts_at(action: bpy.types.Action, frame: float) -> list[bpy.types.PropertyGroup]:
    """The contacts of a frame, of a fitted Action those of its take."""
    known = hand_contacts.take_of(action).takemill.contacts
    return [one for one in known if one.start <= frame < one.stop]


def _drawing(view: View) -> Drawing:
    facts = facts_of(view)
    found = contacts_at(view.action, view.frame)
    if facts is None or not found:
        return Drawing()
    now = facts.index(view.frame)
    strokes: list[Stroke] = []
    labels: list[Label] = []
    for one in found:
        touch = facts.touch(one.part, one.on, now)
        if touch is None:
            continue
        line, gap_m = touch
        own = _colour(view, one)
        strokes.append(lines(line[None], own, _KEPT_PX if one.keep else _LEFT_PX, "TAKE"))
        labels.append(Label(_text(one, 1000 * gap_m), tuple(line[0]), own, "TAKE"))
    return Drawing(strokes, labels, facts.from_take)


def _text(contact: bpy.types.PropertyGroup, gap_mm: float) -> str:
    if not contact.keep:
        return say("{}: not kept", contact.name)
    gap = say("{:.0f} mm over the floor" if contact.on == SUPPORT else "{:.0f} mm between", gap_mm)
    if contact.off_mm < 0:  # no fit yet
        return f"{contact.name}: {gap}"
    return say("{}: {}, {:.0f} mm off in the last fit", contact.name, gap, contact.off_mm)


def _colour(view: View, contact: bpy.types.PropertyGroup) -> Colour:
    if not contact.keep:
        return colour(view.settings, "other")
    return colour(view.settings, "spike" if hand_contacts.is_missed(contact) else "good")


OVERLAY = Overlay("goals", "goals", _key, _drawing)
