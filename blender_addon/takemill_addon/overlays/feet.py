"""The trails of both feet around the present frame: thick where planted, with arrows where they slide."""

from __future__ import annotations

from collections.abc import Hashable

import numpy as np

from .colours import colour
from .draw import Drawing, Overlay
from .facts import facts_of
from .shapes import arrow
from .strokes import Label, Stroke, path
from .take_facts import Plant
from .view import View

_TRAIL_PX, _PLANTED_PX, _SLIDE_PX = 1.5, 5.0, 3.0  # of lines, at a resolution scale of 1
_MIN_SLIDE_M = 0.01  # as the check has it: a foot that glides by less does not skate
_TIP_SHARE = 0.3  # of an arrow's length


def _key(view: View) -> Hashable:
    facts = facts_of(view)
    return facts and (facts.number, facts.index(view.frame), view.settings.trail_s)


def _drawing(view: View) -> Drawing:
    facts = facts_of(view)
    if facts is None:
        return Drawing()
    now, reach = facts.index(view.frame), round(view.settings.trail_s * facts.motion.rate)
    first, stop = max(now - reach, 0), min(now + reach + 1, len(facts.motion))
    strokes: list[Stroke] = []
    labels: list[Label] = []
    plants = facts.plants_between(first, stop)
    for k, foot in enumerate(facts.contacts.feet):
        own = colour(view.settings, "left" if foot.startswith("left") else "right")
        strokes.append(path(facts.soles[first:stop, k], own, _TRAIL_PX, "TAKE"))
        for plant in (one for one in plants if one.foot == foot):
            planted = facts.soles[max(plant.start, first) : min(plant.stop, stop), k]
            strokes.append(path(planted, own, _PLANTED_PX, "TAKE"))
            _add_slide(view, plant, strokes, labels)
    return Drawing(strokes, labels, facts.from_take)


def _add_slide(view: View, plant: Plant, strokes: list[Stroke], labels: list[Label]) -> None:
    """How far a planted foot slides, as an arrow with its length."""
    length = float(np.linalg.norm(plant.slide))
    if length < _MIN_SLIDE_M:
        return
    sliding = colour(view.settings, "skating")
    tip = plant.place + np.append(plant.slide, 0.0)
    strokes.append(arrow(plant.place, tip, sliding, _SLIDE_PX, _TIP_SHARE, "TAKE"))
    labels.append(Label(f"{100 * length:.1f} cm", tuple(tip), sliding, "TAKE"))


OVERLAY = Overlay("feet", "feet", _key, _drawing)
